"""A membrane: one layer across a stepped hole's bore, so that its ceiling bridges; cut out afterwards."""

from __future__ import annotations

from falsework.layers import overlay
from falsework.layers.polygons import offset_mitred
from falsework.need.underside import UndersideKind
from falsework.redrawing.body.solids import prism
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal, Region
from falsework.redrawing.changes.sparing import prism_touches_spared
from falsework.redrawing.site.ceiling import SectionTrial, ceiling_of, flat_mm, sections_near
from falsework.redrawing.site.stepped import stepped_hole
from falsework.redrawing.site.value import UndersideSite
from falsework.watch import QUIET, Watch

OVERLAP_MM = 0.1  # into the bore's wall
BY_HAND = (
    "Cut the membrane out of the bore with a knife: clamp the part, cut away from your body and your other "
    "hand, and wear eye protection"
)


def membrane(site: UndersideSite, watch: Watch = QUIET) -> Draft | Refusal:
    """One whole layer across the bore, at the height of the ceiling, which then bridges from wall to wall."""
    ground = site.ground
    if site.underside.kind is UndersideKind.HOLDS:
        return _refusal(site, "it prints unaided")
    watch.at("looking for a stepped hole", 0.1)
    ceiling = ceiling_of(site)
    hole = stepped_hole(ground, ceiling) if ceiling.flat else None
    if hole is None:
        return _refusal(site, "it is not the flat ceiling of a stepped hole")
    z_mm = ground.stack.z_mm
    low_mm, high_mm = flat_mm(ground, ceiling), float(z_mm[hole.layer + 1])
    watch.at("trying the membrane", 0.4)
    first, last = int(ceiling.layers[0]) - 1, min(int(ceiling.layers[-1]) + 1, ground.stack.count - 1)
    sections = sections_near(ground, first, last, hole.wide)
    sections[hole.layer - first] = overlay.union(sections[hole.layer - first], hole.bore)
    tried = SectionTrial(site, first, sections, hole.wide)
    if not tried.settled:
        return _refusal(
            site,
            f"even closed, the ceiling would not bridge cleanly, as up to {ground.span_mm:.1f} mm does",
            "Try ribs or fins, or support it",
        )
    seat = offset_mitred(hole.bore, OVERLAP_MM)
    if prism_touches_spared(ground, seat, low_mm, high_mm):
        return _refusal(
            site,
            "the membrane would touch a face that must stay as it is",
            "Take the bore from the faces to keep: the membrane leaves a seam of one layer in it",
        )
    thick_mm = high_mm - low_mm
    words = (
        f"a membrane {thick_mm:.2f} mm thick (one layer) closes the bore of {hole.bore.area:.1f} mm²: the "
        f"ceiling bridges {tried.span_mm:.1f} mm from wall to wall"
    )
    added = (Region("membrane", prism(seat, low_mm, high_mm)),)
    return Draft(
        ChangeKind.MEMBRANE,
        site.underside.number,
        words,
        added=added,
        by_hand=BY_HAND,
        breaks=1,
        trim_mm=float(hole.bore.length),
    )


def _refusal(site: UndersideSite, why: str, cure: str = "") -> Refusal:
    return Refusal(ChangeKind.MEMBRANE, site.underside.number, why, cure)
