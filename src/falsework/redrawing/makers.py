"""The makers of changes, loaded when they are first called."""

from __future__ import annotations

import importlib
from collections.abc import Callable

from falsework.need.underside import Kind
from falsework.redrawing.draft import ChangeKind, Draft, Refusal
from falsework.redrawing.site import Site
from falsework.watch import Watch

Maker = Callable[..., Draft | Refusal]

_HOMES = {
    ChangeKind.CORBEL: ("corbel", "corbel"),
    ChangeKind.ROOF: ("roof", "peaked_roof"),
    ChangeKind.RIBS: ("ribs", "ribs"),
    ChangeKind.STEPS: ("steps", "crossed_steps"),
    ChangeKind.MEMBRANE: ("membrane", "membrane"),
    ChangeKind.FINS: ("fins", "fins"),
}
# Drawn where nothing else holds: they take longer, or add more.
_RESORTS = {ChangeKind.CORBEL: ("courses", "courses")}
# An island of so many layers is a belly or a wing: no straight ways lead from it to what carries it.
BELLY_LAYERS = 12
_OF_NO_USE = {
    ChangeKind.CORBEL: "no straight ways lead to what could carry it",
    ChangeKind.ROOF: "it begins in mid-air: no straight ways lead to what a roof could rise from",
}


def drawn(kind: ChangeKind, site: Site, watch: Watch, flat_mm: float = 0.0) -> Draft | Refusal:
    """The change of this kind for an underside, or why there is none.

    ``flat_mm`` matters to a peaked roof alone.
    """
    low, high = site.underside.layers
    if kind in _OF_NO_USE and site.underside.kind is Kind.ISLAND and high - low > BELLY_LAYERS:
        return Refusal(kind, site.underside.number, _OF_NO_USE[kind])
    maker = _maker(*_HOMES[kind])
    if kind is ChangeKind.ROOF:
        return maker(site, flat_mm=flat_mm, watch=watch)
    return maker(site, watch=watch)


def resorted(kind: ChangeKind, site: Site, watch: Watch) -> Draft | Refusal | None:
    """The change of this kind to resort to where none holds, or why there is none; None if the kind has no
    such."""
    return _maker(*_RESORTS[kind])(site, watch=watch) if kind in _RESORTS else None


def _maker(module: str, name: str) -> Maker:
    maker: Maker = getattr(importlib.import_module(f"falsework.redrawing.{module}"), name)
    return maker
