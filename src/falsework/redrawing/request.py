"""``RedrawRequest``: what is to be redrawn, what may be changed, and how all its plans are made."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from falsework.errors import ProcessError
from falsework.part.part import Part
from falsework.planning.pipeline import plan_for
from falsework.planning.value import Plan
from falsework.process.checks import check_fields
from falsework.process.fields import setting
from falsework.redrawing.changes.draft import ChangeKind
from falsework.redrawing.features.candidates import Candidate
from falsework.request.context import Context
from falsework.request.options import Options
from falsework.request.value import Request, Wish
from falsework.watch import Watch


@dataclass(frozen=True)
class Scope:
    """What may be tried.

    ``kinds`` of change, None for all; ``undersides`` by number, None for the dearest of those that ask;
    ``split``: cuts; ``other_lies``: other ways to lay the part down; ``flat_mm``: what a peaked roof leaves
    flat at its top. ``change``: by underside the kind of change that the user wants made, or 'leave'.
    ``ProcessError`` for a kind that is unknown, a width that is none.
    """

    kinds: Collection[ChangeKind | str] | None = None
    undersides: Sequence[int] | None = None
    split: bool = True
    other_lies: bool = True
    flat_mm: float = setting(
        0.0, help="width that a peaked roof leaves flat", unit="mm", low=0.0, high=1000.0
    )
    change: Mapping[int, ChangeKind | str] | None = None

    def __post_init__(self) -> None:
        check_fields(self, "redraw")
        object.__setattr__(self, "kinds", kinds_named(self.kinds))
        if self.undersides is not None:
            object.__setattr__(self, "undersides", tuple(self.undersides))
        _ = self.chosen

    @property
    def tried(self) -> tuple[ChangeKind, ...]:
        """The kinds of change, in the order in which they are tried."""
        return kinds_named(self.kinds)

    @property
    def chosen(self) -> dict[int, ChangeKind | None]:
        """What the user chose, by underside; None to leave it."""
        return {
            int(number): None if kind == LEAVE else kinds_named([kind])[0]
            for number, kind in sorted((self.change or {}).items())
        }


LEAVE = "leave"


class RedrawOptions(Options, total=False):
    """Fields of ``Scope`` and of a request."""

    kinds: Collection[ChangeKind | str] | None
    undersides: Sequence[int] | None
    split: bool
    other_lies: bool
    flat_mm: float
    change: Mapping[int, ChangeKind | str] | None


@dataclass(frozen=True, eq=False)
class RedrawRequest:
    """A request whose part carries its candidates as face sets, and what may be changed in it."""

    request: Request
    candidates: tuple[Candidate, ...]
    scope: Scope
    context: Context

    @property
    def part(self) -> Part:
        """The part as its file has it."""
        assert isinstance(self.request.part, Part)
        return self.request.part

    @property
    def wish(self) -> Wish:
        return self.request.wish

    def plan(self, request: Request, watch: Watch) -> Plan:
        """The plan of this request, or of one made from it, at the price that it has by itself: how its
        supports come off is in it."""
        return plan_for(request, replace(self.context, watch=watch), alone=True, compared=False)


def kinds_named(kinds: Collection[ChangeKind | str] | None) -> tuple[ChangeKind, ...]:
    """Kinds of change by name, in the order they are tried; all for None; ``ProcessError`` for others."""
    if kinds is None:
        return tuple(ChangeKind)
    unknown = [str(k) for k in kinds if k not in list(ChangeKind)]
    if unknown:
        raise ProcessError("change", f"{unknown[0]!r} is unknown", f"Known: {', '.join(ChangeKind)}, {LEAVE}")
    return tuple(kind for kind in ChangeKind if kind in kinds)
