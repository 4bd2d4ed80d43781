"""What holds a piece to the part and to the bed, and the weakest section of the part near the contact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.droop.bond import top_of
from falsework.droop.estimate import Estimate, around
from falsework.droop.laws import Laws
from falsework.kernels.graph import narrowest_on_ways
from falsework.layers import overlay, planar
from falsework.layers.polygons import parts
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.process.forces import BED_BOND_MPA
from falsework.process.settings import Process
from falsework.support.cells import facing
from falsework.support.scheme import SupportPiece, SupportScheme

BED_SPREAD = 0.5  # of the logarithm, from memory: clean, rough or greasy build surfaces
NEAR_MM = 10.0  # how far above a contact the part's section still counts as near
_SAMPLED = 12  # layers within that height in which the section is measured
_EDGE_MM = 0.05  # outlines that run this near to each other are the same


def bonds_of(scheme: SupportScheme, laws: Laws) -> list[Estimate]:
    """What holds each piece to the part, above and where it stands on it.

    The force that breaks all of a contact at once; peeling from an edge takes less. Strands are taken to be
    long enough to sag onto the support: errs towards too strong under short undersides.
    """
    process = laws.process
    structure, weld = process.structure, process.material.weld_strength_mpa
    above, below = (
        laws.bond_share(gap.realised_mm, top_of(process, dense))
        for gap, dense in (
            (scheme.gap, structure.interface_layers),
            (scheme.gap_below, structure.interface_layers_below),
        )
    )

    def force(piece: SupportPiece, share_above: float, share_below: float) -> float:
        return weld * (piece.contact_mm2 * share_above + piece.scar_mm2 * share_below)

    return [
        Estimate(
            force(piece, above.value, below.value),
            force(piece, above.low, below.low),
            force(piece, above.high, below.high),
            above.basis,
        )
        for piece in scheme.pieces
    ]


def bed_hold_of(piece: SupportPiece) -> Estimate:
    """Hold of a piece's foot on the bed."""
    return around(BED_BOND_MPA * piece.foot_mm2, BED_SPREAD, "uncalibrated")


@dataclass(frozen=True)
class Neck:
    """A section of the part: its area, and the force that it bears across its layers' welds."""

    area_mm2: float = 0.0
    bears_n: float = 0.0


@dataclass(frozen=True, eq=False)
class SectionNecks:
    """Connected sections of the part by layer, with the narrowest on the widest way from each to the bulk.

    ``polygon``, ``layer`` (S,) ascending; ``narrowest`` (S,) index of that section, -1 where nothing joins
    it to the bulk, which is the largest section of all.
    """

    polygon: Regions
    layer: Indices
    narrowest: Indices


def sections_of(stack: LayerStack) -> SectionNecks:
    """Ways through sections that lie on each other, each as wide as its narrowest section.

    Where a part has several ways side by side only the widest counts: errs towards too weak. How far two
    sections overlap is not measured, only that they do: errs towards too strong where a part leans by more
    than its thickness.
    """
    polygon, layer = parts(stack.regions)
    layer = layer.astype(np.int64)
    if not len(polygon):
        return SectionNecks(polygon, layer, np.empty(0, dtype=np.int64))
    area = planar.area(polygon)
    upper, lower = facing(layer - 1, polygon, layer, polygon)
    width = np.minimum(area[upper], area[lower])
    widest_first = np.argsort(-width, kind="stable")
    bulk = int(np.argmax(np.round(area, 6)))
    narrowest = narrowest_on_ways(area, upper, lower, widest_first, bulk)
    return SectionNecks(polygon, layer, narrowest)


def _solid_mm2(section: planar.Geometry, walls_mm: float, fill: float) -> float:
    """Plastic in a section: its walls whole, its inside by the fill."""
    inside = float(overlay.buffer(section, -walls_mm).area)
    return float(section.area) - (1.0 - fill) * inside


def necks_of(stack: LayerStack, need: NeedMap, numbers: set[int], process: Process) -> dict[int, Neck]:
    """The weakest section near each of the undersides ``numbers``: across a neck, or along a ledge's root."""
    sections = sections_of(stack)
    weld, walls_mm = process.material.weld_strength_mpa, process.wall_lines * process.line_width_mm
    necks: dict[int, Neck] = {}
    for index, underside in enumerate(need.undersides):
        if underside.number not in numbers:
            continue
        regions, layer = need.of(index)
        if not len(regions):
            continue
        top = regions[layer == layer.max()]
        order = np.full(len(top), layer.max())
        _, node = facing(order, top, sections.layer, sections.polygon)
        at = sections.narrowest[np.unique(node)]
        found = []
        for narrow in np.unique(at[at >= 0]):
            polygon = sections.polygon[narrow]
            found.append(Neck(float(polygon.area), weld * _solid_mm2(polygon, walls_mm, process.fill)))
        root = _root(stack, overlay.union_all(regions), int(layer.min()), int(layer.max()), process)
        found += [root] if root.area_mm2 > 0.0 else []
        if found:
            necks[underside.number] = min(found, key=lambda neck: (neck.bears_n, neck.area_mm2))
    return necks


def _root(stack: LayerStack, footprint: planar.Geometry, first: int, last: int, process: Process) -> Neck:
    """Upright section of the part along the line where a footprint is anchored, up to ``NEAR_MM`` high."""
    x0, y0, x1, y1 = planar.bounds(footprint)
    window = planar.box(x0 - 1.0, y0 - 1.0, x1 + 1.0, y1 + 1.0)

    def near(regions: Regions) -> Regions:
        return overlay.intersection(regions, window)

    outline = near(planar.boundary(stack.regions[last]))
    # just inside the footprint, so that walls that end on the line do not count
    inside = planar.boundary(overlay.buffer(footprint, -_EDGE_MM))
    line = overlay.difference(inside, overlay.buffer(outline, 1.1 * _EDGE_MM))
    line = overlay.intersection(line, near(stack.regions[last]))
    if planar.length(line) < _EDGE_MM:
        return Neck()
    end = int(np.searchsorted(stack.z_mm, stack.z_mm[first] + NEAR_MM - 1e-9))
    layers = np.arange(first, min(end, stack.count))
    chosen = np.unique(np.linspace(0, len(layers) - 1, min(_SAMPLED, len(layers))).astype(np.int64))
    lengths = planar.length(overlay.intersection(line, near(stack.regions[layers[chosen]])))
    gone = np.flatnonzero(lengths[1:] == 0.0)
    if len(gone):  # look at every layer up to the first empty one
        layers = layers[: chosen[gone[0] + 1]]
        chosen = np.arange(len(layers))
        lengths = planar.length(overlay.intersection(line, near(stack.regions[layers])))
    heights: Floats = stack.heights_mm[layers]
    at_all = np.interp(np.arange(len(layers)), chosen, lengths)
    area = float(at_all @ heights)
    thickness = float(heights[at_all > 0].sum())
    skin = 2.0 * process.solid_layers * process.layer_height_mm
    share = min(1.0, skin / max(thickness, 1e-9) + process.fill)
    return Neck(area, process.material.weld_strength_mpa * area * share)
