"""What a growing part stands on, as sums and support functions: its first layer, and supports beneath it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.kernels.field.tipping import SUMS
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, parts
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.support.cells import facing
from falsework.support.scheme import SupportScheme
from falsework.support.statics import around, hulls, moments, nowhere


@dataclass(frozen=True, eq=False)
class JoinedSections:
    """Connected sections of the part by layer, and those beneath each: ``lower[start[k]:start[k + 1]]``."""

    polygon: Regions
    layer: Indices
    start: Indices
    lower: Indices

    @property
    def first(self) -> Indices:
        """Those of the first layer."""
        return np.flatnonzero(self.layer == 0)


def sections_of(stack: LayerStack) -> JoinedSections:
    """The part's sections, joined where those of neighbouring layers meet."""
    polygon, layer = parts(stack.regions)
    layer = layer.astype(np.int64)
    upper, lower = facing(layer - 1, polygon, layer, polygon)
    order = np.argsort(upper, kind="stable")
    start = np.searchsorted(upper[order], np.arange(len(polygon) + 1))
    return JoinedSections(polygon, layer, start.astype(np.int64), lower[order].astype(np.int64))


@dataclass(frozen=True, eq=False)
class BedContact:
    """What each section has on the bed: ``sums`` (n, SUMS) and support functions ``hull`` (n, d)."""

    sums: Floats
    hull: Floats


def of_bed(sections: JoinedSections, regions: Regions) -> BedContact:
    """The first layer as printed: ``regions``, one for each section of it."""
    count = len(sections.polygon)
    out = BedContact(np.zeros((count, SUMS)), nowhere(count))
    polygons, owner = parts(areas_only(regions))
    if not len(polygons):
        return out
    at = sections.first[owner]
    np.add.at(out.sums, at, moments(polygons))
    np.maximum.at(out.hull, at, hulls(polygons))
    return out


def borne_sections(sections: JoinedSections, need: NeedMap) -> Indices:
    """(N,) the section that each region of the need is the underside of; -1: none."""
    held, at = facing(need.region_layer, need.regions, sections.layer, sections.polygon)
    home: Indices = np.full(len(need.regions), -1, np.int64)
    home[held] = at
    return home


def of_supports(
    home: Indices, count: int, need: NeedMap, scheme: SupportScheme
) -> tuple[Floats, tuple[int, ...]]:
    """(n, d) support functions of the strands beneath each of ``count`` sections, one air gap lower, of
    supports that stand on the bed; and which these pieces are. ``home`` as ``borne_sections`` has it."""
    out = nowhere(count)
    firm = np.array([piece.foot_mm2 > 0.0 for piece in scheme.pieces], dtype=bool)
    strands = scheme.strands
    beneath = need.region_layer - 1 - scheme.gap.layers
    used = np.flatnonzero(np.isin(strands.layer, beneath))
    used = used[firm[strands.piece[used]]]
    if not len(used):
        return out, ()
    lines = planar.linestrings(strands.ends_mm[used].reshape(-1, 2, 2))
    region, line = _crossing(need.regions, beneath, lines, strands.layer[used])
    inside = overlay.intersection(lines[line], need.regions[region])
    bits, owner = planar.get_parts(inside, return_index=True)
    long = planar.get_num_coordinates(bits) > 1
    bits, owner = bits[long], owner[long]
    if not len(bits):
        return out, ()
    ends = np.hstack([planar.get_coordinates(planar.get_point(bits, end)) for end in (0, -1)])
    at = home[region[owner]]
    reach = np.maximum(ends[:, :2] @ around().T, ends[:, 2:] @ around().T)
    np.maximum.at(out, at, reach)
    pieces = np.unique(strands.piece[used[line[owner]]])
    return out, tuple(scheme.pieces[k].number for k in pieces)


def _crossing(
    regions: Regions, region_layer: Indices, lines: Regions, line_layer: Indices
) -> tuple[Indices, Indices]:
    """Regions and the lines of the same layer that cross them, in pairs: what lies above or beneath is not
    looked at."""
    found = [np.empty((2, 0), np.int64)]
    for layer in np.unique(line_layer).tolist():
        mine, here = np.flatnonzero(region_layer == layer), np.flatnonzero(line_layer == layer)
        region, line = planar.STRtree(lines[here]).query(regions[mine], predicate="intersects")
        found.append(np.array([mine[region], here[line]]))
    region, line = np.concatenate(found, axis=1)
    return region, line
