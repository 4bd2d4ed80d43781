"""What each layer comes to, by class of its strands: the figures from which a program is held to itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from falsework.auditing.deposit import Layer
from falsework.kernels.bead import laying
from falsework.kernels.bead import strands as cut
from falsework.layers.stack import Floats, Indices

WALL, FILL, OVER_AIR, HOLDING, OTHER = (
    laying.WALL, laying.FILL, laying.OVER_AIR, laying.HOLDING, laying.OTHER,
)  # fmt: skip
CLASS_NAMES = ("walls", "strands of the fill", "strands over air", "supports", "strands beside the part")

_WALLS_MM = 100.0  # of closed lines, before their speed tells anything


@dataclass(eq=False)
class LayerSums:
    """Filled layer by layer, in the program's order; then read as arrays over layers.

    Arrays are (layers,) or, by class, (layers, classes): mm of strands, mm³, and means by length of speed in
    mm/s, fan share and the nozzle's °C; NaN where a class has no strands.
    """

    _by_class: list[Floats] = field(default_factory=list)
    _about: list[tuple[float, float, float, float, float]] = field(default_factory=list)

    def add(self, layer: Layer, by_class: Floats) -> None:
        """The sums of one layer; several goes of one height go together."""
        about = layer.z_mm, layer.step_mm, layer.depth_mm, layer.so_deep, float(layer.rows[0, cut.LINE])
        if self._about and abs(self._about[-1][0] - layer.z_mm) < 1e-6:
            self._by_class[-1] += by_class
            return
        self._by_class.append(by_class)
        self._about.append(about)

    def __len__(self) -> int:
        return len(self._about)

    @cached_property
    def _sums(self) -> Floats:
        return np.array(self._by_class).reshape(len(self), laying.CLASSES, laying.CLASS_SUMS)

    @property
    def z_mm(self) -> Floats:
        return np.array([of[0] for of in self._about])

    @property
    def height_mm(self) -> Floats:
        return np.array([of[1] for of in self._about])

    @property
    def depth_mm(self) -> Floats:
        """How deep what lies beneath a layer lies most often; infinite where nothing does."""
        return np.array([of[2] for of in self._about])

    @property
    def so_deep(self) -> Floats:
        """Beneath what share of its strands it does."""
        return np.array([of[3] for of in self._about])

    @property
    def line(self) -> Indices:
        """First line of each layer."""
        return np.array([of[4] for of in self._about], np.int64)

    @property
    def length_mm(self) -> Floats:
        return self._sums[:, :, laying.LONG]

    @property
    def volume_mm3(self) -> Floats:
        return self._sums[:, :, laying.LAID]

    @property
    def speed_mm_s(self) -> Floats:
        return self._mean(laying.PACED)

    @property
    def fan(self) -> Floats:
        return self._mean(laying.COOLED)

    @property
    def nozzle_c(self) -> Floats:
        return self._mean(laying.HEATED)

    @property
    def fan_above(self) -> float:
        """Mean share of the fan above the first layer."""
        return self._above(laying.COOLED) or 0.0

    @property
    def wall_speed_above_mm_s(self) -> float | None:
        """Mean speed of the part's closed lines above the first layer; None of few."""
        return self._above(laying.PACED, WALL, _WALLS_MM)

    def _above(self, what: int, which: int | slice = slice(None), least_mm: float = 0.0) -> float | None:
        long, weighted = (float(self._sums[1:, which, k].sum()) for k in (laying.LONG, what))
        return weighted / long if long > least_mm else None

    def _mean(self, what: int) -> Floats:
        long = self.length_mm
        return np.divide(self._sums[:, :, what], long, out=np.full(long.shape, np.nan), where=long > 0.0)
