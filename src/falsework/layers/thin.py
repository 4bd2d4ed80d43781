"""Walls too thin to print: connected parts of layers in which no line has room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.polygons import parts
from falsework.layers.stack import LayerStack

_LOOKED_AT = 60  # layers, evenly


@dataclass(frozen=True)
class ThinWalls:
    """How much of a part is narrower than a line: the larger of its share of all area and of all layers
    (those in which nothing is wider); and the middle of the lowest such wall."""

    share: float
    where_mm: tuple[float, float, float]


def thin_walls(stack: LayerStack, line_width_mm: float) -> ThinWalls:
    """Looks for them in up to 60 layers. A wall that widens anywhere in its layer does not count."""
    looked = np.unique(np.linspace(0, stack.count - 1, min(stack.count, _LOOKED_AT)).astype(np.int64))
    polygons, owner = parts(stack.regions[looked])
    room = overlay.buffer(polygons, -0.499 * line_width_mm, quad_segs=2)
    thin = planar.is_empty(room)
    if not thin.any():
        return ThinWalls(0.0, (0.0, 0.0, 0.0))
    area = planar.area(polygons)
    printed = np.unique(owner).size
    only_thin = printed - np.unique(owner[~thin]).size
    first = int(np.flatnonzero(thin)[0])
    middle = polygons[first].representative_point()
    z_mm = float(stack.middles_mm[looked[owner[first]]])
    return ThinWalls(
        max(float(area[thin].sum() / area.sum()), only_thin / printed), (middle.x, middle.y, z_mm)
    )
