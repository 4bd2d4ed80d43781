"""``Underside`` and ``NeedMap``: what gets printed over air, by layer and joined into patches."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from falsework.droop.estimate import Estimate
from falsework.layers.stack import Indices, Regions


class UndersideKind(StrEnum):
    """How an underside carries itself while it is printed.

    Examples
    --------
    >>> import falsework
    >>> [kind.value for kind in falsework.UndersideKind]
    ['holds', 'bridge', 'cantilever', 'island']
    """

    HOLDS = "holds"  # just past the limit
    BRIDGE = "bridge"  # anchored on two sides
    CANTILEVER = "cantilever"  # anchored on one side
    ISLAND = "island"  # starts in mid-air


@dataclass(frozen=True)
class Underside:
    """A connected patch printed over air: the thing a person would point at.

    Lengths mm, angles degrees from the vertical (90 = flat). ``layers`` is first and last layer index.
    ``span_mm`` and ``span_direction_deg`` (from x towards y) are for bridges, else 0.
    ``free_length_mm``: the farthest that any of its layers reaches past the layer beneath it.
    ``extent_mm``: its horizontal extent away from where it is first anchored.
    ``height_mm``: z of its lowest point; ``center_mm``: a point on it (for labels).
    ``bridge_share``: share of its area that two anchored sides can carry.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> (underside,) = falsework.inspect(table()).undersides
    >>> underside.kind.value, round(underside.area_mm2), round(underside.height_mm)
    ('cantilever', 3744, 36)
    """

    number: int
    kind: UndersideKind
    area_mm2: float
    layers: tuple[int, int]
    angle_deg: float
    span_mm: float
    span_direction_deg: float
    free_length_mm: float
    extent_mm: float
    bridge_share: float
    height_mm: float
    center_mm: tuple[float, float, float]
    droop_mm: Estimate  # left to itself; of an island the height of its fall
    supported_droop_mm: Estimate  # with the process's support beneath it
    risk: float  # droop times area, mm³; islands first

    @property
    def falls_mm(self) -> float | None:
        """How deep an island falls when it is left to itself; None for what droops."""
        return self.droop_mm.value if self.kind is UndersideKind.ISLAND else None


@dataclass(frozen=True, eq=False)
class NeedMap:
    """Everything printed over air.

    Attributes
    ----------
    reach_mm : how far a layer may reach past the one beneath and still hold.
    limit_deg : the same as an angle from the vertical at the process's layer height.
    undersides : numbered from 1, worst first; ``undersides[k].number == k + 1``.
    regions : (N,) shapely polygons, one connected strip of one layer each, lying over air.
    region_layer : (N,) layer index of each.
    region_underside : (N,) index into ``undersides``.
    region_starts : (N,) whether the strip starts in mid-air: it touches nothing in the layer beneath, nor
        lies within a line width of it.
    known : what was made of each region by itself: by what it depends on, the undersides (U,) of whose
        regions it is known, and (N,) what it is. Other regions know nothing of it.
    """

    reach_mm: float
    limit_deg: float
    undersides: tuple[Underside, ...]
    regions: Regions
    region_layer: Indices
    region_underside: Indices
    region_starts: NDArray[np.bool_]
    known: dict[Hashable, tuple[NDArray[np.bool_], Regions]] = field(default_factory=dict, repr=False)

    def only(self, some: NDArray[np.bool_]) -> NeedMap:
        """With the regions of some undersides, (U,) yes or no; the numbers of all stay as they are."""
        mine = some[self.region_underside]
        return replace(
            self,
            regions=self.regions[mine],
            region_layer=self.region_layer[mine],
            region_underside=self.region_underside[mine],
            region_starts=self.region_starts[mine],
            known={key: (of, made[mine]) for key, (of, made) in self.known.items()},
        )

    @staticmethod
    def nothing(reach_mm: float, limit_deg: float) -> NeedMap:
        """As if nothing were printed over air."""
        none = np.empty(0, dtype=np.int64)
        regions: Regions = np.empty(0, dtype=object)
        return NeedMap(reach_mm, limit_deg, (), regions, none, none, np.empty(0, dtype=bool))

    def of(self, index: int) -> tuple[Regions, NDArray[np.int64]]:
        """Regions and layers of ``undersides[index]``."""
        mine = self.region_underside == index
        return self.regions[mine], self.region_layer[mine]
