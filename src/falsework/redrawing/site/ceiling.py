"""``Ceiling``: an underside as a change sees it, and what would still ask once its layers are changed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from falsework.droop.laws import Laws
from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.groups import Groups
from falsework.need.join import join_strips
from falsework.need.measure import SAME_MM, Outlines, StripFigures, measure_strips, polygon_edges
from falsework.need.needmap import HOLDS_WIDTHS, need_of
from falsework.need.strips import strips_over_air
from falsework.redrawing.site.ground import CLEAN_EDGE_LAYERS, asks
from falsework.redrawing.site.value import PlannedPart, UndersideSite

# An underside of which one layer has this share is flat: a fillet or chamfer at its edge does not count.
FLAT_SHARE = 0.8
# Sections are looked at so many line widths around an underside: seats lie half a width behind its edges.
MARGIN_WIDTHS = 6.0
QUIET_SURE = 0.99  # of what may droop like a clean edge: the need reads droops off a table


@dataclass(frozen=True, eq=False)
class Ceiling:
    """An underside's strips.

    ``layers`` (n,) that it has strips in, ascending, and ``regions`` (n,), all of them in each;
    ``footprint``: their union; ``main``: the layer with most of the area, of which it has ``flat_share``.
    """

    layers: Indices
    regions: Regions
    footprint: planar.Geometry
    main: int
    flat_share: float

    @property
    def flat(self) -> bool:
        return self.flat_share >= FLAT_SHARE


def ceiling_of(site: UndersideSite) -> Ceiling:
    """The strips of the site's underside, layer by layer."""
    strips, layer = site.ground.need.of(site.index)
    layers = np.unique(layer)
    regions = np.empty(len(layers), dtype=object)
    regions[:] = [overlay.union_all(strips[layer == l]) for l in layers]
    area = planar.area(regions)
    most = int(np.argmax(area))
    return Ceiling(
        layers, regions, overlay.union_all(regions), int(layers[most]), float(area[most] / area.sum())
    )


def sections_near(ground: PlannedPart, first: int, last: int, footprint: planar.Geometry) -> Regions:
    """Sections of the layers ``first`` … ``last`` as far as they lie near a footprint."""
    margin = MARGIN_WIDTHS * ground.process.line_width_mm
    x0, y0, x1, y1 = footprint.bounds
    window = planar.box(x0 - margin, y0 - margin, x1 + margin, y1 + margin)
    near: Regions = overlay.intersection(ground.stack.regions[first : last + 1], window)
    return near


def stack_near(ground: PlannedPart, first: int, sections: Regions) -> LayerStack:
    """Layers from ``first`` on with other sections than they have."""
    z_mm = ground.stack.z_mm[first : first + len(sections) + 1].copy()
    z_mm[0] = ground.stack.z_mm[0]  # as far above the bed as it is
    return LayerStack.of(z_mm, sections)


@lru_cache(maxsize=16)
def quiet_mm(laws: Laws) -> tuple[float, float]:
    """How far an edge may be free, and how long a bridge, that it droops no more than is clean at an edge."""
    most_mm = CLEAN_EDGE_LAYERS * laws.process.layer_height_mm
    free = np.linspace(0.0, 4.0, 801) * laws.process.line_width_mm
    edge_mm = free[laws.overhang_droops(free)[0] <= most_mm].max()
    return float(edge_mm), laws.longest_clean_bridge_mm(most_mm).value


def may_ask(ground: PlannedPart, figures: StripFigures) -> NDArray[np.bool_]:
    """(n,) strips for which an underside may ask: one without any such does not, by the need's own rules."""
    edge_mm, span_mm = quiet_mm(ground.laws)
    droops = np.where(
        figures.bridge, figures.span > QUIET_SURE * span_mm, figures.depth > QUIET_SURE * edge_mm
    )
    found: NDArray[np.bool_] = droops | (figures.anchored <= 0.0)
    return found


def asking_of(
    ground: PlannedPart, stack: LayerStack, strips: Regions, layer: Indices, may: NDArray[np.bool_]
) -> Regions:
    """Of strips (n,) in ``layer`` (n,), ascending, those of undersides that ask; ``may`` (n,) of them may."""
    if not may.any():
        return strips[:0]
    patches = Groups(*join_strips(*polygon_edges(strips), layer, ground.need.reach_mm))
    some = patches.any(may)[patches.owner]
    need = need_of(stack, strips[some], layer[some], ground.laws)
    asking = np.array([asks(u, ground.process) for u in need.undersides], dtype=bool)
    found: Regions = need.regions[asking[need.region_underside]]
    return found


@dataclass(frozen=True, eq=False)
class SectionTrial:
    """The layers from ``first`` on around an underside, with other sections than they have.

    ``standing``: what was added to each layer, as bytes; ``before``: a trial of the same layers with other
    such, of which all is taken over that is alike.
    """

    site: UndersideSite
    first: int
    sections: Regions
    footprint: planar.Geometry
    standing: tuple[frozenset[bytes], ...] = ()
    before: SectionTrial | None = None

    @cached_property
    def stack(self) -> LayerStack:
        """The changed layers."""
        return stack_near(self.site.ground, self.first, self.sections)

    @cached_property
    def strips(self) -> tuple[Regions, Indices]:
        """(n,) strips over air, and (n,) their layers in ``stack``."""
        if self.before is None:
            return self._strips(0, len(self.sections))
        # a layer's depend on it and on the one beneath
        alike = np.array([a == b for a, b in zip(self.standing, self.before.standing, strict=True)])
        kept = alike & np.append(True, alike[:-1])
        strips, layer = self.before.strips
        found = [(strips[kept[layer]], layer[kept[layer]])]
        ends = np.flatnonzero(np.diff(np.concatenate([[True], kept, [True]]))).reshape(-1, 2)
        found += [self._strips(max(low - 1, 0), high) for low, high in ends.tolist()]
        strips, layer = (np.concatenate(some) for some in zip(*found, strict=True))
        order = np.argsort(layer, kind="stable")
        return strips[order], layer[order]

    def _strips(self, low: int, high: int) -> tuple[Regions, Indices]:
        """The strips of layers after ``low``, before ``high``, and their layers."""
        ground = self.site.ground
        regions = self.stack.regions[low:high]
        strips, layer = strips_over_air(
            regions, ground.need.reach_mm, ground.process.line_width_mm, on_bed=True
        )
        return strips, layer + low

    @cached_property
    def figures(self) -> StripFigures:
        """The figures of the strips."""
        strips, layer = self.strips
        return measure_strips(strips, layer, Outlines(self.stack), self.site.ground.process.line_width_mm)

    @cached_property
    def mine(self) -> NDArray[np.bool_]:
        """(n,) strips that lie where the underside is."""
        mine: NDArray[np.bool_] = planar.intersects(self.strips[0], self._near)
        return mine

    @cached_property
    def span_mm(self) -> float | None:
        """The longest bridge left of the underside, 0 where none is; None if a strip of it bridges too far
        or neither bridges nor holds. Strip by strip: a few milliseconds."""
        if not self.mine.any():
            return 0.0
        figures, ground = self.figures, self.site.ground
        too_long = figures.span > ground.span_mm
        bare = np.where(
            figures.bridge, too_long, figures.depth >= HOLDS_WIDTHS * ground.process.line_width_mm
        )
        span_mm = float(figures.span[figures.bridge & self.mine].max(initial=0.0))
        return None if self._counts(self.strips[0][bare & self.mine]) else span_mm

    @cached_property
    def settled(self) -> bool:
        """Whether nothing of the underside asks for support any more, by all of the need's own rules."""
        return self.span_mm is not None and not self._counts(self.asking)

    @cached_property
    def asking(self) -> Regions:
        """(n,) strips where the underside is that ask for support."""
        ground = self.site.ground
        found = asking_of(ground, self.stack, *self.strips, may_ask(ground, self.figures))
        left: Regions = found[planar.intersects(found, self._near)]
        return left

    @cached_property
    def _near(self) -> planar.Geometry:
        if self.before is not None:
            return self.before._near
        near = overlay.buffer(self.footprint, self.site.ground.process.line_width_mm, quad_segs=2)
        planar.prepare(near)
        return near

    def _counts(self, left: Regions) -> bool:
        """Whether regions are more than a dab that no nozzle can aim at, and not what others asked before."""
        others = _asked_by_others(self.site, self.first, len(self.sections))
        area = float(planar.area(overlay.difference(left, others)).sum())
        return area > self.site.ground.process.line_width_mm**2


def _asked_by_others(site: UndersideSite, first: int, count: int) -> planar.Geometry:
    """What other undersides cover in ``count`` layers from ``first`` on."""
    need = site.ground.need
    others = (need.region_underside != site.index) & (need.region_layer >= first)
    others &= need.region_layer < first + count
    return offset_mitred(overlay.union_all(need.regions[others]), 0.01)


def free_edges(ceiling: Ceiling, sections: Regions, first: int) -> Floats:
    """(E, 4) edges of the underside, on their left, at which nothing carries it and it ends.

    ``sections``: of the layers from ``first``, which is below the underside's lowest, on.
    """
    found = []
    for k, (layer, region) in enumerate(zip(ceiling.layers, ceiling.regions, strict=True)):
        rings = planar.get_rings(planar.orient_polygons(planar.get_parts(region)))
        for ring in rings:
            xy = planar.get_coordinates(ring)
            found.append(np.hstack([xy[:-1], xy[1:]]))
            middle = planar.points(0.5 * (xy[:-1] + xy[1:]))
            # of nothing at all it is nan
            free = ~(planar.distance(sections[layer - 1 - first], middle) <= SAME_MM)
            if k + 1 < len(ceiling.layers):  # a slope goes on there
                free &= ~(planar.distance(ceiling.regions[k + 1], middle) <= SAME_MM)
            found[-1] = found[-1][free]
    return np.concatenate([np.empty((0, 4)), *found])


def flat_mm(ground: PlannedPart, ceiling: Ceiling) -> float:
    """The height of a flat underside as it is drawn, which may lie up to half a layer off its layer's."""
    layer = ceiling.main
    low, high = (float(z) for z in ground.stack.middles_mm[layer - 1 : layer + 1])
    corners = ground.part.vertices[ground.part.faces]
    z = corners[:, :, 2]
    level = (np.ptp(z, axis=1) < 1e-6) & (z[:, 0] > low) & (z[:, 0] <= high)
    x0, y0, x1, y1 = ceiling.footprint.bounds
    middle = corners[level].mean(axis=1)
    near = (middle[:, 0] > x0) & (middle[:, 0] < x1) & (middle[:, 1] > y0) & (middle[:, 1] < y1)
    found = z[level][near][:, 0]
    return float(found.min()) if len(found) else float(ground.stack.z_mm[layer])
