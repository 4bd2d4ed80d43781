"""``LayerStack``: the part's exact cross-sections, one per layer, as flat arrays of rings."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from falsework.layers.polygons import Floats, Indices, Regions, areas, regions_from_rings, rings_of


@dataclass(frozen=True, eq=False)
class LayerStack:
    """Cross-sections at the mid-height of each layer.

    Attributes
    ----------
    z_mm : (L + 1,) layer boundaries; layer i spans z_mm[i] .. z_mm[i + 1], its section is at the middle.
    points_mm : (P, 2) ring vertices, not closed (first point not repeated).
    ring_start : (R + 1,) ring r is points_mm[ring_start[r]:ring_start[r + 1]];
        outer rings run counter-clockwise, holes clockwise; rings never cross.
    layer_start : (L + 1,) layer i owns rings layer_start[i]:layer_start[i + 1].
    widest_stitch_mm : widest gap that was bridged to close a ring (0 for a closed mesh).
    stitched_layers : (k,) indices of layers in which a gap was bridged or a loose end dropped.
    """

    z_mm: Floats
    points_mm: Floats
    ring_start: Indices
    layer_start: Indices
    widest_stitch_mm: float
    stitched_layers: Indices

    @staticmethod
    def of(
        z_mm: Floats, regions: Regions, widest_stitch_mm: float = 0.0, stitched_layers: Indices | None = None
    ) -> LayerStack:
        """The stack between ``z_mm`` (L + 1,) whose sections are known: (L,) regions."""
        none = np.empty(0, dtype=np.int64)
        stitched = none if stitched_layers is None else stitched_layers
        stack = LayerStack(z_mm, *rings_of(regions), widest_stitch_mm, stitched)
        vars(stack)["regions"] = regions  # they need not be found from their rings again
        return stack

    @property
    def count(self) -> int:
        return len(self.z_mm) - 1

    @property
    def heights_mm(self) -> Floats:
        """(L,) height of each layer."""
        heights: Floats = np.diff(self.z_mm)
        return heights

    @property
    def middles_mm(self) -> Floats:
        """(L,) height at which each section was taken."""
        return 0.5 * (self.z_mm[1:] + self.z_mm[:-1])

    @cached_property
    def regions(self) -> Regions:
        """(L,) shapely geometries, polygons with holes, empty where the layer is."""
        return regions_from_rings(self.points_mm, self.ring_start, self.layer_start)

    @cached_property
    def areas_mm2(self) -> Floats:
        """(L,) area of each section."""
        return areas(self.regions)

    @property
    def volume_mm3(self) -> float:
        """Area times layer height, summed."""
        return float(self.areas_mm2 @ self.heights_mm)
