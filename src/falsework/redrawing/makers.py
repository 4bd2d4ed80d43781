"""The makers of changes, one of each kind, loaded when they are first called."""

from __future__ import annotations

import importlib
from collections.abc import Callable

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


def drawn(kind: ChangeKind, site: Site, watch: Watch, flat_mm: float = 0.0) -> Draft | Refusal:
    """The change of this kind for an underside, or why there is none.

    ``flat_mm`` matters to a peaked roof alone.
    """
    module, name = _HOMES[kind]
    maker: Maker = getattr(importlib.import_module(f"falsework.redrawing.{module}"), name)
    if kind is ChangeKind.ROOF:
        return maker(site, flat_mm=flat_mm, watch=watch)
    return maker(site, watch=watch)
