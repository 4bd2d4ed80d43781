"""Move times against the trapezoidal profile (plain kinematics, from memory), as worked examples."""

import numpy as np
import pytest

from falsework.kernels.bead.motion import path_times, rest_to_rest_times

# 1; 10; 50 mm at 60 mm/s and 1000 mm/s², rest to rest: worked from the trapezoidal profile, four decimals.
# The first is a triangle (2 √(s / a)), the others reach full speed (s / v + v / a).
LENGTHS_MM = np.array([1.0, 10.0, 50.0])
SECONDS = np.array([0.0632, 0.2267, 0.8933])


def test_separate_moves():
    assert rest_to_rest_times(LENGTHS_MM, 60.0, 1000.0) == pytest.approx(SECONDS, abs=5.1e-5)


def test_paths():
    points = np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 0.0), (0.0, 10.0), (0.0, 0.0), (30.0, 40.0)])
    got = path_times(points, np.array([0, 2, 4, 6]), False, np.full(3, 60.0), 1000.0, 8.0)
    assert got == pytest.approx(SECONDS, abs=5.1e-5)


@pytest.mark.parametrize("sides", [90, 360, 1440])
def test_circle_within_its_centripetal_limit(sides):
    # A circle of 20 mm radius can be run at √(a r) = 141 mm/s by the acceleration of uniform circular
    # motion, so at 60 mm/s it takes its length plus one start and stop, however finely it is divided.
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    points = 20 * np.column_stack([np.cos(turn), np.sin(turn)])
    length = sides * 40 * np.sin(np.pi / sides)
    got = path_times(points, np.array([0, sides]), True, np.array([60.0]), 1000.0, 20.0)[0]
    assert got == pytest.approx(length / 60 + 0.06, rel=1e-9)
