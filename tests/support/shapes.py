"""Layer stacks and needs made from polygons, without a mesh."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from falsework.droop.estimate import Estimate
from falsework.layers.polygons import areas_only, parts, rings_of
from falsework.layers.stack import LayerStack, Regions
from falsework.need.underside import Kind, NeedMap, Underside
from falsework.process.settings import Process


def stack_of(regions: Sequence[shapely.Geometry], height_mm: float = 0.2) -> LayerStack:
    """A stack of equal layers with the given sections."""
    array = np.empty(len(regions), dtype=object)
    array[:] = list(regions)
    points, ring_start, layer_start = rings_of(array)
    z = np.arange(len(regions) + 1) * height_mm
    return LayerStack(z, points, ring_start, layer_start, 0.0, np.empty(0, dtype=np.int64))


def underside(number: int) -> Underside:
    """An underside of which only the number matters."""
    zero = Estimate(0.0, 0.0, 0.0)
    return Underside(
        number, Kind.CANTILEVER, 1.0, (0, 0), 90.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0, (0.0, 0.0, 0.0), zero, zero, 1.0
    )


def need_of(stack: LayerStack, process: Process, reach_mm: float | None = None) -> NeedMap:
    """Every strip that reaches farther than the reach past the layer beneath, one underside per layer it starts in.

    The definition itself, R_i \\ R_{i-1} grown back from R_i \\ offset(R_{i-1}, reach).
    """
    reach = 0.5 * process.line_width_mm if reach_mm is None else reach_mm
    above, beneath = stack.regions[1:], stack.regions[:-1]
    core = areas_only(shapely.difference(above, shapely.buffer(beneath, reach)))
    core = shapely.buffer(shapely.buffer(core, -0.01), 0.01)
    strips = areas_only(
        shapely.intersection(shapely.buffer(core, 2.5 * reach), shapely.difference(above, beneath))
    )
    polygons, layer = parts(strips)
    good = shapely.area(polygons) > 1e-3
    polygons, layer = polygons[good], layer[good].astype(np.int64) + 1
    index = np.zeros(len(polygons), dtype=np.int64)
    undersides = (underside(1),) if len(polygons) else ()
    return NeedMap(reach, 48.4, undersides, polygons, layer, index)


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    return shapely.box(x0, y0, x1, y1)

