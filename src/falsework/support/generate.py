"""Supports for the undersides of a part, from where they may stand to strands, mesh and price."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from falsework.droop.supported import lane_spacing_mm
from falsework.errors import FalseworkError
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, gathered, parts
from falsework.layers.stack import LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.objective.expected import CHORD_LAYERS
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.request.store import Store
from falsework.support.cells import Dense, cells_of
from falsework.support.contacts import contacts_of
from falsework.support.design import SupportSite, designed, posts_at
from falsework.support.draft import SupportPlace
from falsework.support.making import Made, best_made, made_of
from falsework.support.scheme import SupportPiece, SupportScheme, TriedStructure
from falsework.support.solid import solid_of
from falsework.support.sparing import Spared
from falsework.support.stability import remedy_text
from falsework.support.sweep import Surroundings, Swept, shifted, support_regions, sweep_columns
from falsework.watch import QUIET, Watch
from falsework.wording.notices import Notice, WeakPieces

_MOST_BUILT = 8  # three designs and two curtains in one plan

BuildReasons = list[
    tuple[str, tuple[TriedStructure, ...]]
]  # of each piece why it is built so, and what else could be


@dataclass(frozen=True, eq=False)
class Supports:
    """Supports as they were built, of which pieces can be left out: none leans on another."""

    made: Made
    told: BuildReasons

    @cached_property
    def scheme(self) -> SupportScheme:
        pieces = _pieces(self.made, self.told, self.made.place)
        weak = tuple(piece.number for piece in pieces if piece.weak)
        return _scheme(self.made, pieces, (WeakPieces(weak),) if weak else (), self.made.place)

    def only(self, kept: NDArray[np.bool_]) -> Supports:
        """The pieces kept, (pieces,), which are numbered anew in their order."""
        return Supports(
            self.made.only(kept), [one for one, stays in zip(self.told, kept, strict=True) if stays]
        )


def build_scheme(
    stack: LayerStack,
    need: NeedMap,
    standings: Sequence[Standing],
    process: Process,
    watch: Watch = QUIET,
    *,
    spared: Spared | None = None,
) -> SupportScheme:
    """Supports for every underside that may have one: the scheme of :func:`build_supports`."""
    return build_supports(stack, need, standings, process, watch, spared=spared).scheme


def build_supports(
    stack: LayerStack,
    need: NeedMap,
    standings: Sequence[Standing],
    process: Process,
    watch: Watch = QUIET,
    *,
    spared: Spared | None = None,
    swept: Swept | None = None,
) -> Supports:
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
    kept = swept.stages
    gaps = process.air_gap.layers, process.air_gap_below.layers
    support, blocked = kept.get(
        ("regions", gaps), lambda: support_regions(swept, around, need.reach_mm, process)
    )
    built = kept.get(("built", gaps), lambda: Store(_MOST_BUILT))
    place = SupportPlace(stack, need, around, blocked, process, built)
    support = kept.get(("useful", gaps), lambda: _useful(support, place))
    if process.structure.form == "designed" and not planar.is_empty(support).all():
        watch.at("choosing what to build", 0.45)
        site = _site(support, place, kept.get(("site", gaps), Store))
        posts = posts_at(site, watch.part(0.45, 0.6))
        watch.at("shores or curtains", 0.6)
        design = designed(site, posts)
        design, made = best_made(design, place, watch.part(0.65, 1.0))
        told = design.chosen(made.draft.cells)
    else:
        made = made_of(support, None, place, watch.part(0.5, 1.0))
        told = [("", ())] * made.draft.cells.pieces
    watch.at("supports built", 1.0)
    return Supports(made, told)


def _scheme(
    made: Made, pieces: tuple[SupportPiece, ...], notes: tuple[Notice, ...], place: SupportPlace
) -> SupportScheme:
    draft, count = made.draft, place.stack.count

    def layers_of(band: Dense) -> Regions:
        return gathered(band.polygon, band.layer, count)

    body, owner = parts(draft.bands.body)
    return SupportScheme(
        gap=place.gap,
        gap_below=place.gap_below,
        pieces=pieces,
        body=gathered(body, draft.cells.layer[owner], count),
        cap=layers_of(draft.bands.cap),
        sole=layers_of(draft.bands.sole),
        foot=layers_of(draft.bands.foot),
        strands=made.strands,
        mesher=partial(
            solid_of,
            draft.cells,
            draft.bands,
            [walls for walls, _ in draft.walls],
            draft.closed_lines,
            place.stack.z_mm,
            place.process.line_width_mm,
        ),
        notes=notes,
    )


def _site(support: Regions, place: SupportPlace, kept: Store) -> SupportSite:
    """Where something cheaper than ``support`` may be built; ``kept`` of the same place before."""
    around, process = place.around, place.process
    layers = process.structure.interface_layers + CHORD_LAYERS
    free, down = around.free, -1 - around.gap_below_layers
    return SupportSite(
        stack=place.stack,
        support=support,
        heads=kept.get(
            ("heads", layers), lambda: areas_only(overlay.intersection(support, around.near_above(layers)))
        ),
        blocked=place.blocked
        if free is None
        else kept.get("blocked", lambda: areas_only(overlay.union(place.blocked, free))),
        under=shifted(around.sections, down),
        reach_mm=place.reach_mm,
        lane_spacing_mm=lane_spacing_mm(process),
        process=process,
        kept=kept,
    )


def _useful(support: Regions, place: SupportPlace) -> Regions:
    """Support without the pieces that carry nothing, those whose tops are too narrow to print end lower
    than the underside they were swept from; and without those that stand on nothing, but beside something."""
    cells, around = cells_of(support, 0.0), place.around
    useful = np.zeros(cells.pieces, dtype=bool)
    useful[contacts_of(cells, place.need, place.gap)[0]] = True
    under = shifted(around.sections, -1 - around.gap_below_layers)[cells.layer]
    stands = (cells.layer == 0) | planar.intersects(cells.polygon, under)
    useful &= np.bincount(cells.piece, weights=stands, minlength=cells.pieces) > 0
    if useful.all():
        return support
    kept = useful[cells.piece]
    return gathered(cells.polygon[kept], cells.layer[kept], len(support))


def _pieces(made: Made, told: BuildReasons, place: SupportPlace) -> tuple[SupportPiece, ...]:
    draft, check, need = made.draft, made.check, place.need
    brace, count = draft.brace, draft.cells.pieces
    (piece, underside, _), contact_mm2 = made.contacts, made.contact_mm2
    out = []
    for k in range(count):
        served = {need.undersides[u].number for u in np.unique(underside[piece == k])}
        out.append(
            SupportPiece(
                number=k + 1,
                undersides=tuple(sorted(served)),
                contact_mm2=float(contact_mm2[k]),
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
                cost=made.costs[k],
                why=told[k][0],
                others=told[k][1],
            )
        )
    return tuple(out)
