"""Undersides in closed voids: no eye sees them, and no support beneath them ever comes out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.graph import joined_groups
from falsework.layers import overlay, planar
from falsework.layers.polygons import parts
from falsework.layers.stack import LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.support.cells import facing

PICK_MM = 2.0  # an opening narrower than a pick lets nothing out: see ``release.value.PICK``
SEALED_SHARE = 0.99  # of an underside that must lie over closed voids
_MARGIN_MM = 5.0


def sealed_undersides(stack: LayerStack, need: NeedMap, doubtful: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(U,) which of the ``doubtful`` undersides lie over voids without an opening that a pick goes through.

    Voids of neighbouring layers are one where they meet, narrowed by half a pick. What lies on the bed or
    under the open sky is open: the part is lifted off.
    """
    out = np.zeros(len(need.undersides), dtype=bool)
    if not doubtful.any():
        return out
    mine = np.flatnonzero(doubtful[need.region_underside] & (need.region_layer > 0))
    beneath = need.region_layer[mine] - 1
    points = planar.get_coordinates(planar.point_on_surface(need.regions[mine]))
    walled = planar.contains_xy(_filled(stack.regions[beneath]), points[:, 0], points[:, 1])
    mine = mine[walled]
    if not len(mine):
        return out
    piece, layer, sealed = _voids(stack)
    strip, void = facing(need.region_layer[mine] - 1, need.regions[mine], layer, piece)
    kept = sealed[void]
    strip, void = strip[kept], void[kept]
    inside = planar.area(
        overlay.intersection(need.regions[mine[strip]], overlay.buffer(piece[void], PICK_MM))
    )
    count = len(out)
    over = np.bincount(need.region_underside[mine[strip]], weights=inside, minlength=count)
    whole = np.bincount(need.region_underside, weights=planar.area(need.regions), minlength=count)
    found: NDArray[np.bool_] = doubtful & (over >= SEALED_SHARE * whole) & (whole > 0.0)
    return found


def _filled(sections: Regions) -> Regions:
    """Sections without their holes."""
    polygons, owner = parts(sections)
    solid = planar.polygons(planar.get_exterior_ring(polygons))
    out: Regions = np.full(len(sections), planar.MultiPolygon(), dtype=object)
    if len(solid):
        planar.multipolygons(solid, indices=owner, out=out)
    return out


def _voids(stack: LayerStack) -> tuple[Regions, NDArray[np.int64], NDArray[np.bool_]]:
    """Connected voids of one layer each, their layers, and whether each belongs to a closed one."""
    x0, y0, x1, y1 = planar.total_bounds(stack.regions)
    box = planar.box(x0 - _MARGIN_MM, y0 - _MARGIN_MM, x1 + _MARGIN_MM, y1 + _MARGIN_MM)
    air = overlay.buffer(overlay.difference(box, stack.regions), -0.5 * PICK_MM, quad_segs=2)
    piece, layer = parts(air)
    layer = layer.astype(np.int64)
    upper, lower = facing(layer - 1, piece, layer, piece)
    void = joined_groups(len(piece), lower, upper)
    bounds = planar.bounds(piece)
    at_open = (bounds[:, 0] < x0 - 1.0) | (layer == 0) | (layer == stack.count - 1)
    opened = np.zeros(int(void.max()) + 1 if len(void) else 0, dtype=bool)
    opened[void[at_open]] = True
    return piece, layer, ~opened[void]
