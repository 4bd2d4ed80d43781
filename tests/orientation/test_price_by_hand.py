"""What is spoilt of shown faces, by hand, for each way to support a position."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.kernels.column import intervals
from falsework.objective import PARTS, SCAR
from falsework.objective.worth import MINUTES_A_SCAR_CM2, MINUTES_BY_HAND, MINUTES_BY_TOOL, TOPPLE_CHANCE
from falsework.orientation.price import BARE, MARKED, STANDINGS, priced
from falsework.process import load_process
from falsework.request.weights import Weights

PLA = load_process("pla-0.4")
BED_MM2, PART_MM2, LANDING_MM2 = 300.0, 200.0, 150.0


def cheapest(unreached_mm2: float, bed_mm3: float, part_mm3: float, weights: Weights, lean_deg: float = 90.0):
    figures = np.zeros((1, intervals.FIGURES))
    for column, value in (
        (intervals.HEIGHT, 20.0),
        (intervals.BASE_AREA, 400.0),
        (intervals.LEAN_DEG, lean_deg),
        (intervals.CONTACT_AREA, 500.0),
        (intervals.UNREACHED_AREA, unreached_mm2),
        (intervals.BED_VOLUME, bed_mm3),
        (intervals.PART_VOLUME, part_mm3),
        (intervals.SHOW_BED_AREA, BED_MM2),
        (intervals.SHOW_PART_AREA, PART_MM2),
        (intervals.SHOW_LANDING_AREA, LANDING_MM2),
    ):
        figures[0, column] = value
    sums = np.array([[2000.0, 800.0, 400.0, 100.0]])
    found = priced(figures, sums, np.zeros(1), 8000.0, PLA, weights)
    return STANDINGS[int(found.standing[0])], dict(zip(PARTS, found.parts[0], strict=True))


@pytest.mark.parametrize(
    ("case", "standing", "spoilt_mm2"),
    [
        ((200.0, 2000.0, 2000.0, 0.5), "bed-or-part", MARKED * (BED_MM2 + PART_MM2) + SCAR * LANDING_MM2),
        ((100.0, 2000.0, 9e6, 0.01), "bed", MARKED * BED_MM2 + BARE * PART_MM2),
        ((200.0, 9e6, 9e6, 1e-4), "leave", BARE * (BED_MM2 + PART_MM2)),
    ],
)
def test_shown_faces(case, standing: str, spoilt_mm2: float) -> None:
    *columns, show_per_cm2 = case
    chosen, parts = cheapest(*columns, Weights(show_per_cm2=show_per_cm2))
    assert (chosen, parts["show"] / show_per_cm2) == (standing, pytest.approx(0.01 * spoilt_mm2))


@pytest.mark.parametrize(
    ("case", "standing", "minutes"),
    [
        ((200.0, 2000.0, 2000.0, 0.5), "bed-or-part", MINUTES_BY_TOOL),
        ((100.0, 2000.0, 9e6, 0.01), "bed", MINUTES_BY_HAND),
        ((200.0, 9e6, 9e6, 1e-4), "leave", 0.0),
    ],
)
def test_what_stands_on_the_part_takes_pliers_and_cleaning(case, standing: str, minutes: float) -> None:
    *columns, show_per_cm2 = case
    weights = Weights(show_per_cm2=show_per_cm2, hands_per_hour=6.0, finish_per_cm2=0.02)
    chosen, parts = cheapest(*columns, weights)
    scar_cm2 = parts["scars"] / (SCAR * 0.02)
    assert (chosen, scar_cm2 > 0.0) == (standing, standing == "bed-or-part")
    assert parts["hands"] * 60.0 / 6.0 == pytest.approx(minutes + MINUTES_A_SCAR_CM2 * scar_cm2)


@pytest.mark.parametrize(("lean_deg", "lacking"), [(0.0, 1.0), (7.5, 0.25), (12.0, 0.04), (15.0, 0.0)])
def test_what_leans_by_fifteen_degrees_before_it_falls_stands(lean_deg: float, lacking: float) -> None:
    """All is carried, so that nothing but falling over can spoil it; no more is lost than one printing."""
    chosen, parts = cheapest(200.0, 2000.0, 2000.0, Weights(), lean_deg)
    chance = TOPPLE_CHANCE * lacking
    printing = parts["filament"] + parts["time"]
    assert chosen == "bed-or-part" and printing > 0.0
    assert parts["risk"] == pytest.approx(min(chance / (1.0 - chance), 1.0) * printing)


def test_air_no_higher_than_the_gap_takes_no_support() -> None:
    """The gap beneath what is carried from the bed; beneath and above, where both ends are the part's own."""
    gap, below = PLA.air_gap.realised_mm, PLA.air_gap_below.realised_mm
    weights = Weights(show_per_cm2=5.0)
    chosen, nothing = cheapest(200.0, 0.0, 0.0, weights)
    assert chosen == "bed-or-part"
    assert cheapest(200.0, gap * 300.0, (gap + below) * 200.0, weights) == (chosen, nothing)
    for bed_mm3, part_mm3 in ((60.0, 0.0), (0.0, 60.0)):
        chosen, more = cheapest(200.0, gap * 300.0 + bed_mm3, (gap + below) * 200.0 + part_mm3, weights)
        assert chosen == "bed-or-part" and more["filament"] > nothing["filament"]


@pytest.mark.parametrize(
    ("case", "left_mm2"),
    [
        ((200.0, 2000.0, 2000.0, 0.5), 0.0),
        ((100.0, 2000.0, 9e6, 0.01), 100.0),
        ((200.0, 9e6, 9e6, 1e-4), 500.0),
    ],
)
def test_undersides_are_spoilt_by_half_where_nothing_carries_them(case, left_mm2: float) -> None:
    """And two in five of what is left whole ruins the part, more where it may fall besides."""
    *columns, finish_per_cm2 = case
    weights = Weights(show_per_cm2=0.0, finish_per_cm2=finish_per_cm2)
    for lean_deg, lacking in ((90.0, 0.0), (7.5, 0.25)):
        _, parts = cheapest(*columns, weights, lean_deg)
        assert parts["finish"] == pytest.approx(
            0.01 * finish_per_cm2 * (MARKED * (500.0 - left_mm2) + 0.5 * left_mm2)
        )
        holds = (1.0 - TOPPLE_CHANCE * lacking) * (1.0 - 0.4 * left_mm2 / 500.0)
        printing = parts["filament"] + parts["time"]
        assert parts["risk"] == pytest.approx(min((1.0 - holds) / holds, 1.0) * printing)
