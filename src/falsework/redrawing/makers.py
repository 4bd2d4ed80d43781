"""The makers of changes, one or two of each kind, loaded when they are first called."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator

from falsework.need.underside import Kind
from falsework.redrawing.draft import ChangeKind, Draft, Refusal
from falsework.redrawing.site import Site
from falsework.watch import Watch

Maker = Callable[..., Draft | Refusal]

_HOMES = {
    ChangeKind.CORBEL: (("corbel", "corbel"), ("courses", "courses")),
    ChangeKind.ROOF: (("roof", "peaked_roof"),),
    ChangeKind.RIBS: (("ribs", "ribs"),),
    ChangeKind.STEPS: (("steps", "crossed_steps"),),
    ChangeKind.MEMBRANE: (("membrane", "membrane"),),
    ChangeKind.FINS: (("fins", "fins"),),
}


def drawn(kind: ChangeKind, site: Site, watch: Watch, flat_mm: float = 0.0) -> Iterator[Draft | Refusal]:
    """The change of this kind for an underside, or why there is none; then, if there is one that serves where
    it does not, another.

    ``flat_mm`` matters to a peaked roof alone.
    """
    homes = _HOMES[kind]
    if kind is ChangeKind.CORBEL and site.underside.kind is Kind.ISLAND:
        homes = homes[1:]  # straight ways lead to what carries an underside beside it: an island has none
    for module, name in homes:
        maker: Maker = getattr(importlib.import_module(f"falsework.redrawing.{module}"), name)
        yield (
            maker(site, flat_mm=flat_mm, watch=watch) if kind is ChangeKind.ROOF else maker(site, watch=watch)
        )
