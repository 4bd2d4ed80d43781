"""``Balance``: whether the part stands at every height while it grows.

Elementary statics of a rigid body on a bonded base. It turns about an edge of the hull of all that it stands
on: its own first layer, and supports that stand on the bed once it has come to lie on them. Its weight rights
it with its distance from that edge (or tips it, beyond), the bed's bond with a stress that grows in
proportion to the distance from the edge; the nozzle pulls sideways at the layer it lays.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from falsework.cost.strands import Laying
from falsework.kernels.field.tipping import MOST, tipping
from falsework.layers import overlay, planar
from falsework.layers.polygons import offset, parts
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.process.forces import BED_BOND_MPA, GRAVITY_M_S2, LEAST_TOPPLE_SAFETY, NOZZLE_DRAG_N
from falsework.process.settings import Process
from falsework.stance.grounds import BedContact, borne_sections, of_bed, of_supports, sections_of
from falsework.stance.value import Foot, Stance
from falsework.support.scheme import SupportScheme
from falsework.support.statics import around, hulls, moments, nowhere, section_modulus

PRINTS_FROM_WIDTHS = 0.5  # a bit of the first layer narrower than so many lines is left out by any machine
FEET_MM = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0)  # rims that are tried
NECK_MM = 2.0  # above the first layer, within which a part may break off its foot
SHARP_DEG = 110.0  # corners up to this angle lift first
_CORNER_MM = 2.0  # over which the angle of a corner is taken
SOFT_MM = 10.0  # from memory: thinner plates are too soft to pull themselves off
EXPANSION_PER_K = 7e-5  # from memory: 6e-5 to 9e-5 for PLA, PETG and ABS


def _printable(regions: Regions, line_width_mm: float) -> Regions:
    """What of the first layer is wide enough to be printed."""
    radius_mm = 0.5 * PRINTS_FROM_WIDTHS * line_width_mm
    opened: Regions = overlay.buffer(overlay.buffer(regions, -radius_mm), radius_mm)
    return opened


class Balance:
    """A part's sections with their weights, ready to be held against what they stand on.

    ``plastic_mm3`` is what its own printing takes, taken to be spread evenly over its volume. Supports count
    for what they bear, not for what they hold back. A body that stands on supports alone until it joins the
    rest is not judged: no reading tells yet what an air gap holds sideways.
    """

    def __init__(self, stack: LayerStack, need: NeedMap, plastic_mm3: float, process: Process) -> None:
        self.stack, self.need, self.process = stack, need, process
        self.sections = sections = sections_of(stack)
        volume_mm3 = float(stack.areas_mm2 @ stack.heights_mm)
        weigh = process.material.density_g_cm3 * 1e-6 * GRAVITY_M_S2 * plastic_mm3 / max(volume_mm3, 1e-9)
        area = planar.area(sections.polygon)
        self.weight: Floats = area * stack.heights_mm[sections.layer] * weigh
        middle = planar.get_coordinates(planar.centroid(sections.polygon))
        self.moment: Floats = middle * self.weight[:, None]
        self.base = sections.polygon[sections.first]
        printed = _printable(self.base, process.line_width_mm)
        self.first_mm2 = float(area[sections.first].sum())
        self.printable_mm2 = float(planar.area(printed).sum())
        self.bed = of_bed(sections, printed)

    @cached_property
    def borne(self) -> Indices:
        """(N,) the section that each region of the need is the underside of."""
        return borne_sections(self.sections, self.need)

    def stance(self, scheme: SupportScheme) -> Stance:
        """How the part stands with these supports."""
        if not self.stack.count:
            return Stance(0.0, 0.0, 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, (), 0, 0.0, None)
        count = len(self.sections.polygon)
        worst = self.worst(self.bed, nowhere(count))
        held: tuple[int, ...] = ()
        borne = nowhere(count)
        if scheme.pieces and worst.topples:
            borne, pieces = of_supports(self.borne, count, self.need, scheme)
            carried = self.worst(self.bed, borne)
            held = pieces if carried.safety > worst.safety else ()
            worst = carried
        if not self.printable_mm2:  # nothing of it stands on the bed
            worst, held = replace(worst, safety=0.0, righting_nmm=0.0), ()
        corners, curl_mm = _curl(self.base, self.stack, self.process)
        made = replace(worst, held_by=held, corners=corners, curl_mm=curl_mm)
        return replace(made, foot=self.foot(borne)) if not made.stands else made

    def may_stand(self, carried: NDArray[np.bool_]) -> bool:
        """Whether the part would not topple if those undersides, (U,) yes or no, were carried to their edges:
        no support can do more."""
        if not self.printable_mm2:
            return False
        out = nowhere(len(self.sections.polygon))
        mine = carried[self.need.region_underside] & (self.borne >= 0)
        regions, owner = parts(self.need.regions[mine])
        np.maximum.at(out, self.borne[mine][owner], hulls(regions))
        return not self.worst(self.bed, out).topples

    def stands_filled(self, least: float, share: Callable[[], float]) -> bool:
        """Whether the part stands by itself if its printing takes but a share of the plastic that it was
        weighed with, ``least`` at least.

        About one edge a section is safer the heavier the part is, or less so: what two weights agree on holds
        for all between. Only where they do not is the ``share`` asked for, which takes longer than all this.
        """
        if not self.printable_mm2:
            return False
        borne = nowhere(len(self.sections.polygon))
        light, heavy = (self._tipping(self.bed, borne, each) for each in (least, 1.0))
        falls, falls_too = _safety(light) < LEAST_TOPPLE_SAFETY, _safety(heavy) < LEAST_TOPPLE_SAFETY
        if not (falls | falls_too).any():
            return True
        if (falls & falls_too & (light[:, 2] == heavy[:, 2])).any():
            return False
        return bool((_safety(self._tipping(self.bed, borne, share())) >= LEAST_TOPPLE_SAFETY).all())

    def _tipping(self, bed: BedContact, borne: Floats, share: float = 1.0) -> Floats:
        """Figures of :func:`tipping` if the part weighs a ``share`` of what it does."""
        s = self.sections
        found: Floats = tipping(
            s.layer,
            share * self.weight,
            share * self.moment,
            bed.sums,
            bed.hull,
            borne,
            s.start,
            s.lower,
            self.stack.z_mm[s.layer + 1],
            around(),
            BED_BOND_MPA,
            NOZZLE_DRAG_N,
        )
        return found

    def worst(self, bed: BedContact, borne: Floats) -> Stance:
        """The height at which the part, or a body of it, stands worst."""
        top_mm, along = self.stack.z_mm[self.sections.layer + 1], around()
        figures = self._tipping(bed, borne)
        safety = _safety(figures)
        k = int(np.argmin(safety))
        return Stance(
            first_layer_mm2=self.first_mm2,
            printable_mm2=self.printable_mm2,
            bits=len(self.sections.first),
            safety=float(min(safety[k], MOST)),
            height_mm=float(top_mm[k]),
            righting_nmm=float(figures[k, 0]),
            turning_nmm=float(figures[k, 1]),
            towards_deg=float(figures[k, 2]) * 360.0 / len(along),
            weight_n=float(self.weight.sum()),
            held_by=(),
            corners=0,
            curl_mm=0.0,
            foot=None,
        )

    def foot(self, borne: Floats) -> Foot | None:
        """The least rim around the first layer with which the part stands; none where the part would break
        off it."""
        process, height_mm = self.process, float(self.stack.heights_mm[0])
        if not self._bears_a_foot():
            return None
        for breadth_mm in FEET_MM:
            wide = offset(self.base, breadth_mm)
            then = self.worst(of_bed(self.sections, wide), borne)
            if then.safety >= LEAST_TOPPLE_SAFETY:
                more_mm2 = overlay.union_all(wide).area - self.first_mm2
                cost = Laying(process, process.first_layer_speed_mm_s).estimate(more_mm2 * height_mm)
                return Foot(breadth_mm, cost, then.safety)
        return None

    def _bears_a_foot(self) -> bool:
        """Whether the sections above the first layer bear what a foot has to: the nozzle's drag at the top
        bends them, M c / I (elementary bending) against the weld between layers, with the margin asked for
        against toppling."""
        s, z_mm = self.sections, self.stack.z_mm
        low = np.flatnonzero((s.layer > 0) & (z_mm[s.layer] < z_mm[0] + NECK_MM))
        for layer in np.unique(s.layer[low]):
            mine = s.polygon[s.layer == layer]
            modulus = section_modulus(moments(mine).sum(axis=0), hulls(mine).max(axis=0))
            arm_mm = float(z_mm[-1] - z_mm[layer])
            bears = self.process.material.weld_strength_mpa * modulus
            if bears < LEAST_TOPPLE_SAFETY * NOZZLE_DRAG_N * arm_mm:
                return False
        return True


def _safety(figures: Floats) -> Floats:
    """Righting over turning moments of each body."""
    found: Floats = figures[:, 0] / np.maximum(figures[:, 1], 1e-12)
    return found


def _curl(base: Regions, stack: LayerStack, process: Process) -> tuple[int, float]:
    """Sharp corners of the first layer, and how far the worst of them would curl up if nothing held it.

    A strip of which the upper half shrinks by the strain e and the lower does not bends to the curvature
    1.5 e / h over its height h (equal halves; Timoshenko 1925, Analysis of bi-metal thermostats, J. Opt. Soc.
    Am. 11(3):233); its end, a length l away, lifts by curvature l² / 2. The strain is what the plastic
    shrinks by from where it sets down to the middle of bed and room.
    """
    material = process.material
    mean_c = 0.5 * (material.bed_temperature_c + process.room_temperature_c)
    strain = EXPANSION_PER_K * max(material.glass_temperature_c - mean_c, 0.0)
    height_mm = max(float(stack.z_mm[-1] - stack.z_mm[0]), SOFT_MM)
    rings, _ = parts(base)
    count, worst = 0, 0.0
    for polygon in rings:
        hull = polygon.convex_hull
        if hull.geom_type != "Polygon":
            continue
        outline = planar.simplify(hull, 0.25 * _CORNER_MM)
        points = planar.get_coordinates(outline)[:-1]
        before, after = np.roll(points, 1, axis=0) - points, np.roll(points, -1, axis=0) - points
        lengths = np.hypot(*before.T) * np.hypot(*after.T)
        cosine = np.sum(before * after, axis=1) / np.maximum(lengths, 1e-12)
        sharp = cosine > math.cos(math.radians(SHARP_DEG))
        away = np.hypot(*(points - planar.get_coordinates(polygon.centroid)).T)
        count += int(sharp.sum())
        if sharp.any():
            worst = max(worst, float(away[sharp].max()))
    return count, 1.5 * strain / max(height_mm, 1e-9) * worst**2 / 2.0
