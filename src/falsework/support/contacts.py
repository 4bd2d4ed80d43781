"""Which piece of support carries which underside, and over how much of it."""

from __future__ import annotations

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, Indices
from falsework.need.underside import NeedMap
from falsework.process.derived import Gap
from falsework.support.cells import Cells, facing


def contacts_of(cells: Cells, need: NeedMap, gap: Gap) -> tuple[Indices, Indices, Floats]:
    """Pieces, undersides and the area in which one carries the other through the gap."""
    i, j = facing(need.region_layer - 1 - gap.layers, need.regions, cells.layer, cells.polygon)
    area = planar.area(overlay.intersection(need.regions[i], cells.polygon[j]))
    real = area > np.minimum(1e-3, 0.5 * planar.area(need.regions[i]))  # a tip may be less than that
    return cells.piece[j[real]], need.region_underside[i[real]], area[real]
