"""Layer stacks and needs from shapely polygons, for tests that want them without a mesh or a need model."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from falsework.droop.estimate import Estimate
from falsework.layers.stack import LayerStack
from falsework.need.underside import NeedMap, Underside, UndersideKind


def stack_of(sections: Sequence[BaseGeometry], layer_mm: float = 0.2) -> LayerStack:
    """One section per layer; polygons with holes, or empty."""
    points, ring_start, layer_start = [np.empty((0, 2))], [0], [0]
    for section in sections:
        for polygon in shapely.get_parts(section):
            for ring in shapely.get_rings(shapely.orient_polygons(polygon)):
                points.append(shapely.get_coordinates(ring)[:-1])
                ring_start.append(ring_start[-1] + len(points[-1]))
        layer_start.append(len(ring_start) - 1)
    return LayerStack(
        z_mm=layer_mm * np.arange(len(sections) + 1),
        points_mm=np.concatenate(points),
        ring_start=np.array(ring_start, dtype=np.int64),
        layer_start=np.array(layer_start, dtype=np.int64),
        widest_stitch_mm=0.0,
        stitched_layers=np.empty(0, dtype=np.int64),
    )


def underside(
    number: int = 1,
    kind: UndersideKind = UndersideKind.CANTILEVER,
    area_mm2: float = 100.0,
    droop_mm: float = 1.0,
    supported_droop_mm: float = 0.05,
    **other: object,
) -> Underside:
    """An underside whose figures do not matter unless given."""
    values: dict[str, object] = {
        "layers": (1, 1),
        "angle_deg": 90.0,
        "span_mm": 12.0 if kind is UndersideKind.BRIDGE else 0.0,
        "span_direction_deg": 0.0,
        "free_length_mm": 6.0,
        "extent_mm": 6.0,
        "bridge_share": 0.0,
        "height_mm": 0.0,
        "center_mm": (0.0, 0.0, 0.0),
        "risk": droop_mm * area_mm2,
    }
    return Underside(
        number=number,
        kind=kind,
        area_mm2=area_mm2,
        droop_mm=Estimate(droop_mm, 0.5 * droop_mm, 2.0 * droop_mm),
        supported_droop_mm=Estimate(supported_droop_mm, 0.5 * supported_droop_mm, 2.0 * supported_droop_mm),
        **(values | other),  # type: ignore[arg-type]
    )


def need_of(
    strips: Sequence[tuple[int, BaseGeometry, int]], undersides: Sequence[Underside] | None = None
) -> NeedMap:
    """Strips are (layer, region, index of the underside); each connected polygon becomes a region of its
    own."""
    flat = [(i, p, u) for i, region, u in strips for p in shapely.get_parts(region) if not p.is_empty]
    regions = np.empty(len(flat), dtype=object)
    regions[:] = [p for _, p, _ in flat]
    if undersides is None:
        undersides = [underside(k + 1) for k in range(1 + max((u for _, _, u in flat), default=-1))]
    return NeedMap(
        reach_mm=0.225,
        limit_deg=48.0,
        undersides=tuple(undersides),
        regions=regions,
        region_layer=np.array([i for i, _, _ in flat], dtype=np.int64),
        region_underside=np.array([u for _, _, u in flat], dtype=np.int64),
        region_starts=np.zeros(len(flat), dtype=bool),
    )


def over_air(sections: Sequence[BaseGeometry]) -> list[tuple[int, BaseGeometry, int]]:
    """Everything of each layer that the layer beneath does not cover, as strips of one underside."""
    return [(i, sections[i] - sections[i - 1], 0) for i in range(1, len(sections))]
