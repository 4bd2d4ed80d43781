"""What should be there, place by place: of some layers of the plan the points that no strand covers.

The other comparisons go by sums, by outlines and by strands; what is missing in one place only, for whatever
reason, shows here. Nothing is asked of the strands but where they lie.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.balance import LayerBalance, LayerSquares, squares_of
from falsework.auditing.deposit import Layer
from falsework.auditing.placement import PlacedSections
from falsework.auditing.points import points_along
from falsework.auditing.survey import Usual
from falsework.auditing.value import Finding, FindingLevel
from falsework.layers import planar
from falsework.layers.stack import Floats, LayerStack
from falsework.planning.value import Geometry
from falsework.process.derived import bead_section_mm2
from falsework.process.settings import Process
from falsework.support.scheme import Role

_LAYERS, _COPIES = 100, 3  # that are looked at
_POINT_MM, _MOST_POINTS = 0.35, 40_000  # between points of strands; of them in one layer
_GRID_MM, _MANY = 0.5, 1600  # between places that are asked for; so many of them in a layer
_BARE = 0.75  # of a strand's width, farther than which from its middle nothing covers
_HOLLOW = 1.1  # of the sparse lines' spacing, the same
_SLOPE_MM = 1.5  # that a layer may reach past the next one on a slope
_EDGE = 0.15  # of a width: nearer to the outline corners stay free
_OUT_MM, _NEAR_MM = 0.2, 0.55  # how far outside of the part strands are no supports
_BEYOND_MM, _BEYOND_LAYERS = 8.0, 3  # of strands in a layer; layers
_ROOF_MM, _MET_ROOF = 20.0, 0.8  # of interface in a layer; share of it that must be there
_ASIDE_MM = 0.8  # that strands of support may lie off their place
_BARE_MM2, _BARE_SHARE = 3.0, 0.05  # of walls and skins in a layer, before it tells
_HOLLOW_MM2, _HOLLOW_SHARE = 25.0, 0.25
_SPARSER = 2.0  # times as far from strands of the fill as planned; a grid of the same fill comes to 1.3
_RESTS = 0.4  # share of a strand of the fill that rests, below which it is a thread over air
_MET, _THE_PLANNED, _UNMET, _UNMET_MM = 0.97, 0.1, 0.8, 12.0  # of a layer's strands of support; of layers
_THE_PLANNED_ONES = 0.85  # of all strands of supports that must be there, for these to be them
_OFF_LAYERS = 5  # more than an interface has, which is of another pattern
_IN_LAYERS, _OF_LAYERS = 3, 0.06  # layers that must tell: so many, and so many of those looked at


@dataclass(frozen=True, eq=False)
class LookedAt:
    """One layer of one copy, mm²: outermost walls, what else is solid, and sparse fill, each as it
    should be and how much of it is bare; mm of planned strands of support, and of those that are there, of
    all and of interface; ``beyond_mm``: of strands just outside the part's outline;
    ``sparse_far``: how much farther than planned the strands of the fill are from places in it, on average.
    """

    z_mm: float
    wall_mm2: float
    bare_wall_mm2: float
    solid_mm2: float
    bare_solid_mm2: float
    sparse_mm2: float
    hollow_mm2: float
    support_mm: float
    met_mm: float
    roof_mm: float
    met_roof_mm: float
    beyond_mm: float
    sparse_far: float
    squares: LayerSquares


class InventoryAuditor:
    """Takes the layers one after the other; afterwards ``looked`` says what is bare in some of them."""

    def __init__(
        self, geometry: Geometry, process: Process, copies: tuple[PlacedSections, ...], usual: Usual
    ) -> None:
        self.geometry, self.process, self.copies, self.usual = geometry, process, copies[:_COPIES], usual
        count = geometry.stack.count
        self.chosen = set(np.linspace(0, count - 1, min(count, _LAYERS)).round().astype(int).tolist())
        # by copy and layer of the plan: points of strands in the part's coordinates, and mm² that each covers
        self.kept: dict[tuple[int, int], list[NDArray[np.float32]]] = defaultdict(list)

    def take(self, layer: Layer) -> None:
        """Keep where the strands of one layer lie, if it is one of those that are looked at."""
        stack = self.geometry.stack
        points, covers = None, np.zeros(0)
        for c, placed in enumerate(self.copies):
            middle = layer.z_mm - placed.placement.shift_mm[2] - 0.5 * layer.step_mm
            k = int(np.searchsorted(stack.z_mm, middle, side="right")) - 1
            if k not in self.chosen:
                continue
            if points is None:
                points = points_along(layer.ends[:, [0, 1, 3, 4]], _POINT_MM, _MOST_POINTS)
                volume = self._volumes(layer) / np.bincount(points.strand)
                covers = volume[points.strand] / float(stack.heights_mm[k])
            xy = placed.to_part(points.xy)
            near = planar.contains_xy(placed.shadow, xy[:, 0], xy[:, 1])
            self.kept[c, k].append(np.column_stack([xy, covers])[near].astype(np.float32))

    def _volumes(self, layer: Layer) -> Floats:
        """(n,) mm³ of each strand; threads over air are round, and count as what they should fill."""
        usual = bead_section_mm2(self.usual.width_mm, layer.height_mm)
        airy = layer.fills & (layer.resting.sum(axis=1) < _RESTS)
        section = np.where(airy, np.minimum(layer.section_mm2, usual), layer.section_mm2)
        out: Floats = section * layer.length_mm
        return out

    def looked(self) -> list[list[LookedAt]]:
        """By copy the layers that were looked at and in which something is printed."""
        out: list[list[LookedAt]] = [[] for _ in self.copies]
        for (c, k), pieces in sorted(self.kept.items()):
            rows = np.concatenate(pieces).astype(np.float64)
            if len(rows):
                out[c].append(self._looked_at(k, rows[:, :2], rows[:, 2]))
        return out

    def _looked_at(self, k: int, xy: Floats, covers: Floats) -> LookedAt:
        from scipy.spatial import cKDTree

        stack, process, planned = self.geometry.stack, self.process, self.geometry.scheme.strands
        tree, width = cKDTree(xy), self.usual.width_mm
        places, cell = _places(stack.regions[k])
        far = tree.query(places)[0] if len(places) else np.zeros(0)
        depth = planar.distance(planar.boundary(stack.regions[k]), planar.points(places))
        wall = depth < process.wall_lines * width
        sparse = ~wall & _within(stack, k, places, process.solid_layers)
        sloping = _on_slopes(stack, k, places)
        told = (depth > _EDGE * width) & ~sloping
        bare = told & ~sparse & (far > _BARE * width)
        hollow = sparse & (far > _HOLLOW * width / max(process.fill, 0.01)) & (process.fill > 0.0)
        supports = points_along(planned.ends_mm[planned.layer == k], _POINT_MM, _MOST_POINTS)
        met = tree.query(supports.xy)[0] < _ASIDE_MM if len(supports.xy) else np.zeros(0, bool)
        cap = np.isin(planned.role[planned.layer == k][supports.strand], (Role.CAP, Role.SOLE))
        solid = ~wall & ~sparse

        def mm2(some: NDArray[np.bool_]) -> float:
            return cell * float(some.sum())

        def mm(some: NDArray[np.bool_]) -> float:
            return supports.step_mm * float(some.sum())

        # lines so far apart are a quarter of that from places between them, on average
        meant = 0.25 * width / max(process.fill, 0.01)
        sparser = float(far[sparse].mean()) / meant if sparse.any() and process.fill > 0.0 else 1.0
        own = np.zeros(len(xy), bool)
        if len(places):
            own = np.isfinite(cKDTree(places).query(xy, distance_upper_bound=1.2 * np.sqrt(cell))[0])
        share = np.where(sparse, process.fill, 1.0)
        squares = squares_of(places, cell, share, sloping, xy[own], covers[own])
        return LookedAt(
            z_mm=float(stack.z_mm[k + 1]),
            wall_mm2=mm2(wall),
            bare_wall_mm2=mm2(wall & bare),
            solid_mm2=mm2(solid),
            bare_solid_mm2=mm2(solid & bare),
            sparse_mm2=mm2(sparse),
            hollow_mm2=mm2(hollow),
            support_mm=mm(np.ones(len(met), bool)),
            met_mm=mm(met),
            roof_mm=mm(cap),
            met_roof_mm=mm(cap & met),
            beyond_mm=self._beyond(k, xy, supports.xy),
            sparse_far=sparser,
            squares=squares,
        )

    def _beyond(self, k: int, xy: Floats, supports: Floats) -> float:
        """mm of strands that reach out of the part, and are none of its supports'."""
        from scipy.spatial import cKDTree

        stack = self.geometry.stack
        far = np.full(len(xy), np.inf)
        for j in (k - 1, k, k + 1):  # cut at another height, it may reach as far
            if 0 <= j < stack.count and not stack.regions[j].is_empty:
                far = np.minimum(far, planar.distance(stack.regions[j], planar.points(xy)))
        out = np.flatnonzero((far > _OUT_MM) & (far < _NEAR_MM))
        if len(out) and len(supports):
            out = out[cKDTree(supports).query(xy[out])[0] > _ASIDE_MM]
        return _POINT_MM * len(out)


def _places(region: planar.Geometry) -> tuple[Floats, float]:
    """Points of a grid over a region, and the mm² that each stands for."""
    if region.is_empty:
        return np.zeros((0, 2)), 0.0
    x0, y0, x1, y1 = planar.bounds(region)
    step = max(_GRID_MM, float(np.sqrt(planar.area(region) / _MANY)))
    x, y = np.meshgrid(np.arange(x0 + 0.5 * step, x1, step), np.arange(y0 + 0.5 * step, y1, step))
    xy = np.column_stack([x.ravel(), y.ravel()])
    return xy[planar.contains_xy(region, xy[:, 0], xy[:, 1])], step * step


def _on_slopes(stack: LayerStack, k: int, xy: Floats) -> NDArray[np.bool_]:
    """(n,) which points the next layer up or down just misses: cut at another height, this one may, too."""
    out = np.zeros(len(xy), bool)
    for j in (k - 1, k + 1):
        if 0 <= j < stack.count and not stack.regions[j].is_empty:
            far = planar.distance(stack.regions[j], planar.points(xy))
            out |= (far > 0.0) & (far < _SLOPE_MM)
    return out


def _within(stack: LayerStack, k: int, xy: Floats, layers: int) -> NDArray[np.bool_]:
    """(n,) whether the part goes on over and under each point for so many layers."""
    out = np.full(len(xy), k - layers >= 0 and k + layers < stack.count)
    for j in range(max(0, k - layers), min(stack.count, k + layers + 1)):
        out &= planar.contains_xy(stack.regions[j], xy[:, 0], xy[:, 1]) if j != k else True
    return out


def inventory_findings(name: str, looked: list[LookedAt], level: FindingLevel) -> Iterable[Finding]:
    """What is bare in several layers of one copy."""
    kinds = (
        ("outline", "walls", _bare(looked, "bare_wall_mm2", "wall_mm2"), "bare_wall_mm2"),
        ("skin", "skins", _bare(looked, "bare_solid_mm2", "solid_mm2"), "bare_solid_mm2"),
        ("fill", "sparse fill", _hollow(looked), "hollow_mm2"),
    )
    for kind, what, layers, figure in kinds:
        if len(layers) < max(_IN_LAYERS, round(_OF_LAYERS * len(looked))):
            continue
        worst = max(layers, key=lambda one: float(getattr(one, figure)))
        much = float(getattr(worst, figure))
        says = (
            f"where {what} of {name} should be no strand lies, in {len(layers)} of {len(looked)} layers that "
            f"were looked at: {much:.0f} mm² at height {worst.z_mm:.1f} mm"
        )
        cure = "Compare the part with what the program prints there"
        yield Finding(0, kind, level, says, cure, len(layers), found=much, planned=0.0, unit="mm²")


def beyond_findings(name: str, looked: list[LookedAt], level: FindingLevel) -> Iterable[Finding]:
    """Strands that reach out of the part; the first layer, around which a brim lies, is left out."""
    off = [one for one in looked[1:] if one.beyond_mm > _BEYOND_MM]
    if len(off) < max(_BEYOND_LAYERS, round(_OF_LAYERS * len(looked))):
        return
    worst = max(off, key=lambda one: one.beyond_mm)
    says = (
        f"strands run just outside {name}'s outline in {len(off)} of {len(looked)} layers looked at:"
        f" {worst.beyond_mm:.0f} mm at height {worst.z_mm:.1f} mm"
    )
    cure = "Look for fill that reaches through the walls, and for lines that nobody drew"
    yield Finding(0, "outline", level, says, cure, len(off), found=worst.beyond_mm, planned=0.0, unit="mm")


def roof_findings(looked: list[LookedAt], level: FindingLevel) -> Iterable[Finding]:
    """Of supports that are the planned ones the interface that is missing in places."""
    whole, met = (sum(getattr(one, figure) for one in looked) for figure in ("support_mm", "met_mm"))
    off = [one for one in looked if one.roof_mm - one.met_roof_mm > _ROOF_MM]
    off = [one for one in off if one.met_roof_mm < _MET_ROOF * one.roof_mm]
    if not off or met < _THE_PLANNED_ONES * whole:
        return
    worst = min(off, key=lambda one: one.met_roof_mm / one.roof_mm)
    share = worst.met_roof_mm / worst.roof_mm
    says = (
        f"in {len(off)} layers some of the supports' interface is missing: "
        f"{100 * share:.0f} % of it is there at height {worst.z_mm:.1f} mm"
    )
    cure = "Load the planned supports whole"
    yield Finding(0, "interface", level, says, cure, len(off), found=share, planned=1.0)


def _bare(looked: list[LookedAt], bare: str, of: str) -> list[LookedAt]:
    return [one for one in looked if getattr(one, bare) > max(_BARE_MM2, _BARE_SHARE * getattr(one, of))]


def _hollow(looked: list[LookedAt]) -> list[LookedAt]:
    """Layers with too little fill; where it is only thinner, in a row, for it may come every second layer."""
    bare = np.array([one.hollow_mm2 > max(_HOLLOW_MM2, _HOLLOW_SHARE * one.sparse_mm2) for one in looked])
    thin = np.array([one.sparse_mm2 > _HOLLOW_MM2 and one.sparse_far > _SPARSER for one in looked])
    in_a_row = thin.copy()
    in_a_row[1:-1] &= thin[:-2] & thin[2:]
    return [one for one, told in zip(looked, bare | in_a_row, strict=True) if told]


def balances(looked: list[LookedAt]) -> list[LayerBalance]:
    """The same layers for what is laid where."""
    return [
        LayerBalance(
            one.z_mm,
            one.squares,
            {"outline": one.bare_wall_mm2, "skin": one.bare_solid_mm2, "fill": one.hollow_mm2},
        )
        for one in looked
    ]


def moved_findings(looked: list[LookedAt], level: FindingLevel) -> Iterable[Finding]:
    """Of supports that are the planned ones in some layers those where they are not."""
    told = [one for one in looked if one.support_mm > _UNMET_MM]
    own = [one for one in told if one.met_mm > _MET * one.support_mm]
    off = [one for one in told if one.met_mm < _UNMET * one.support_mm]
    if len(own) < max(_IN_LAYERS, _THE_PLANNED * len(told)) or len(off) < _OFF_LAYERS:
        return
    worst = min(off, key=lambda one: one.met_mm / one.support_mm)
    share = worst.met_mm / worst.support_mm
    says = (
        f"supports are not where they were planned in {len(off)} of {len(told)} layers that were looked at, "
        f"and are in others: {100 * share:.0f} % of them at height {worst.z_mm:.1f} mm"
    )
    cure = "Load part and supports together, and print both whole"
    yield Finding(0, "support shifted", level, says, cure, len(off), found=share, planned=1.0)
