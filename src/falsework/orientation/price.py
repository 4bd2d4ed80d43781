"""Prices of lies, all at once: what part and supports take to print, and what is spoilt or in danger.

Everything is estimated from column figures and facet sums, with no layer drawn. The part: walls from the area
of its walls (outline length = area / layer height), solid layers from its level area, the rest sparse. The
supports: as a plan expects them, of all undersides together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.cost import Rates
from falsework.kernels.bead.motion import rest_to_rest_times
from falsework.kernels.column.intervals import (
    BASE_AREA,
    BED_VOLUME,
    CONTACT_AREA,
    HEIGHT,
    LEAN_DEG,
    PART_VOLUME,
    SHOW_BED_AREA,
    SHOW_LANDING_AREA,
    SHOW_PART_AREA,
    UNREACHED_AREA,
    facet_sums,
)
from falsework.objective import (
    MINUTES_A_SCAR_CM2,
    MINUTES_BY_HAND,
    MINUTES_BY_TOOL,
    PARTS,
    SCAR,
    TOPPLE_CHANCE,
    contact_severity,
)
from falsework.objective.expected import AirColumns, Expected, expected_supports
from falsework.orientation.body import STEADY_DEG, Body
from falsework.part.part import Floats
from falsework.process import bead_section_mm2
from falsework.process.settings import Process
from falsework.request.weights import Weights

TYPICAL_DROOP_MM = 0.05  # that a carried underside is left with
BARE = 0.5  # share of its worth that an underside left alone loses, and ...
BARE_FAILS = 0.4  # ... the chance that so much ruins the part; which it is, only a plan can say (constructed)
ENTRY_SHARE = 1.06  # time of walls over length / speed: corners and starts (measured on parts of this size)
LAYER_S = 0.6  # travels and starts of a layer, s (constructed)

STANDINGS = ("leave", "bed", "bed-or-part")
MARKED = contact_severity(TYPICAL_DROOP_MM)


@dataclass(frozen=True, eq=False)
class Priced:
    """Figures in money and material, arrays over lies (d,). ``standing`` indexes ``STANDINGS``."""

    standing: Floats
    volume_mm3: Floats  # extruded, part and supports
    time_s: Floats
    support_mm3: Floats
    support_s: Floats
    parts: Floats  # (d, 9): the terms of ``objective.Price``, in order

    @property
    def total(self) -> Floats:
        total: Floats = self.parts.sum(axis=1)
        return total


def beads(process: Process) -> tuple[float, float, float]:
    """Section of a bead mm², pitch at which beads lie side by side mm, width of the band of walls mm."""
    section = bead_section_mm2(process.line_width_mm, process.layer_height_mm)
    pitch = section / process.layer_height_mm
    return section, pitch, process.wall_lines * pitch


def surface_sums(body: Body, directions: Floats, process: Process) -> Floats:
    """(d, 3) wall area mm², level area mm² and solid skin mm³ for each up direction."""
    return facet_sums(
        body.areas,
        body.normals,
        np.ascontiguousarray(directions),
        *skin_and_band(process),
    )


def skin_and_band(process: Process) -> tuple[float, float]:
    """Thickness of the solid layers above and beneath, and width of the band of walls, mm."""
    return process.solid_layers * process.layer_height_mm, beads(process)[2]


def part_estimate(
    figures: Floats, sums: Floats, volume_mm3: float | Floats, process: Process
) -> tuple[Floats, Floats]:
    """(d,) extruded volume mm³ and time s of the part itself.

    A band of b along outlines of total length P in sections of total area A takes b P − (b P)² / 4 A: exact
    for discs and squares, and for long strips where the band fills less than half of them.
    """
    h = process.layer_height_mm
    section, pitch, band = beads(process)
    whole = np.maximum(volume_mm3, 1e-9)
    wall, skin = sums[:, 0], sums[:, 2]
    x = np.minimum(band * wall / whole, 2.0)
    wall_share = x - 0.25 * x * x
    core = 1.0 - wall_share
    solid_share = np.minimum(core, core * skin / whole)
    sparse = (core - solid_share) * process.fill
    extruded = whole * (wall_share + solid_share + sparse)
    # mean chords of sections and of their solid parts (Crofton: π area / perimeter)
    chord = np.pi * whole / np.maximum(wall, 1e-9)
    around = 2.0 * sums[:, 3] + wall * np.minimum(skin / whole, 1.0)
    solid_chord = np.clip(np.pi * skin / np.maximum(around, 1e-9), pitch, np.maximum(chord, pitch))
    fill_s = _lines_s(whole * solid_share, solid_chord, pitch, process)
    fill_s += _lines_s(
        whole * sparse, np.maximum(chord - 2.0 * band, pitch), pitch / max(process.fill, 0.05), process
    )
    wall_s = ENTRY_SHARE * whole * wall_share / section / process.wall_speed_mm_s
    slow = min(process.first_layer_speed_mm_s, process.fill_speed_mm_s)
    first_s = figures[:, BASE_AREA] / pitch * (1.0 / slow - 1.0 / process.fill_speed_mm_s)
    return extruded, wall_s + fill_s + first_s + LAYER_S * figures[:, HEIGHT] / h


def _lines_s(volume_mm3: Floats, chord_mm: Floats, step_mm: float, process: Process) -> Floats:
    """(d,) time of this volume in lines of the mean length ``chord_mm`` (d,), ``step_mm`` apart."""
    speed, acceleration = process.fill_speed_mm_s, process.printer.acceleration_mm_s2
    step_s = float(rest_to_rest_times(np.array([step_mm]), speed, acceleration)[0])
    lines = volume_mm3 / (beads(process)[0] * chord_mm)
    times: Floats = lines * (rest_to_rest_times(chord_mm, speed, acceleration) + step_s)
    return times


def priced(
    figures: Floats,
    sums: Floats,
    across: Floats,
    volume_mm3: float | Floats,
    process: Process,
    weights: Weights,
) -> Priced:
    """Price (d,) lies from ``figures`` (d, FIGURES), ``sums`` (d, 4) and ``across`` (d,), load across layers.

    ``volume_mm3`` of the part; (d,) where they are lies of several. An estimate to rank by: of all undersides
    left alone, supports on the bed only with the rest left alone, and supports anywhere, the cheapest counts.
    """
    extruded, own_s = part_estimate(figures, sums, volume_mm3, process)
    gap, below = process.air_gap.realised_mm, process.air_gap_below.realised_mm
    contact, unreached = figures[:, CONTACT_AREA], figures[:, UNREACHED_AREA]
    reached, none = contact - unreached, np.zeros(len(contact))
    show_bed, show_part = figures[:, SHOW_BED_AREA], figures[:, SHOW_PART_AREA]
    bed = AirColumns(reached, np.maximum(figures[:, BED_VOLUME] - gap * reached, 0.0))
    part = AirColumns(unreached, np.maximum(figures[:, PART_VOLUME] - (gap + below) * unreached, 0.0))
    nothing = AirColumns(none, none)
    from_bed, from_both = (expected_supports(bed, other, process) for other in (nothing, part))
    marked_both = MARKED * (show_bed + show_part) + SCAR * figures[:, SHOW_LANDING_AREA]
    options = [
        _Option(Expected(none, none, none), none, contact, BARE * (show_bed + show_part)),
        _Option(from_bed, reached, unreached, MARKED * show_bed + BARE * show_part),
        _Option(from_both, contact, none, marked_both),
    ]
    topples = TOPPLE_CHANCE * np.clip(1.0 - figures[:, LEAN_DEG] / STEADY_DEG, 0.0, 1.0) ** 2
    rows = []
    for option in options:
        filament = (extruded + option.taken.volume_mm3) * weights.filament * Rates(process).price(1.0, 0.0)
        time = (own_s + option.taken.time_s) * weights.time * Rates(process).price(0.0, 1.0)
        bare = BARE_FAILS * option.left_mm2 / np.maximum(contact, 1e-9)
        spoilt_cm2 = 0.01 * (MARKED * option.carried_mm2 + BARE * option.left_mm2)
        minutes = np.where(option.taken.scar_mm2 > 0.0, MINUTES_BY_TOOL, MINUTES_BY_HAND) * (
            option.carried_mm2 > 0
        )
        minutes += 0.01 * option.taken.scar_mm2 * MINUTES_A_SCAR_CM2
        terms = {
            "filament": filament,
            "time": time,
            "finish": spoilt_cm2 * weights.finish_per_cm2,
            "scars": 0.01 * SCAR * option.taken.scar_mm2 * weights.finish_per_cm2,
            "show": 0.01 * option.show_mm2 * weights.show_per_cm2,
            "hands": minutes / 60.0 * weights.hands_per_hour,
            "risk": _odds(1.0 - (1.0 - topples) * (1.0 - bare)) * (filament + time),
            "strength": weights.strength * across,
        }
        rows.append(np.column_stack([terms.get(name, none) for name in PARTS]))
    best = np.argmin([row.sum(axis=1) for row in rows], axis=0)
    every = np.arange(len(best))
    plastic, seconds = (
        np.array(values)[best, every]
        for values in ([o.taken.volume_mm3 for o in options], [o.taken.time_s for o in options])
    )
    return Priced(
        standing=np.where(contact <= 0.0, 0, best),
        volume_mm3=extruded + plastic,
        time_s=own_s + seconds,
        support_mm3=plastic,
        support_s=seconds,
        parts=np.array(rows)[best, every],
    )


def _odds(chance: Floats) -> Floats:
    """``objective.expected_loss`` of many, for a printing that costs 1, but no more than that: what
    columns say of toppling is rough, and only a plan can say how often it would be printed again.
    """
    odds: Floats = np.minimum(chance / np.maximum(1.0 - chance, 1e-9), 1.0)
    return odds


@dataclass(frozen=True, eq=False)
class _Option:
    """One way to support a lie, arrays over lies (d,); ``show_mm2`` is show face spoilt, by share."""

    taken: Expected
    carried_mm2: Floats
    left_mm2: Floats
    show_mm2: Floats
