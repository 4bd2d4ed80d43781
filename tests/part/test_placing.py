"""Placing: exact quarter turns, order of turns, the bed, and what does not fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from falsework.errors import PartError
from falsework.part import Health, MeshFinding, fits, place
from falsework.part.placing import turn_matrix
from solids import box, part_of

BED = (220.0, 200.0)


def test_turns_are_about_fixed_axes_x_then_y_then_z():
    # Tolerance: rounding of cosines.
    for turn in [(30, 0, 0), (0, -50, 0), (0, 0, 200), (10, 20, 30), (-100, 77, 400)]:
        want = Rotation.from_euler("xyz", turn, degrees=True).as_matrix()
        assert turn_matrix(turn) == pytest.approx(want, abs=1e-14)


@pytest.mark.parametrize("turn", [(90, 0, 0), (0, 180, 0), (0, 0, 270), (-90, 450, -180), (90, 90, 90)])
def test_quarter_turns_are_exact(turn):
    matrix = turn_matrix(turn)
    assert set(np.unique(matrix)) <= {-1.0, 0.0, 1.0}
    assert not np.signbit(matrix[matrix == 0]).any()
    assert np.linalg.det(matrix) == pytest.approx(1.0, abs=1e-15)


def test_the_part_stands_on_the_middle_of_the_bed():
    part = part_of(*box((10, 20, 30), (3, -7, 12)))
    placed = place(part, bed_mm=BED)
    assert placed.bounds_mm.tolist() == [[105.0, 90.0, 0.0], [115.0, 110.0, 30.0]]
    finding = placed.health.findings[-1]
    assert finding.what == "part off the bed" and "lowered by 12.0\u00a0mm" in finding.done


def test_a_part_below_the_bed_is_raised_and_one_on_it_is_no_finding():
    low = place(part_of(*box(at=(0, 0, -4))), bed_mm=BED)
    assert "raised by 4.0\u00a0mm" in low.health.findings[-1].done
    assert place(part_of(*box()), bed_mm=BED).health.findings == ()


def test_turned_and_scaled_the_size_follows_and_the_rest_stays():
    sets = {"top": np.array([2, 3], np.int32)}
    health = Health(findings=(MeshFinding("hole", 1, "closed", (0.0, 0.0, 30.0)),))
    part = replace(part_of(*box((10, 20, 30)), health), face_sets=sets)
    placed = place(part, turn_deg=(90, 0, 0), scale=2.0, bed_mm=BED)
    assert placed.size_mm.tolist() == [20.0, 60.0, 40.0]
    assert placed.face_sets == sets and placed.faces is part.faces
    assert placed.volume_mm3 == pytest.approx(8 * 6000)
    # The place of a finding moves with the corner it pointed at: vertex 4 is (0, 0, 30).
    assert placed.health.findings[0].where_mm == pytest.approx(tuple(placed.vertices[4]))


def test_bad_turns_and_scales_are_refused():
    part = part_of(*box())
    for scale in (0.0, -1.0, float("nan"), 2e4):
        with pytest.raises(PartError, match="usable factor"):
            place(part, scale=scale, bed_mm=BED)
    with pytest.raises(PartError, match="rotation"):
        place(part, turn_deg=(0, float("inf"), 0), bed_mm=BED)


def test_what_does_not_fit_is_said_with_the_scale_that_would():
    part = part_of(*box((100, 50, 240)))
    assert fits(part, (100, 50, 240)) == []
    told = [notice.text for notice in fits(part, (80, 50, 200))]
    assert len(told) == 2
    assert told[0].startswith("along x") and "20.0\u00a0mm too long" in told[0]
    assert told[1].startswith("along z") and "40.0\u00a0mm too long" in told[1]
    assert all("80\u00a0%" in line for line in told)
    assert fits(place(part, scale=0.8, bed_mm=BED), (80, 50, 200)) == []
