"""What stands on the bed: bodies apart from each other, and which of them are only lines beside the print."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.bead import cells
from falsework.layers.stack import Floats

_LEFT_MM, SIZE_MM, _CELLS = (
    -250.0,
    1.25,
    1000,
)  # the ground that is looked at: a square, the bed's origin within
FLAT_MM, _FLAT_SHARE = 0.9, 0.34  # lines beside the print are lower, also than this share of the highest body


@dataclass(frozen=True)
class StrandCluster:
    """Strands that hang together seen from above: box of the ground they take, lowest and highest top, mm."""

    box_mm: tuple[float, float, float, float]
    low_mm: float
    high_mm: float
    area_mm2: float
    flat: bool  # a line beside the print: to fill the nozzle, or around the part


class BedHeights:
    """Lowest and highest top of strands over each cell of the bed, as the strands come."""

    def __init__(self) -> None:
        self.low = np.full((_CELLS, _CELLS), np.inf, np.float32)
        self.high = np.full((_CELLS, _CELLS), -np.inf, np.float32)

    def add(self, rows: Floats) -> None:
        """Rows (n, STRAND) of strands; travels among them do not matter."""
        cells.mark_ground(rows, self.low, self.high, _LEFT_MM, _LEFT_MM, SIZE_MM)

    @cached_property
    def bodies(self) -> tuple[StrandCluster, ...]:
        """All of them, by label less one."""
        from scipy.ndimage import find_objects

        label, count = self._labelled
        found = []
        for k, place in enumerate(find_objects(label), 1):
            mine = label[place] == k
            rows, columns = place
            box = (columns.start, rows.start, columns.stop, rows.stop)
            x0, y0, x1, y1 = (_LEFT_MM + SIZE_MM * v for v in box)
            low, high = float(self.low[place][mine].min()), float(self.high[place][mine].max())
            found.append(StrandCluster((x0, y0, x1, y1), low, high, float(mine.sum()) * SIZE_MM**2, False))
        highest = max((b.high_mm for b in found), default=0.0)
        flat = min(FLAT_MM, _FLAT_SHARE * highest)
        return tuple(
            StrandCluster(b.box_mm, b.low_mm, b.high_mm, b.area_mm2, b.high_mm < flat) for b in found[:count]
        )

    @cached_property
    def _labelled(self) -> tuple[NDArray[np.int32], int]:
        from scipy.ndimage import label

        labels, count = label(np.isfinite(self.low), np.ones((3, 3)))
        return labels, count

    def body_at(self, xy: Floats) -> NDArray[np.int32]:
        """(n,) label of the body over each point, 0 where there is none."""
        at = ((xy - _LEFT_MM) / SIZE_MM).astype(np.int64).clip(0, _CELLS - 1)
        return self._labelled[0][at[:, 1], at[:, 0]]

    @cached_property
    def _is_flat(self) -> NDArray[np.bool_]:
        return np.array([False, *(b.flat for b in self.bodies)])

    @cached_property
    def has_flat(self) -> bool:
        return bool(self._is_flat.any())

    def flat_at(self, xy: Floats) -> NDArray[np.bool_]:
        """(n,) whether a line beside the print lies there."""
        return self._is_flat[self.body_at(xy)]

    def high_up(self, xy: Floats) -> NDArray[np.bool_]:
        """(n,) whether what lies over each point begins above the first layers."""
        high = np.array([False, *(b.low_mm > FLAT_MM for b in self.bodies)])
        return high[self.body_at(xy)]
