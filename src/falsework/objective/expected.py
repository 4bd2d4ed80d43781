"""What supports are expected to take before any is built: a curtain or shores, whichever is the cheaper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from falsework.arrays import Floats
from falsework.cost import Laying, Rates
from falsework.droop.supported import lane_spacing_mm
from falsework.process import bead_section_mm2
from falsework.process.forces import BED_BOND_MPA, THINNEST_WIDTHS, bending_side_mm, standing_side_mm
from falsework.process.settings import Process

BAYS_MM = (40.0, 80.0)  # sides of bays, one post each
LEAN_SHARE = 0.9  # of what holds by itself, by which a shore's edge moves in a layer
PATH_S = 0.35  # from memory: getting to a strand or a closed line, and up to speed
SHORE_S = 1.4  # of a shore in a layer: the way there, its paths and corners (measured on supports as built)
CHORD_LAYERS = 2  # layers beneath a shore's cap that stay as wide as it
_DEPTHS = np.linspace(0.0, 1.0, 9)  # of a shore, at which it is measured


@dataclass(frozen=True, eq=False)
class AirColumns:
    """Columns of air under what is to be carried, gaps taken off, arrays alike: their area, their volume as
    if filled, and the extent of the underside (0: that of a square)."""

    area_mm2: Any
    volume_mm3: Any
    extent_mm: Any = 0.0

    @property
    def height_mm(self) -> Floats:
        """Mean."""
        height: Floats = np.asarray(self.volume_mm3, float) / np.maximum(self.area_mm2, 1e-9)
        return height

    @property
    def sides_mm(self) -> tuple[Floats, Floats]:
        """Of a rectangle as long as the extent, at least of a square."""
        area = np.asarray(self.area_mm2, float)
        long = np.maximum(self.extent_mm, np.sqrt(area))
        return long, area / np.maximum(long, 1e-9)


@dataclass(frozen=True, eq=False)
class Expected:
    """What a support takes: plastic, time, and the part that its feet mark; arrays alike."""

    volume_mm3: Floats
    time_s: Floats
    scar_mm2: Floats


def expected_supports(bed: AirColumns, part: AirColumns, process: Process) -> Expected:
    """What supports take that carry columns down to the ``bed`` and down to the ``part``.

    As they will be built: with ``form`` designed the cheaper of a curtain and of shores.
    """
    built = _Forms(process)
    best = built.curtain(bed, part)
    if process.structure.form == "designed":
        for side in BAYS_MM:
            best = built.cheaper(best, built.shores(bed, part, side))
    return best


@dataclass(frozen=True, slots=True)
class _Forms:
    """What either form of supports takes with a process."""

    process: Process

    def cheaper(self, one: Expected, other: Expected) -> Expected:
        take = self._price(other) < self._price(one)
        return Expected(
            np.where(take, other.volume_mm3, one.volume_mm3),
            np.where(take, other.time_s, one.time_s),
            np.where(take, other.scar_mm2, one.scar_mm2),
        )

    def _price(self, taken: Expected) -> Floats:
        rates = Rates(self.process)
        price: Floats = rates.price(1.0, 0.0) * taken.volume_mm3 + rates.price(0.0, 1.0) * taken.time_s
        return price

    def _seconds_mm3(self) -> float:
        return Laying(self.process, self.process.support_speed_mm_s).estimate(1.0).time_s

    def curtain(self, bed: AirColumns, part: AirColumns) -> Expected:
        """Straight down, filled with lines.

        Body: lines at the structure's spacing (twice for a grid) and its closed perimeter lines; interface
        layers above everything carried and beneath what stands on the part; the foot's widening, dense,
        around what stands on the bed. The outline is that of a rectangle as long as the area over the
        underside's extent, at least that of a disc. The side gap is not taken off: the estimate is a little
        high beside steep walls.
        """
        process = self.process
        structure, h_mm = process.structure, process.layer_height_mm
        area = np.asarray(bed.area_mm2 + part.area_mm2, float)
        whole = np.maximum(area, 1e-9)
        filled = np.asarray(bed.volume_mm3 + part.volume_mm3, float)
        cap = np.minimum(filled, area * structure.interface_layers * h_mm)
        sole = np.minimum(filled - cap, part.area_mm2 * structure.interface_layers_below * h_mm)
        outline = 2.0 * np.sqrt(np.pi * area)
        extent = np.asarray(bed.extent_mm, float)
        long = 2.0 * (extent + area / np.maximum(extent, 1e-9))
        outline = np.where(extent > 0.0, np.maximum(outline, long), outline)
        sets = 2 if structure.weave == "crossed" else 1
        line_mm = bead_section_mm2(process.line_width_mm, h_mm) / h_mm  # as wide as a square-edged one
        share = sets * line_mm / structure.spacing_mm + structure.perimeter_lines * line_mm * outline / whole
        body = (filled - cap - sole) * np.minimum(1.0, share)
        foot = outline * bed.area_mm2 / whole * structure.foot_widening_mm * structure.foot_layers * h_mm
        plastic = np.where(filled > 0.0, cap + sole + body + foot, 0.0)
        rate = self._seconds_mm3()
        return Expected(plastic, plastic * rate, np.asarray(part.area_mm2, float) + np.zeros_like(area))

    def shores(self, bed: AirColumns, part: AirColumns, side_mm: float) -> Expected:
        """Drawn together downwards, bay by bay, into posts."""
        one, other = self._stood(bed, side_mm), self._stood(part, side_mm)
        scar = np.minimum(other.scar_mm2, part.area_mm2)
        return Expected(one.volume_mm3 + other.volume_mm3, one.time_s + other.time_s, scar)

    def _stood(self, columns: AirColumns, side_mm: float) -> Expected:
        """Shores beneath some columns: a cap and what is as wide beneath it, edges that lean inwards until
        they are as near as those of a post, the post, its foot. ``scar_mm2`` of the feet."""
        process = self.process
        structure, h_mm = process.structure, process.layer_height_mm
        area, height = np.asarray(columns.area_mm2, float), columns.height_mm
        long, broad = columns.sides_mm
        many_long, many_broad = np.maximum(np.ceil(np.stack([long, broad]) / side_mm - 0.3), 1.0)
        posts = many_long * many_broad
        long, broad = long / many_long, broad / many_broad
        post = np.maximum(bending_side_mm(height, process), standing_side_mm(height, BED_BOND_MPA))
        post = np.maximum(post, THINNEST_WIDTHS * process.line_width_mm)
        steep = 2.0 * LEAN_SHARE * process.reach_mm / h_mm  # of width lost a mm of height, both edges
        shape = (len(_DEPTHS),) + (1,) * height.ndim
        depth = np.maximum(_DEPTHS.reshape(shape) * height - CHORD_LAYERS * h_mm, 0.0)
        at_long = np.maximum(long - steep * depth, np.minimum(long, post))
        at_broad = np.maximum(broad - steep * depth, post)
        section, lanes = bead_section_mm2(process.line_width_mm, h_mm), lane_spacing_mm(process)
        inside = np.where(np.minimum(at_long, at_broad) > 0.5 * lanes, 0.5 * at_long * at_broad / lanes, 0.0)
        lines = posts * (2.0 * (at_long + at_broad) + inside).mean(axis=0)
        layers = np.ceil(height / h_mm)
        foot = posts * at_long[-1] * at_broad[-1]
        wide = posts * (at_long[-1] + 2.0 * structure.foot_widening_mm)
        wide = wide * (at_broad[-1] + 2.0 * structure.foot_widening_mm)
        dense = area * structure.interface_layers * h_mm + wide * structure.foot_layers * h_mm
        plastic = lines * section * layers + dense
        rate = self._seconds_mm3()
        seconds = plastic * rate + SHORE_S * posts * layers
        some = area > 0.0
        return Expected(*(np.where(some, values, 0.0) for values in (plastic, seconds, foot)))
