"""Crumbs: bits of what a change adds that would begin in mid-air in a layer of their own.

Where a corbel's underside dips between two of the ways that it follows, the lowest layers of the dip hang by
what is above them. They carry nothing and are far smaller than a strand, but whatever slices the file would
begin them in the air; so they come off before the change is proved.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, offset_mitred, parts
from falsework.layers.stack import Indices, Regions
from falsework.redrawing.body.solids import prism, united
from falsework.redrawing.changes.draft import Draft, Region
from falsework.redrawing.changes.field import settled
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.site.ground import DAB_WIDTHS2
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

_HAIR_MM = 0.005  # what holds on by less than this is loose once corners move
_CLEAR_MM = 0.02  # so far around a crumb is taken away
_LEAST_SHARE = 0.05  # of a piece that must rest on the layer beneath
_ROOM_MM = 1.0
# What has more is ragged all over, and does not hold without them either (of what was seen, one with 72 did,
# those with 105 and more did not); to sweep it may take many seconds.
_MOST_CRUMBS = 100


def swept(changed: Changed, watch: Watch = QUIET) -> Draft | None:
    """The one draft of a changed part without its crumbs; the very draft where it has none, None where it has
    too many."""
    (draft,), ground = changed.drafts, changed.ground
    if not draft.added or draft.removed:
        return draft
    found = _crumbs(changed, watch)
    if not found:
        return draft
    if len(found) > _MOST_CRUMBS:
        return None
    off = united(found)
    left = [Region(one.name, settled(ground.solid, one.solid - off)) for one in draft.added]
    return replace(draft, added=tuple(region for region in left if not region.solid.is_empty()))


def in_the_air(changed: Changed) -> tuple[float, float, float] | None:
    """Where the first piece of what is added begins that touches nothing beneath or beside it; None where
    there is none."""
    laid, own = _near(changed)
    pieces, layer = parts(laid)
    first = changed.span[0]
    some = (layer + first > 0) & _new(pieces, own[layer])
    pieces, layer = pieces[some], layer[some]
    base = changed.ground.stack.regions[first - 1 : first] if first else own[:1]
    beneath = np.concatenate([base, laid])[layer]
    loose = np.flatnonzero(planar.area(overlay.intersection(pieces, beneath)) <= 0.0)
    if not len(loose):
        return None
    x, y = planar.get_coordinates(planar.centroid(pieces[loose[0]]))[0]
    return float(x), float(y), float(changed.z_mm[first + layer[loose[0]]])


def _crumbs(changed: Changed, watch: Watch) -> list[Manifold]:
    """What must come off, from the lowest layer up: a prism for each piece, as high as its layer."""
    ground, first = changed.ground, changed.span[0]
    laid, own = _near(changed)
    by_hairs = not all(draft.freeform for draft in changed.drafts)  # courses are joined by none
    small, layer = _small(laid, own, DAB_WIDTHS2 * ground.process.line_width_mm**2, by_hairs=by_hairs)
    base = ground.stack.regions[first - 1 : first] if first else laid[:1]
    rests = _rests(small, np.concatenate([base, laid])[layer])
    found: list[Manifold] = []
    gone: set[int] = set()  # layers that have lost a crumb
    # What rests on a crumb is one as well: hence one after the other, and only the small ones.
    for done, k in enumerate(np.argsort(layer, kind="stable")):
        watch.at("crumbs of the corbel", done / len(layer))
        piece, at = small[k], int(layer[k])
        if at + first == 0 or (rests[k] and at - 1 not in gone):
            continue  # it lies on the bed, or on what is still there
        if at - 1 in gone and _rests(piece, laid[at - 1]):
            continue
        crumb = offset_mitred(piece, _CLEAR_MM)
        laid[at] = overlay.difference(laid[at], crumb)
        gone.add(at)
        low_mm = float(changed.z_mm[first + at] - 0.5 * changed.heights_mm[at])
        found.append(prism(crumb, low_mm, float(changed.z_mm[first + at + 1])))
        if len(found) > _MOST_CRUMBS:
            break
    return found


def _rests(pieces: Regions, beneath: Regions) -> NDArray[np.bool_]:
    """(k,) whether pieces rest on what lies in the layer beneath each."""
    found: NDArray[np.bool_] = planar.area(
        overlay.intersection(pieces, beneath)
    ) > _LEAST_SHARE * planar.area(pieces)
    return found


def _near(changed: Changed) -> tuple[Regions, Regions]:
    """(n,) sections about the change, with what it adds and as they were."""
    own = areas_only(overlay.clip_by_rect(changed.before, *changed.box(_ROOM_MM)))
    return areas_only(overlay.union(own, changed.added)), own


def _new(pieces: Regions, own: Regions) -> NDArray[np.bool_]:
    """(k,) pieces of which next to nothing is the part's own."""
    mine = planar.area(overlay.intersection(pieces, own))
    found: NDArray[np.bool_] = mine < _LEAST_SHARE * planar.area(pieces)
    return found


def _small(laid: Regions, own: Regions, most_mm2: float, *, by_hairs: bool) -> tuple[Regions, Indices]:
    """Pieces of layers, new ones, smaller than ``most_mm2``, that hang on to nothing beside them, or only by
    a hair; and their layers."""
    pieces, layer = parts(laid)
    if by_hairs:
        parted, its_layer = parts(areas_only(offset_mitred(laid, -_HAIR_MM)))
        pieces, layer = np.concatenate([pieces, parted]), np.concatenate([layer, its_layer])
    some = planar.area(pieces) < most_mm2
    some[some] = _new(pieces[some], own[layer[some]])
    return pieces[some], layer[some]
