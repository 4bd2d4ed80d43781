"""Supports for the undersides of a part, from where they may stand to strands, mesh and price."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from falsework.cost.strands import laid_costs
from falsework.droop.supported import lane_spacing_mm
from falsework.errors import FalseworkError
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, gathered, offset_mitred, parts
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.process.derived import air_gap, air_gap_below
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.support.cells import Bands, Cells, Dense, bands_of, cells_of, facing
from falsework.support.design import Design, SupportSite, designed
from falsework.support.scheme import Gap, Role, SupportPiece, SupportScheme, SupportStrands
from falsework.support.solid import solid_of
from falsework.support.sparing import Spared
from falsework.support.stability import Brace, StabilityCheck, check_pieces, remedy_text
from falsework.support.strands import Lines, Walls, piece_middles, strands_of, walls_of
from falsework.support.sweep import (
    Surroundings,
    Swept,
    carried,
    printable,
    shifted,
    support_regions,
    sweep_columns,
)
from falsework.watch import QUIET, Watch
from falsework.wording.notices import WeakPieces

_CHORD_LAYERS = 2  # layers beneath a shore's roof that stay as wide as it
_SPECK_MM2 = 1e-3


@dataclass(frozen=True, eq=False)
class _Draft:
    """Supports before they are drawn as strands: cells, bands and walls, with what was done to brace them."""

    cells: Cells
    bands: Bands
    closed_lines: Indices
    walls: list[tuple[Walls, Floats]]
    brace: Brace


def build_scheme(
    stack: LayerStack,
    need: NeedMap,
    standings: Sequence[Standing],
    process: Process,
    watch: Watch = QUIET,
    *,
    spared: Spared | None = None,
    swept: Swept | None = None,
) -> SupportScheme:
    """Supports for every underside that may have one.

    ``standings`` has one entry per underside of ``need``. Nothing touches the part: supports keep the side
    clearance and whole layers of air gap above and beneath. Every layer rests on support, on the bed, or
    through the gap on the part, but never on ``spared`` faces, and none carries such faces. Walls too slender
    or pieces likely to topple are braced; what still fails is marked weak.

    Raises ``FalseworkError`` when there are not as many standings as undersides.
    """
    if len(standings) != len(need.undersides):
        raise FalseworkError(
            "standings",
            f"{len(standings)} given for {len(need.undersides)} undersides",
            "Give one standing for each underside",
        )
    if swept is None:
        swept = sweep_columns(stack, need, standings, process, watch.part(0.0, 0.4), spared=spared)
    watch.at("taking gaps off", 0.4)
    around = Surroundings(swept, process)
    support, blocked = support_regions(swept, around, need.reach_mm, process)
    gap, gap_below = Gap(*air_gap(process)), Gap(*air_gap_below(process))
    support = _useful(support, need, gap)
    design = None
    if process.structure.form == "designed" and not planar.is_empty(support).all():
        watch.at("choosing what to build", 0.45)
        design = _designed(support, blocked, around, stack, need.reach_mm, process)
        support = design.support
    watch.at("building supports", 0.5)
    draft, checks = _stable(support, design, blocked, around, stack, need.reach_mm, process)
    cells, bands = draft.cells, draft.bands
    watch.at("drawing strands", 0.7)
    strands = strands_of(
        cells,
        bands,
        draft.walls,
        draft.closed_lines,
        process.structure.line_angle_deg,
        process.line_width_mm,
    )
    watch.at("meshing supports", 0.8)
    vertices, faces, face_piece = solid_of(
        cells,
        bands,
        [walls for walls, _ in draft.walls],
        draft.closed_lines,
        stack.z_mm,
        process.line_width_mm,
    )
    pieces = _pieces(draft, checks, need, strands, stack, gap, process)
    if design is not None:
        pieces = tuple(replace(one, why=why) for one, why in zip(pieces, design.why(cells), strict=True))
    weak = tuple(piece.number for piece in pieces if piece.weak)
    notes = (WeakPieces(weak),) if weak else ()
    count = stack.count

    def layers_of(band: Dense) -> Regions:
        return gathered(band.polygon, band.layer, count)

    body, owner = parts(bands.body)
    watch.at("supports built", 1.0)
    return SupportScheme(
        gap,
        gap_below,
        pieces,
        gathered(body, cells.layer[owner], count),
        layers_of(bands.cap),
        layers_of(bands.sole),
        layers_of(bands.foot),
        strands,
        vertices,
        faces,
        face_piece,
        notes,
    )


def _designed(
    support: Regions,
    blocked: Regions,
    around: Surroundings,
    stack: LayerStack,
    reach_mm: float,
    process: Process,
) -> Design:
    """What is cheapest to build instead of ``support``, without what nothing would carry."""
    layers = process.structure.interface_layers + _CHORD_LAYERS
    heads = areas_only(overlay.intersection(support, around.near_above(layers)))
    taken = blocked if around.free is None else areas_only(overlay.union(blocked, around.free))
    under = shifted(around.sections, -1 - around.gap_below_layers)
    site = SupportSite(stack, support, heads, taken, under, reach_mm, lane_spacing_mm(process), process)
    design = designed(site)
    width = process.line_width_mm
    regions = printable(design.support, 0.45 * width)
    beneath = offset_mitred(shifted(regions, -1), reach_mm, limit=1.5)
    hanging = overlay.difference(regions, beneath)
    hanging[planar.area(hanging) < _SPECK_MM2] = planar.MultiPolygon()
    regions = carried(regions, shifted(areas_only(hanging), 1), around, reach_mm, 0.9 * width)
    return replace(design, support=regions)


def _stable(
    support: Regions,
    design: Design | None,
    blocked: Regions,
    around: Surroundings,
    stack: LayerStack,
    reach_mm: float,
    process: Process,
) -> tuple[_Draft, StabilityCheck]:
    """Cells, bands and walls, braced where the checks ask for it, with the checks of what came out."""
    structure, width = process.structure, process.line_width_mm
    feet = min(structure.foot_layers, len(support))
    cells, shore = _cells(
        _with_feet(support, blocked, structure.foot_widening_mm, feet, width), design, process
    )
    draft = _drawn(cells, shore, Brace(*np.zeros((3, cells.pieces))), around, reach_mm, process)
    check = _checked(draft, around, stack, process)
    wanted = check.wanted
    if wanted.reshapes:
        support = _thickened(support, cells, wanted.thicken_mm, blocked, around, reach_mm, width)
        regions = _with_feet(support, blocked, structure.foot_widening_mm, feet, width)
        regions[:feet] = _widened(regions[:feet], cells, wanted.widen_mm, blocked, width)
        old = cells
        cells, shore = _cells(regions, design, process)
        brace = _renumbered(wanted, old, cells)
        draft = _drawn(cells, shore, brace, around, reach_mm, process)
        check = _checked(draft, around, stack, process)
    if check.wanted.tie_mm.any() and structure.weave == "parallel":
        draft = _tied(draft, check.wanted.tie_mm, around, reach_mm, process)
        check = _checked(draft, around, stack, process)
    return draft, check


def _cells(regions: Regions, design: Design | None, process: Process) -> tuple[Cells, NDArray[np.bool_]]:
    """Cells, and which of them are of shores: closed lines run around those, lanes apart at most."""
    width = process.line_width_mm
    cells = cells_of(regions, 2.0 * (process.structure.spacing_mm + width))
    if design is None:
        return cells, np.zeros(len(cells.layer), dtype=bool)
    shore: NDArray[np.bool_] = planar.intersects(cells.polygon, design.shores[cells.layer])
    slim_below = np.where(
        shore, lane_spacing_mm(process) + 2.0 * width, 2.0 * (process.structure.spacing_mm + width)
    )
    return replace(cells, slim=cells.width_mm < slim_below), shore


def _useful(support: Regions, need: NeedMap, gap: Gap) -> Regions:
    """Support without the pieces that carry nothing: those whose tops are too narrow to print end lower
    than the underside they were swept from."""
    cells = cells_of(support, 0.0)
    useful = np.zeros(cells.pieces, dtype=bool)
    useful[contacts_of(cells, need, gap)[0]] = True
    if useful.all():
        return support
    kept = useful[cells.piece]
    return gathered(cells.polygon[kept], cells.layer[kept], len(support))


def _with_feet(
    support: Regions, blocked: Regions, widening_mm: float, layers: int, width_mm: float
) -> Regions:
    """Support with its first layers, where they stand on the bed, widened but clear of the part.

    Each widened layer stays within the one beneath.
    """
    out = support.copy()
    standing = within = None
    for i in range(layers):
        standing = support[i] if standing is None else overlay.intersection(standing, support[i])
        if standing.is_empty:
            break
        wide = overlay.difference(_wider(standing, widening_mm), blocked[i])
        within = wide if within is None else overlay.intersection(wide, within)
        out[i] = overlay.union(support[i], within)
    out[:layers] = printable(out[:layers], 0.45 * width_mm)
    return out


def _wider(region: planar.Geometry, by_mm: float) -> planar.Geometry:
    """Grown, with square corners kept and sharper ones blunted."""
    return offset_mitred(region, by_mm, limit=1.5)


def _widened(feet: Regions, cells: Cells, widen_mm: Floats, blocked: Regions, width_mm: float) -> Regions:
    """First layers with the feet of some pieces wider still, each layer within the one beneath."""
    out = feet.copy()
    within = None
    for i in range(len(feet)):
        mine = (cells.layer == i) & (widen_mm[cells.piece] > 0)
        if not mine.any():
            break
        grown = [_wider(cells.polygon[k], float(widen_mm[cells.piece[k]])) for k in np.flatnonzero(mine)]
        wide = overlay.difference(overlay.union_all(grown), blocked[i])
        within = wide if within is None else overlay.intersection(wide, within)
        out[i] = overlay.union(feet[i], within)
    return printable(out, 0.45 * width_mm)


def _thickened(
    support: Regions,
    cells: Cells,
    thicken_mm: Floats,
    blocked: Regions,
    around: Surroundings,
    reach_mm: float,
    width_mm: float,
) -> Regions:
    """Support with the slim columns of some pieces thickened, clear of the part."""
    grow = thicken_mm[cells.piece]
    mine = cells.slim & (grow > 0)
    if not mine.any():
        return support
    layer = cells.layer[mine]
    thick = offset_mitred(cells.polygon[mine], grow[mine])
    thick = areas_only(overlay.difference(thick, blocked[layer]))
    if around.free is not None:
        thick = areas_only(overlay.difference(thick, around.free[layer]))
    out = support.copy()
    for i in np.unique(layer):
        out[i] = overlay.union_all([support[i], *thick[layer == i]])
    out = printable(out, 0.45 * width_mm)
    fresh = areas_only(overlay.difference(shifted(out, 1), out))
    return carried(out, fresh, around, reach_mm, 0.9 * width_mm)


def _renumbered(brace: Brace, old: Cells, new: Cells) -> Brace:
    """Remedies of old pieces given to the new pieces that they became part of."""
    i, j = facing(old.layer, old.polygon, new.layer, new.polygon)
    moved = np.zeros((3, new.pieces))
    for row, values in zip(moved, (brace.tie_mm, brace.widen_mm, brace.thicken_mm), strict=True):
        np.maximum.at(row, new.piece[j], values[old.piece[i]])
    return Brace(np.zeros(new.pieces), moved[1], moved[2])


def _checked(draft: _Draft, around: Surroundings, stack: LayerStack, process: Process) -> StabilityCheck:
    cells = draft.cells
    down = 1 + around.gap_below_layers
    under = shifted(around.sections, -down)[cells.layer]
    scar = planar.area(overlay.intersection(cells.polygon, under))
    dense = np.maximum(planar.area(cells.polygon) - planar.area(draft.bands.body), 0.0)
    walls = [walls for walls, _ in draft.walls]
    return check_pieces(
        cells, walls, draft.closed_lines, draft.brace.tie_mm, scar, dense, stack.z_mm, process
    )


def _drawn(
    cells: Cells,
    shore: NDArray[np.bool_],
    brace: Brace,
    around: Surroundings,
    reach_mm: float,
    process: Process,
) -> _Draft:
    """Bands and walls of given cells."""
    structure, width = process.structure, process.line_width_mm
    bands = bands_of(
        cells,
        around,
        structure.interface_layers,
        structure.interface_layers_below,
        structure.foot_layers,
        0.9 * width,
    )
    closed_lines = np.where(cells.slim | shore, max(1, structure.perimeter_lines), structure.perimeter_lines)
    draft = _Draft(cells, bands, closed_lines.astype(np.int64), [], brace)
    angle, zero = structure.line_angle_deg, np.zeros(cells.pieces)
    turns = [(Role.LINE, angle)]
    if structure.weave == "crossed":
        turns.append((Role.CROSS, angle + 90.0))
    sets = ((~shore, structure.spacing_mm, False), (shore, lane_spacing_mm(process), len(turns) == 1))
    walls = [
        (
            _walls(draft, mine & ~cells.slim, Lines(*turn, spacing, zero, arched), around, reach_mm, process),
            zero,
        )
        for mine, spacing, arched in sets
        if mine.any()
        for turn in turns
    ]
    return replace(draft, walls=walls)


def _tied(draft: _Draft, tie_mm: Floats, around: Surroundings, reach_mm: float, process: Process) -> _Draft:
    """The draft with cross walls every ``tie_mm`` of each piece, counted from its middle."""
    cells, angle = draft.cells, process.structure.line_angle_deg + 90.0
    middles = piece_middles(cells, angle)
    ties = []
    for spacing in np.unique(tie_mm[tie_mm > 0]):
        chosen = ~cells.slim & (tie_mm[cells.piece] == spacing)
        lines = Lines(Role.CROSS, angle, float(spacing), middles)
        made = _walls(draft, chosen, lines, around, reach_mm, process)
        ties.append((made, middles))
    return replace(draft, walls=draft.walls + ties, brace=replace(draft.brace, tie_mm=tie_mm))


def _walls(
    draft: _Draft,
    chosen: NDArray[np.bool_],
    lines: Lines,
    around: Surroundings,
    reach_mm: float,
    process: Process,
) -> Walls:
    return walls_of(
        draft.cells,
        chosen,
        lines,
        draft.closed_lines,
        around.landings(),
        process.line_width_mm,
        reach_mm,
    )


def _pieces(
    draft: _Draft,
    check: StabilityCheck,
    need: NeedMap,
    strands: SupportStrands,
    stack: LayerStack,
    gap: Gap,
    process: Process,
) -> tuple[SupportPiece, ...]:
    cells, count = draft.cells, draft.cells.pieces
    piece, underside, contact = contacts_of(cells, need, gap)
    costs = laid_costs(
        strands.piece,
        count,
        strands.ends_mm,
        strands.layer,
        stack.heights_mm,
        process,
        process.support_speed_mm_s,
    )
    contact_of = np.bincount(piece, weights=contact, minlength=count)
    out = []
    for k in range(count):
        served = {need.undersides[u].number for u in np.unique(underside[piece == k])}
        brace = draft.brace
        out.append(
            SupportPiece(
                number=k + 1,
                undersides=tuple(sorted(served)),
                contact_mm2=float(contact_of[k]),
                foot_mm2=float(check.foot_mm2[k]),
                scar_mm2=float(check.scar_mm2[k]),
                bottom_mm=float(check.bottom_mm[k]),
                top_mm=float(check.top_mm[k]),
                slenderness=float(check.slenderness[k]),
                buckling_safety=float(check.buckling_safety[k]),
                topple_safety=float(check.topple_safety[k]),
                remedy=remedy_text(
                    float(brace.tie_mm[k]), float(brace.widen_mm[k]), float(brace.thicken_mm[k])
                ),
                weak=bool(check.weak[k]),
                cost=costs[k],
            )
        )
    return tuple(out)


def contacts_of(cells: Cells, need: NeedMap, gap: Gap) -> tuple[Indices, Indices, Floats]:
    """Pieces, undersides and the area in which one carries the other through the gap."""
    i, j = facing(need.region_layer - 1 - gap.layers, need.regions, cells.layer, cells.polygon)
    area = planar.area(overlay.intersection(need.regions[i], cells.polygon[j]))
    real = area > np.minimum(1e-3, 0.5 * planar.area(need.regions[i]))  # a tip may be less than that
    return cells.piece[j[real]], need.region_underside[i[real]], area[real]
