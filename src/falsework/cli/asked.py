"""What the options of a command ask for, collected into one value, and the request that is made of it."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import click

from falsework.cli.belief import chosen_belief
from falsework.cli.options import chosen_overrules, chosen_process, chosen_weights

if TYPE_CHECKING:
    from falsework.process.settings import Process
    from falsework.request import Context, MarkedFaces, Request
    from falsework.request.marks import Marks
    from falsework.watch import Watch

F = TypeVar("F", bound=Callable[..., Any])

BEST = "auto"
"""The lie that asks for a search."""


def collected(kind: type[Any], name: str) -> Callable[[F], F]:
    """A command's options that are fields of the dataclass ``kind``, as one argument ``name`` of that class.

    To stand next to the command itself, beneath all its options.
    """
    own = {field.name for field in fields(kind)}

    def decorator(command: F) -> F:
        @functools.wraps(command)
        def run(*arguments: Any, **options: Any) -> Any:
            mine = {key: options.pop(key) for key in own & options.keys()}
            return command(*arguments, **{name: kind(**mine)}, **options)

        return run  # type: ignore[return-value]

    return decorator


@dataclass(frozen=True)
class AskedOptions:
    """The options that say what is asked, as given; a command without one of them has it at its default."""

    part: str
    process_name: str
    settings: tuple[tuple[str, str], ...] = ()
    scale: float = 1.0
    unit: str | None = None
    too_large: bool = False
    ledger_name: str | None = None
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lie: str = "as-is"
    shown: tuple[str, ...] = ()
    spared: tuple[str, ...] = ()
    load: str | None = None
    standing: str = "auto"
    overrules: tuple[tuple[str, str], ...] = ()
    weigh: str | None = None
    cores: int | None = None

    @cached_property
    def process(self) -> Process:
        """The process of that name or file with the given settings changed."""
        return chosen_process(self.process_name, self.settings)

    def check(self) -> None:
        """Raise ProcessError where the process is none."""
        _ = self.process

    def request(self, *, searches: bool) -> Request:
        """The request; ``searches``: what matters to a search for lies is taken from beside the part too."""
        from falsework.request import Placing, Request, Wish

        marks = self._marks(searches)
        wish = Wish(
            self.process,
            standing=self.standing,
            overrules=chosen_overrules(self.overrules),
            weights=chosen_weights(self.weigh),
            show=marks.show,
            spare=marks.spare,
            load_axis=marks.load_axis,
        )
        return Request(self.part, Placing(self.unit, self.scale, self.turn_deg, self.lie), wish)

    def placed(self) -> Request:
        """The request without any mark, for a command that decides nothing."""
        from falsework.request import Placing, Request, Wish

        return Request(self.part, Placing(self.unit, self.scale, self.turn_deg), Wish(self.process))

    def read(self, request: Request, watch: Watch, *, turnable: bool = False) -> Request:
        """The request with its part read, once it is known to fit the printer; ``turnable``: in any lie.

        Raises PartError for a part that does not, unless it was asked for.
        """
        from dataclasses import replace

        from falsework.cores import on_cores
        from falsework.orientation.room import check_room
        from falsework.part import place
        from falsework.planning.pipeline import raw_part

        with on_cores(self.cores):
            raw = raw_part(request, watch)
        if not self.too_large:
            placing, bed_mm = request.placing, request.wish.bed_mm
            placed = place(raw, turn_deg=placing.turn_deg, scale=placing.scale, bed_mm=bed_mm)
            check_room(placed, request.wish.process, scale=placing.scale, turnable=turnable)
        return replace(request, part=raw)

    def context(self, watch: Watch) -> Context:
        """What it is worked on with: what the ledger has taught, and ``watch``."""
        from falsework.request import Context

        belief = chosen_belief(self.process, self.ledger_name)
        return Context(belief=belief, watch=watch, cores=self.cores)

    def _marks(self, searches: bool) -> Marks:
        """What the options mark on the part; where they say nothing, the file of marks beside it, announced.

        ``searches`` False: how it lies is settled, and only the faces supports must not touch matter.
        """
        from falsework.request.marks import Marks, direction, marks_beside, read_marks

        beside = marks_beside(self.part)
        kept = Marks()
        asked = bool(self.spared and self.shown and self.load) if searches else bool(self.spared)
        if not asked and os.path.isfile(beside):  # False where a name is too long to be asked for
            kept = read_marks(beside)
            used = [
                *(["faces to keep clean"] if searches and not self.shown and not kept.show.empty else []),
                *(["faces supports must not touch"] if not self.spared and not kept.spare.empty else []),
                *(["the load axis"] if searches and self.load is None and kept.load_axis is not None else []),
            ]
            if used or searches:
                said = " and ".join(used) or "nothing that the options do not say"
                click.echo(f"{beside.name} lies beside the part: taken from it: {said}", err=True)
            if not searches:
                kept = Marks(spare=kept.spare)
        return Marks(
            show=_faces(self.shown, "--show") if self.shown else kept.show,
            spare=_faces(self.spared, "--spare") if self.spared else kept.spare,
            load_axis=kept.load_axis if self.load is None else direction(self.load, "--load"),
        )


def _faces(texts: tuple[str, ...], option: str) -> MarkedFaces:
    """Directions, and names of face sets: whatever begins with a letter and is no axis."""
    from falsework.request import MarkedFaces, direction

    sets = [text for text in texts if text[:1].isalpha() and text.lower() not in ("x", "y", "z")]
    ways = tuple(direction(text, option) for text in texts if text not in sets)
    return MarkedFaces(ways, tuple(sets))
