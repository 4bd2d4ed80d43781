"""The kinds of change and the function that drafts each, loaded when it is first called."""

from __future__ import annotations

import importlib
from collections.abc import Callable

from falsework.need.underside import UndersideKind
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal
from falsework.redrawing.site.value import UndersideSite
from falsework.watch import Watch

Drafter = Callable[..., Draft | Refusal]

_HOMES = {
    ChangeKind.CORBEL: ("corbel", "corbel"),
    ChangeKind.ROOF: ("roof", "peaked_roof"),
    ChangeKind.RIBS: ("ribs", "ribs"),
    ChangeKind.STEPS: ("steps", "crossed_steps"),
    ChangeKind.MEMBRANE: ("membrane", "membrane"),
    ChangeKind.FINS: ("fins", "fins"),
}
# Drawn where the kind does not hold as it is mostly drawn: they take longer, or add more.
FALLBACKS = {ChangeKind.CORBEL: ("courses", "courses")}
# An island of so many layers is a belly or a wing: no straight ways lead from it to what carries it.
BELLY_LAYERS = 12
_OF_NO_USE = {
    ChangeKind.CORBEL: "no straight ways lead to what could carry it",
    ChangeKind.ROOF: "it begins in mid-air: no straight ways lead to what a roof could rise from",
}


def draft_of(
    kind: ChangeKind, site: UndersideSite, watch: Watch, flat_mm: float = 0.0, most_fins: int | None = None
) -> Draft | Refusal:
    """The change of this kind for an underside, or why there is none.

    ``flat_mm`` matters to a peaked roof alone, ``most_fins`` to fins.
    """
    low, high = site.underside.layers
    if kind in _OF_NO_USE and site.underside.kind is UndersideKind.ISLAND and high - low > BELLY_LAYERS:
        return Refusal(kind, site.underside.number, _OF_NO_USE[kind])
    drafter = _drafter(*_HOMES[kind])
    if kind is ChangeKind.ROOF:
        return drafter(site, flat_mm=flat_mm, watch=watch)
    if kind is ChangeKind.FINS and most_fins is not None:
        return drafter(site, most=most_fins, watch=watch)
    return drafter(site, watch=watch)


def fallback_draft(
    kind: ChangeKind, site: UndersideSite, most_mm3: float, watch: Watch
) -> Draft | Refusal | None:
    """The change of this kind to fall back on where none holds, of ``most_mm3`` at most, or why there is
    none; None if the kind has no such."""
    return _drafter(*FALLBACKS[kind])(site, most_mm3, watch) if kind in FALLBACKS else None


def _drafter(module: str, name: str) -> Drafter:
    drafter: Drafter = getattr(importlib.import_module(f"falsework.redrawing.changes.{module}"), name)
    return drafter
