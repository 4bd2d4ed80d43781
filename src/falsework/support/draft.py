"""Supports before they are drawn as strands: cells, bands and walls, braced where the checks ask for it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from falsework.cores import side_by_side
from falsework.droop.supported import lane_spacing_mm
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, offset_mitred
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.process.derived import Gap
from falsework.process.settings import Process
from falsework.request.store import Store
from falsework.support.cells import Bands, Cells, bands_of, cells_of, facing
from falsework.support.contacts import contacts_of
from falsework.support.scheme import Role
from falsework.support.stability import (
    LEAST_BUCKLING_SAFETY,
    Brace,
    CellAreas,
    StabilityCheck,
    check_pieces,
    foot_to_stay_mm2,
)
from falsework.support.strands import Lines, Walls, piece_middles, walls_of
from falsework.support.sweep import Surroundings, by_layer, carried, printable, shifted
from falsework.watch import QUIET, Watch

_MOST_CELLS = 20_000  # of which something is kept, of a few kB each
_ROUNDS = 2  # of widening feet: how much is needed is only reckoned
_BORE_SHARE = 0.2  # of a piece's height up to which the part around it keeps it from falling
_BORE_MM = 0.5  # more than the clearance that the part may lie away
_BORE_CLOSED = 0.9  # of the way around a piece that the part must lie beside it
_BORE_LAYERS = 6  # that are looked at
_MOST_SPREAD_MM = 8.0  # by which a foot is widened so that the piece stays on the bed


@dataclass(frozen=True, eq=False)
class SupportPlace:
    """Where supports are built: the part's layers and what of them asks, what is around, (L,) where nothing
    may be ``blocked``, and how. ``kept``: what was built there before."""

    stack: LayerStack
    need: NeedMap
    around: Surroundings
    blocked: Regions
    process: Process
    kept: Store = field(default_factory=Store, repr=False)

    @property
    def cellwise(self) -> Store:
        """What was worked out for single cells, most of which stay as they are when others are reshaped."""
        return self.kept.get("cells", lambda: Store(_MOST_CELLS))

    @property
    def reach_mm(self) -> float:
        return self.need.reach_mm

    @property
    def gap(self) -> Gap:
        return self.process.air_gap

    @property
    def gap_below(self) -> Gap:
        return self.process.air_gap_below


@dataclass(frozen=True, eq=False)
class SupportDraft:
    """``shore`` (C,) marks the cells of shores; ``closed_lines`` (C,) how many follow a cell's outline;
    ``walls`` with (pieces,) where their lines are counted from; what was done to brace them."""

    cells: Cells
    shore: NDArray[np.bool_]
    bands: Bands
    closed_lines: Indices
    walls: list[tuple[Walls, Floats]]
    brace: Brace

    def only(self, kept: NDArray[np.bool_]) -> SupportDraft:
        """The pieces kept, (pieces,), which are numbered anew in their order."""
        cells, bands = kept[self.cells.piece], self.bands
        return SupportDraft(
            self.cells.only(kept),
            self.shore[cells],
            Bands(bands.cap.only(kept), bands.sole.only(kept), bands.foot.only(kept), bands.body[cells]),
            self.closed_lines[cells],
            [(walls.only(kept), middles[kept]) for walls, middles in self.walls],
            self.brace.only(kept),
        )


def drafted(
    support: Regions, shores: Regions | None, place: SupportPlace, watch: Watch = QUIET
) -> tuple[SupportDraft, StabilityCheck]:
    """(L,) regions as they are built, with the checks of what came out.

    Around ``shores`` closed lines run, and their lanes stand as far apart as they may; they get feet as large
    as it takes to stay on the bed when the part is lifted. None: all is a curtain.
    """
    watch.at("building supports", 0.0)
    structure, process = place.process.structure, place.process
    feet = min(structure.foot_layers, len(support))
    regions = _with_feet(support, feet, place)
    cells, shore = _cells(regions, shores, process)
    draft = _banded(cells, shore, Brace(*np.zeros((3, cells.pieces))), place)
    areas = _areas(draft, place)
    watch.at("whether supports stand", 0.2)
    check = _checked(draft, areas, place)  # what reshapes a piece does not depend on its walls
    wanted = check.wanted
    if shores is not None:
        wanted = replace(wanted, widen_mm=np.maximum(wanted.widen_mm, _to_stay_mm(draft, check, place)))
    for number in range(_ROUNDS):
        if not wanted.reshapes:
            break
        watch.at("widening supports", 0.3 + 0.3 * number / _ROUNDS)
        if wanted.thicken_mm.any():
            regions = _with_feet(_thickened(support, cells, wanted.thicken_mm, place), feet, place)
        regions[:feet] = _widened(regions[:feet], cells, wanted.widen_mm, place)
        old, done = cells, draft.brace.also(wanted)
        cells, shore = _cells(regions, shores, process)
        draft = _banded(cells, shore, _renumbered(done, old, cells), place)
        areas = _areas(draft, place)
        check = _checked(draft, areas, place)
        wanted = replace(check.wanted, thicken_mm=np.zeros(cells.pieces))  # columns are as thick as they get
    watch.at("walls of supports", 0.6)
    draft = _walled(draft, place)
    watch.at("whether supports stand", 0.9)
    check = _checked(draft, areas, place)
    if check.wanted.tie_mm.any() and structure.weave == "parallel":
        draft = _tied(draft, check.wanted.tie_mm, place)
        check = _checked(draft, areas, place)
    return draft, check


def _cells(regions: Regions, shores: Regions | None, process: Process) -> tuple[Cells, NDArray[np.bool_]]:
    """Cells, and which of them are of shores: closed lines run around those, lanes apart at most."""
    width = process.line_width_mm
    slim_below_mm = 2.0 * (process.structure.spacing_mm + width)
    cells = cells_of(regions, slim_below_mm)
    if shores is None:
        return cells, np.zeros(len(cells.layer), dtype=bool)
    shore: NDArray[np.bool_] = planar.intersects(cells.polygon, shores[cells.layer])
    slim_below = np.where(shore, lane_spacing_mm(process) + 2.0 * width, slim_below_mm)
    return replace(cells, slim=cells.width_mm < slim_below), shore


def _to_stay_mm(draft: SupportDraft, check: StabilityCheck, place: SupportPlace) -> Floats:
    """(pieces,) by how much the feet of what stands on the bed alone must be wider for it to stay there when
    the part is lifted; 0 where they need not be, or cannot."""
    cells, count = draft.cells, draft.cells.pieces
    piece, _, contact = contacts_of(cells, place.need, place.gap)
    carried_mm2 = np.bincount(piece, weights=contact, minlength=count).astype(np.float64)
    wanted = foot_to_stay_mm2(carried_mm2, place.process)
    on_bed = cells.layer == 0
    outline = np.bincount(cells.piece[on_bed], weights=planar.length(cells.polygon[on_bed]), minlength=count)
    feet = np.bincount(cells.piece[on_bed], minlength=count)
    lacking = wanted - check.foot_mm2
    asks = (lacking > 0.0) & (feet > 0) & (check.scar_mm2 == 0.0)
    # by w a foot grows by its outline w and a corner's square of w at each of four corners
    corners = 4.0 * np.maximum(feet, 1)
    widen = (np.sqrt(outline**2 + 4.0 * corners * np.maximum(lacking, 0.0)) - outline) / (2.0 * corners)
    return np.where(asks & (widen <= _MOST_SPREAD_MM), widen, 0.0)


def _with_feet(support: Regions, layers: int, place: SupportPlace) -> Regions:
    """Support with its first layers, where they stand on the bed, widened but clear of the part.

    Each widened layer stays within the one beneath.
    """
    out = support.copy()
    standing = within = None
    for i in range(layers):
        standing = support[i] if standing is None else overlay.intersection(standing, support[i])
        if standing.is_empty:
            break
        wide = _wider(standing, place.process.structure.foot_widening_mm)
        wide = overlay.difference(wide, place.blocked[i])
        within = wide if within is None else overlay.intersection(wide, within)
        out[i] = overlay.union(support[i], within)
    out[:layers] = printable(out[:layers], 0.45 * place.process.line_width_mm)
    return out


def _wider(region: planar.Geometry, by_mm: float) -> planar.Geometry:
    """Grown, with square corners kept and sharper ones blunted."""
    return offset_mitred(region, by_mm, limit=1.5)


def _widened(feet: Regions, cells: Cells, widen_mm: Floats, place: SupportPlace) -> Regions:
    """First layers with the feet of some pieces wider still, each layer within the one beneath."""
    out = feet.copy()
    within = None
    for i in range(len(feet)):
        mine = (cells.layer == i) & (widen_mm[cells.piece] > 0)
        if not mine.any():
            break
        grown = [_wider(cells.polygon[k], float(widen_mm[cells.piece[k]])) for k in np.flatnonzero(mine)]
        wide = overlay.difference(overlay.union_all(grown), place.blocked[i])
        within = wide if within is None else overlay.intersection(wide, within)
        out[i] = overlay.union(feet[i], within)
    return printable(out, 0.45 * place.process.line_width_mm)


def _thickened(support: Regions, cells: Cells, thicken_mm: Floats, place: SupportPlace) -> Regions:
    """Support with the slim columns of some pieces thickened, clear of the part."""
    grow = thicken_mm[cells.piece]
    mine = cells.slim & (grow > 0)
    if not mine.any():
        return support
    around, width_mm = place.around, place.process.line_width_mm
    layer = cells.layer[mine]
    thick = offset_mitred(cells.polygon[mine], grow[mine])
    thick = areas_only(overlay.difference(thick, place.blocked[layer]))
    if around.free is not None:
        thick = areas_only(overlay.difference(thick, around.free[layer]))
    out = support.copy()
    united = by_layer(lambda i: overlay.union_all([support[i], *thick[layer == i]]), np.unique(layer))
    out[list(united)] = list(united.values())
    out = printable(out, 0.45 * width_mm)
    fresh = areas_only(overlay.difference(shifted(out, 1), out))
    return carried(out, fresh, around, place.reach_mm, 0.9 * width_mm)


def _renumbered(brace: Brace, old: Cells, new: Cells) -> Brace:
    """Remedies of old pieces given to the new pieces that they became part of."""
    i, j = facing(old.layer, old.polygon, new.layer, new.polygon)
    moved = np.zeros((3, new.pieces))
    for row, values in zip(moved, (brace.tie_mm, brace.widen_mm, brace.thicken_mm), strict=True):
        np.maximum.at(row, new.piece[j], values[old.piece[i]])
    return Brace(np.zeros(new.pieces), moved[1], moved[2])


def _areas(draft: SupportDraft, place: SupportPlace) -> CellAreas:
    cells = draft.cells
    down = 1 + place.around.gap_below_layers
    under = shifted(place.around.sections, -down)[cells.layer]

    def stood(places: list[int]) -> list[float]:
        found: list[float] = planar.area(overlay.intersection(cells.polygon[places], under[places])).tolist()
        return found

    keys = [("scar", *name) for name in cells.names]
    scar = np.array(place.cellwise.get_all(keys, stood), dtype=np.float64)
    dense = np.maximum(planar.area(cells.polygon) - planar.area(draft.bands.body), 0.0)
    return CellAreas(scar, dense)


def _checked(draft: SupportDraft, areas: CellAreas, place: SupportPlace) -> StabilityCheck:
    cells = draft.cells
    walls = [walls for walls, _ in draft.walls]
    found = check_pieces(
        cells, walls, draft.closed_lines, draft.brace.tie_mm, areas, place.stack.z_mm, place.process
    )
    return replace(found, weak=found.weak & ~_in_bores(found, cells, place))


def _in_bores(check: StabilityCheck, cells: Cells, place: SupportPlace) -> NDArray[np.bool_]:
    """(pieces,) what its foot holds, though without the margin, and cannot fall: the part is close around it
    on all sides, up to a fifth of its height."""
    process, stack = place.process, place.stack
    stocky = check.slenderness <= process.structure.wall_slenderness
    stocky &= check.buckling_safety >= LEAST_BUCKLING_SAFETY
    out: NDArray[np.bool_] = check.weak & stocky & (check.topple_safety >= 1.0)
    for k in np.flatnonzero(out).tolist():
        top_mm = _BORE_SHARE * (check.top_mm[k] - check.bottom_mm[k]) + check.bottom_mm[k]
        mine = np.flatnonzero((cells.piece == k) & (stack.z_mm[cells.layer] < top_mm))
        mine = mine[:: max(1, len(mine) // _BORE_LAYERS)]
        around = planar.boundary(
            overlay.buffer(cells.polygon[mine], process.structure.side_gap_mm + _BORE_MM)
        )
        beside = overlay.intersection(around, place.stack.regions[cells.layer[mine]])
        out[k] = bool((planar.length(beside) >= _BORE_CLOSED * planar.length(around)).all())
    return out


def _banded(cells: Cells, shore: NDArray[np.bool_], brace: Brace, place: SupportPlace) -> SupportDraft:
    """Bands of given cells, without walls yet."""
    process, structure = place.process, place.process.structure
    bands = bands_of(
        cells,
        place.around,
        structure.interface_layers,
        structure.interface_layers_below,
        structure.foot_layers,
        0.9 * process.line_width_mm,
        place.cellwise,
    )
    closed_lines = np.where(cells.slim | shore, max(1, structure.perimeter_lines), structure.perimeter_lines)
    return SupportDraft(cells, shore, bands, closed_lines.astype(np.int64), [], brace)


def _walled(draft: SupportDraft, place: SupportPlace) -> SupportDraft:
    """The draft with its walls."""
    process, structure, cells = place.process, place.process.structure, draft.cells
    angle, zero = structure.line_angle_deg, np.zeros(cells.pieces)
    turns = [(Role.LINE, angle)]
    if structure.weave == "crossed":
        turns.append((Role.CROSS, angle + 90.0))
    lanes_mm = lane_spacing_mm(process)
    sets = ((~draft.shore, structure.spacing_mm, False), (draft.shore, lanes_mm, len(turns) == 1))
    jobs = [
        partial(_walls, draft, mine & ~cells.slim, Lines(*turn, spacing, zero, arched), place)
        for mine, spacing, arched in sets
        if mine.any()
        for turn in turns
    ]
    return replace(draft, walls=[(walls, zero) for walls in side_by_side(jobs)])


def _tied(draft: SupportDraft, tie_mm: Floats, place: SupportPlace) -> SupportDraft:
    """The draft with cross walls every ``tie_mm`` of each piece, counted from its middle."""
    cells, angle = draft.cells, place.process.structure.line_angle_deg + 90.0
    middles = piece_middles(cells, angle)
    ties = []
    for spacing in np.unique(tie_mm[tie_mm > 0]):
        chosen = ~cells.slim & (tie_mm[cells.piece] == spacing)
        lines = Lines(Role.CROSS, angle, float(spacing), middles)
        ties.append((_walls(draft, chosen, lines, place), middles))
    return replace(draft, walls=draft.walls + ties, brace=replace(draft.brace, tie_mm=tie_mm))


def _walls(draft: SupportDraft, chosen: NDArray[np.bool_], lines: Lines, place: SupportPlace) -> Walls:
    return walls_of(
        draft.cells,
        chosen,
        lines,
        draft.closed_lines,
        place.around.landings(),
        place.process.line_width_mm,
        place.reach_mm,
    )
