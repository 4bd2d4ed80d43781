"""What is spoilt of shown faces, by hand, for each way to support a position."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.kernels.column import intervals
from falsework.objective import PARTS, SCAR
from falsework.orientation.price import BARE, MARKED, STANDINGS, priced
from falsework.process import load_process
from falsework.request.weights import Weights

PLA = load_process("pla-0.4")
BED_MM2, PART_MM2, LANDING_MM2 = 300.0, 200.0, 150.0


def of(unreached_mm2: float, bed_mm3: float, part_mm3: float, show_per_cm2: float):
    figures = np.zeros((1, intervals.FIGURES))
    for column, value in (
        (intervals.HEIGHT, 20.0),
        (intervals.BASE_AREA, 400.0),
        (intervals.LEAN_DEG, 90.0),
        (intervals.CONTACT_AREA, 500.0),
        (intervals.UNREACHED_AREA, unreached_mm2),
        (intervals.BED_VOLUME, bed_mm3),
        (intervals.PART_VOLUME, part_mm3),
        (intervals.SHOW_BED_AREA, BED_MM2),
        (intervals.SHOW_PART_AREA, PART_MM2),
        (intervals.SHOW_LANDING_AREA, LANDING_MM2),
    ):
        figures[0, column] = value
    weights = Weights(show_per_cm2=show_per_cm2)
    sums = np.array([[2000.0, 800.0, 400.0, 100.0]])
    found = priced(figures, sums, np.zeros(1), 8000.0, PLA, weights)
    return STANDINGS[int(found.standing[0])], found.parts[0, PARTS.index("show")] / show_per_cm2


@pytest.mark.parametrize(
    ("case", "standing", "spoilt_mm2"),
    [
        ((200.0, 2000.0, 2000.0, 0.5), "bed-or-part", MARKED * (BED_MM2 + PART_MM2) + SCAR * LANDING_MM2),
        ((100.0, 2000.0, 9e6, 0.01), "bed", MARKED * BED_MM2 + BARE * PART_MM2),
        ((200.0, 9e6, 9e6, 1e-4), "leave", BARE * (BED_MM2 + PART_MM2)),
    ],
)
def test_shown_faces(case, standing: str, spoilt_mm2: float) -> None:
    chosen, spoilt_cm2 = of(*case)
    assert (chosen, spoilt_cm2) == (standing, pytest.approx(0.01 * spoilt_mm2))
