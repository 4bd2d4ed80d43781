"""``Draft`` and ``Refusal``: a change as it is drawn, not yet proved; or why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from manifold3d import Manifold


class ChangeKind(StrEnum):
    """What is done to the part."""

    CORBEL = "corbel"  # material beneath, receding until it meets the part
    ROOF = "peaked roof"  # material taken away above, so that the ceiling closes by itself
    RIBS = "ribs"  # thin walls that split a flat span into spans that bridge
    STEPS = "crossed steps"  # a stepped hole closed by bridges that cross, a layer each
    MEMBRANE = "membrane"  # one layer across a stepped hole, cut out afterwards
    FINS = "drawn-in fins"  # break-away walls that belong to the drawing


@dataclass(frozen=True, eq=False)
class Region:
    """One named solid that a change adds to the part or takes from it, in the placed part's frame, mm."""

    name: str
    solid: Manifold


@dataclass(frozen=True, eq=False)
class Draft:
    """One change for one underside, drawn but not proved.

    ``words``: what is done, one plain sentence with its sizes. ``added`` may reach into the part, ``removed``
    beyond it: what counts is ``(part ∪ added) - removed``. ``by_hand``: what is left to do after printing, as
    a sentence ('' for nothing). ``notes``: further sentences a person should know.
    """

    kind: ChangeKind
    underside: int
    words: str
    added: tuple[Region, ...] = ()
    removed: tuple[Region, ...] = ()
    by_hand: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Refusal:
    """Why a kind of change is not offered for an underside, and what would help ('' where nothing)."""

    kind: ChangeKind
    underside: int
    why: str
    cure: str = ""
