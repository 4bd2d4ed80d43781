"""Plastic and time of the part itself, reckoned again with plain numbers; lines and layers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from falsework.kernels.column import intervals
from falsework.orientation.price import ENTRY_SHARE, LAYER_S, beads, part_estimate, skin_and_band
from falsework.process import bead_section_mm2, load_process

PLA = load_process("pla-0.4")


def from_rest(mm: float) -> float:
    """Seconds of a stretch from rest to rest."""
    speed, acceleration = PLA.fill_speed_mm_s, PLA.printer.acceleration_mm_s2
    if mm < speed * speed / acceleration:
        return 2.0 * math.sqrt(mm / acceleration)
    return mm / speed + speed / acceleration


def test_beads_lie_as_near_as_their_section_asks() -> None:
    section, pitch, band = beads(PLA)
    assert section == bead_section_mm2(PLA.line_width_mm, PLA.layer_height_mm)
    assert pitch == pytest.approx(section / PLA.layer_height_mm)
    assert band == pytest.approx(PLA.wall_lines * pitch)
    assert skin_and_band(PLA) == (PLA.solid_layers * PLA.layer_height_mm, band)


# a cube of 40 mm; a plate whose skins are all there is; a wall that its outlines fill
SOLIDS = [
    (64000.0, 40.0, 1600.0, (6400.0, 0.0, 3200.0, 160.0)),
    (16000.0, 2.0, 8000.0, (720.0, 0.0, 16000.0, 360.0)),
    (800.0, 20.0, 40.0, (1640.0, 0.0, 60.0, 80.0)),
]


@pytest.mark.parametrize(("volume", "height", "base", "sums"), SOLIDS)
def test_walls_skins_and_fill(volume: float, height: float, base: float, sums: tuple[float, ...]) -> None:
    """``sums``: outlines of all sections mm², across, solid layers mm³, their outlines mm²."""
    figures = np.zeros((1, intervals.FIGURES))
    figures[0, intervals.HEIGHT], figures[0, intervals.BASE_AREA] = height, base
    section, pitch, band = beads(PLA)
    wall, skin, rim = sums[0], sums[2], sums[3]
    filled = min(band * wall / volume, 2.0)
    walls = filled - filled**2 / 4.0
    solid = min(1.0 - walls, (1.0 - walls) * skin / volume)
    sparse = (1.0 - walls - solid) * PLA.fill
    chord = math.pi * volume / wall
    around = 2.0 * rim + wall * min(skin / volume, 1.0)
    solid_chord = min(max(math.pi * skin / around, pitch), max(chord, pitch))

    def lines(mm3: float, long: float, apart: float) -> float:
        return mm3 / (section * long) * (from_rest(long) + from_rest(apart))

    seconds = lines(volume * solid, solid_chord, pitch)
    seconds += lines(volume * sparse, max(chord - 2.0 * band, pitch), pitch / max(PLA.fill, 0.05))
    seconds += ENTRY_SHARE * volume * walls / section / PLA.wall_speed_mm_s
    slow = min(PLA.first_layer_speed_mm_s, PLA.fill_speed_mm_s)
    seconds += base / pitch * (1.0 / slow - 1.0 / PLA.fill_speed_mm_s)
    seconds += LAYER_S * height / PLA.layer_height_mm
    plastic, time = part_estimate(figures, np.array([sums]), volume, PLA)
    assert float(plastic[0]) == pytest.approx(volume * (walls + solid + sparse))
    assert float(time[0]) == pytest.approx(seconds)
