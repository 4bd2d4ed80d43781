"""The stages of a sheet's work: what each rests on, and the key under which its result is kept.

A key is a hash of everything the result depends on and of the program's version, so nothing kept is ever
wrong: the same choices again, undone or made by somebody else, find the result at once.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

from falsework.bench.choices import Choices
from falsework.documents import encode
from falsework.process.settings import Process
from falsework.request import Placing, Wish
from falsework.request.value import UNTURNED
from falsework.version import __version__
from falsework.wording.heading import UNTITLED, Heading


class Stage(StrEnum):
    """In the order in which they run; of jobs of one client the first here goes first."""

    PART = "part"  # read, healed, placed: the first picture
    UNDERSIDES = "undersides"  # layers and need
    TOTALS = "totals"  # what every standing would cost
    SUPPORTS = "supports"  # built
    PATCHES = "patches"  # smooth patches, for marking
    FACES = "faces"  # bores and mating faces that may have to stay
    LIES = "lies"  # the search for the best lie
    RELEASE = "release"  # how the supports come off: the whole plan
    REMEDIES = "remedies"  # what to change where they do not
    FILES = "files"  # what is handed over
    REDRAW = "redraw"  # changes to the part itself, so that it needs no support
    AUDIT = "audit"  # what the machine's own program will do, held against the plan


RESTS_ON: Mapping[Stage, Stage | None] = {
    Stage.PART: None,
    Stage.UNDERSIDES: Stage.PART,
    Stage.TOTALS: Stage.UNDERSIDES,
    Stage.SUPPORTS: Stage.TOTALS,
    Stage.PATCHES: Stage.PART,
    Stage.FACES: Stage.PART,
    Stage.LIES: Stage.PART,
    Stage.RELEASE: Stage.SUPPORTS,
    Stage.REMEDIES: Stage.RELEASE,
    Stage.FILES: Stage.RELEASE,
    Stage.REDRAW: Stage.UNDERSIDES,
    Stage.AUDIT: Stage.SUPPORTS,
}
BY_ITSELF = (Stage.PART, Stage.UNDERSIDES, Stage.TOTALS, Stage.SUPPORTS, Stage.RELEASE)
PRECEDENCE = {stage: place for place, stage in enumerate(Stage)}


@dataclass(frozen=True)
class Order:
    """Everything a sheet's results depend on: the part's file, the choices, the process, what is believed.

    ``fit`` is the hash of the fit of readings that counts for its printer and material, '' for none;
    ``heading`` what is said on the files; ``program`` the machine program to be audited: its digest, name and
    how its E words count.
    """

    digest: str
    name: str
    choices: Choices
    process: Process
    fit: str = ""
    program: Mapping[str, Any] | None = None
    heading: Heading = UNTITLED

    def arguments(self, stage: Stage) -> dict[str, Any]:
        """What the worker is told for ``stage``: only what that stage depends on."""
        choices, placing, wish = self.choices, self.choices.placing(), self._wish
        out: dict[str, Any] = {"digest": self.digest, "name": self.name}
        if stage in (Stage.PATCHES, Stage.FACES):
            return out | {"placing": encode(Placing(placing.unit))}
        if stage is Stage.LIES:
            out |= {
                "placing": encode(placing.turned(UNTURNED)),
                "wish": encode(wish.of_orientations),
                "fit": self.fit,
            }
            return out | {"marks": {"show": choices.show.faces, "spare": choices.keep_off}}
        out["placing"] = encode(placing)
        if stage is Stage.PART:
            printer = self.process.printer
            build_mm = [printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm]
            return out | {"build_mm": build_mm}
        out["fit"] = self.fit
        if stage is Stage.UNDERSIDES:
            return out | {"wish": encode(Wish(self.process))}
        if stage is Stage.REDRAW:  # what is set of supports does not matter to a change in their place
            out |= {"wish": encode(replace(wish, overrules={})), "redrawing": choices.redrawing.model_dump()}
            return out | {"marks": {"show": choices.show.faces, "spare": choices.keep_off}}
        out |= {"wish": encode(wish.of_supports), "marks": {"spare": choices.keep_off}}
        if stage is Stage.AUDIT:
            return out | {"program": self.program}
        if stage is Stage.FILES:
            return out | {"supports_as": choices.supports_as, "heading": encode(self.heading)}
        return out

    @cached_property
    def _wish(self) -> Wish:
        return self.choices.wish(self.process)

    def key(self, stage: Stage) -> str:
        """The hash under which the result of ``stage`` is kept."""
        return self._keys[stage]

    @cached_property
    def _keys(self) -> dict[Stage, str]:
        return {stage: key_of(stage.value, self.arguments(stage)) for stage in Stage}


def key_of(what: str, arguments: Mapping[str, Any]) -> str:
    """SHA-256 over the work's name, its arguments and the program's version."""
    text = json.dumps([__version__, what, arguments], sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def before(stage: Stage) -> list[Stage]:
    """The stages that ``stage`` rests on, first first."""
    out: list[Stage] = []
    at = RESTS_ON[stage]
    while at is not None:
        out.insert(0, at)
        at = RESTS_ON[at]
    return out
