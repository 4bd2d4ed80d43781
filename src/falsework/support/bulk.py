"""The part as supports meet it: plain sections, and what was made of them for one plan that serves others."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import simplified
from falsework.layers.stack import Indices, LayerStack, Regions
from falsework.process.settings import Process
from falsework.request.store import Store

EMPTY = planar.MultiPolygon()
_MOST_KEPT = 24  # of all layers of a part each
_MOST_WINDOWS = 256  # little parts of it


def empties(count: int) -> Regions:
    """(count,) empty regions."""
    return np.full(count, EMPTY, dtype=object)


def section_tolerance_mm(process: Process) -> float:
    """How far simplified sections may stray; the side clearance is widened to match.

    Well under half a layer, so that a support one layer beneath a slope of 45° still clears it.
    """
    return min(0.03, 0.15 * min(process.layer_height_mm, process.first_layer_height_mm))


@dataclass(frozen=True, eq=False)
class Bulk:
    """The part as supports meet it: (L,) simplified ``sections``, which may stray by ``stray_mm``.

    ``kept``: what was made of them, layer by layer, whatever stands where and however it is built; another
    gap or standing makes only what it has not in common with those before. ``windows``: the same of what is
    seen of it through windows.
    """

    sections: Regions
    stray_mm: float
    kept: Store = field(default_factory=lambda: Store(_MOST_KEPT), init=False, repr=False)
    windows: Store = field(default_factory=lambda: Store(_MOST_WINDOWS), init=False, repr=False)

    @staticmethod
    def of(stack: LayerStack, process: Process) -> Bulk:
        """Of a part's layers."""
        stray_mm = section_tolerance_mm(process)
        return Bulk(simplified(stack.regions, stray_mm), stray_mm)

    def rows(self, key: Hashable, wanted: NDArray[np.bool_], make: Callable[[Indices], Regions]) -> Regions:
        """Regions (n,) of those ``wanted``, (n,), the others empty; ``make`` is asked for those that are not
        kept under ``key``. Each must depend on its place, the key and the part alone."""
        done, held = self.kept.get(
            ("rows", key), lambda: (np.zeros(len(wanted), dtype=bool), empties(len(wanted)))
        )
        fresh = np.flatnonzero(wanted & ~done)
        if len(fresh):
            held[fresh] = make(fresh)
            done[fresh] = True
        return np.where(wanted, held, EMPTY)

    def cleared(self, side_mm: float) -> Regions:
        """(L,) sections with side clearance, and what simplified ones may stray by."""
        found: Regions = self.kept.get(
            ("cleared", side_mm), lambda: overlay.buffer(self.sections, side_mm + self.stray_mm, quad_segs=4)
        )
        return found

    def lips(self, side_mm: float, wanted: NDArray[np.bool_]) -> Regions:
        """(L,) sections of some layers with half the side clearance."""
        return self.rows(
            ("lips", side_mm),
            wanted,
            lambda fresh: overlay.buffer(self.sections[fresh], 0.5 * side_mm, quad_segs=2),
        )

    def beside(
        self, side_mm: float, clear: int, shifts: tuple[int, ...], wanted: NDArray[np.bool_]
    ) -> Regions:
        """(L,) of some layers the cleared section ``clear`` layers above, united with the sections ``shifts``
        layers above (negative: beneath)."""
        layers = np.arange(len(wanted))
        if not shifts:
            return np.where(wanted, _at(self.cleared(side_mm), layers + clear), EMPTY)
        *fewer, last = shifts

        def make(fresh: Indices) -> Regions:
            those = np.isin(layers, fresh)
            before = self.beside(side_mm, clear, tuple(fewer), those)[fresh]
            united: Regions = overlay.union(before, _at(self.sections, fresh + last))
            return united

        return self.rows(("beside", side_mm, clear, shifts), wanted, make)

    def stretch(self, first: int, many: int, wanted: NDArray[np.bool_]) -> Regions:
        """(L,) of some layers the sections of so ``many`` layers united, from ``first`` layers above on
        (negative: beneath)."""
        return np.where(wanted, self._stretches(np.arange(len(wanted)) + first, many, wanted), EMPTY)

    def _stretches(self, start: Indices, many: int, wanted: NDArray[np.bool_]) -> Regions:
        """(n,) ``many`` sections from each layer ``start`` on, united: kept by where it lies, not by whose it
        is, for with another gap it is that of another layer."""
        out, count = empties(len(start)), len(self.sections)
        some = wanted & (start > -many) & (start < count)
        if not many or not some.any():
            return out
        last = np.arange(count + many - 1)  # in rows by their last layer

        def make(fresh: Indices) -> Regions:
            before = self._stretches(fresh - many + 1, many - 1, np.ones(len(fresh), dtype=bool))
            united: Regions = overlay.union(before, _at(self.sections, fresh))
            return united

        asked = np.isin(last, start[some] + many - 1)
        out[some] = self.rows(("stretch", many), asked, make)[start[some] + many - 1]
        return out


def _at(regions: Regions, places: Indices) -> Regions:
    """Regions at places, empty past the ends."""
    inside = (places >= 0) & (places < len(regions))
    out = empties(len(places))
    out[inside] = regions[places[inside]]
    return out
