"""Change points and predictive checks against the examples of textbooks.

Nile: annual flow at Aswan 1871 to 1970, 10⁸ m³. Cobb 1978, Biometrika 65:243-251, and Durbin, Koopman, Time
Series Analysis by State Space Methods, find one change, between 1898 and 1899. Speed of light: Newcomb's 66
measurements, in Gelman and others, Bayesian Data Analysis, chapter 6: a normal model fits their spread, but
in hardly any of its repetitions is the lowest value as low as the lowest that was measured. Both rows of
figures from memory; their published means are checked.
"""

from __future__ import annotations

import numpy as np
import pytest

from falsework.tuning.agreement import tail_chance
from falsework.tuning.change import CLEAR, FEWEST, SCATTER, WORTH, step_in

NILE = [
    *(1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799),
    *(958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916),
    *(692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845),
    *(744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040),
    *(860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746),
    *(919, 718, 714, 740),
]
LIGHT = [
    *(28, 26, 33, 24, 34, -44, 27, 16, 40, -2, 29, 22, 24, 21, 25, 30, 23, 29, 31, 19, 24, 20, 36, 32, 36),
    *(28, 25, 21, 28, 29, 37, 25, 28, 26, 30, 32, 36, 26, 30, 22, 36, 23, 27, 27, 28, 27, 31, 27, 26, 33),
    *(26, 32, 32, 24, 39, 28, 24, 25, 32, 25, 29, 27, 28, 29, 16, 23),
]


def test_the_nile_changed_after_1898() -> None:
    assert len(NILE) == 100 and np.mean(NILE) == pytest.approx(919.35)
    step = step_in(NILE)
    assert step is not None
    assert 1870 + step.after == 1898
    assert step.chance < 1e-10
    assert step.odds[step.after - 1] > 0.5
    assert (step.before, step.since) == (pytest.approx(1097.75), pytest.approx(849.97, abs=0.01))


def test_the_nile_since_then_did_not() -> None:
    step = step_in(NILE[28:])
    assert step is not None and step.chance > 0.05


def test_noise_hardly_ever_has_a_step() -> None:
    rng = np.random.default_rng(5)
    found = [step_in(rng.standard_normal(12).tolist()) for _ in range(2000)]
    chances = np.array([step.chance for step in found if step is not None])
    assert 0.02 < np.mean(chances <= 0.1) <= 0.11 and np.mean(chances <= 0.01) <= 0.015
    assert step_in([0.0] * (FEWEST - 1)) is None


def test_six_prints_suffice_where_their_scatter_is_known() -> None:
    changed = [-1.98, -0.83, -1.98, 1.08, 1.10, 1.08]  # two graders, then a worn nozzle
    alone, known = step_in(changed), step_in(changed, SCATTER, WORTH)
    assert alone is not None and known is not None
    assert alone.after == known.after == 3
    assert known.chance < CLEAR < alone.chance


@pytest.mark.parametrize("scatter", [0.3, 0.6, 0.9])
def test_known_scatter_does_not_cry_wolf(scatter: float) -> None:
    """Also where prints scatter by half as much again as is believed."""
    rng = np.random.default_rng(6)
    rows = scatter * rng.standard_normal((2000, 8))
    found = [step_in(row.tolist(), SCATTER, WORTH) for row in rows]
    assert np.mean([step.chance <= CLEAR for step in found if step is not None]) <= 0.015


def test_the_speed_of_light_has_a_minimum_that_no_normal_model_repeats() -> None:
    light = np.array(LIGHT, dtype=np.float64)
    assert len(light) == 66 and light.mean() == pytest.approx(26.2, abs=0.05)
    assert light.std(ddof=1) == pytest.approx(10.8, abs=0.1)
    rng = np.random.default_rng(0)
    n = len(light)
    variance = (n - 1) * light.var(ddof=1) / rng.chisquare(n - 1, 4000)
    mean = rng.normal(light.mean(), np.sqrt(variance / n))
    made = rng.normal(mean[:, None], np.sqrt(variance)[:, None], (4000, n))
    assert tail_chance(-light.min(), -made.min(axis=1)) < 0.01
    # the spread of the middle two thirds is one the model was not fitted to, the whole spread is
    assert 0.05 < tail_chance(light.var(), made.var(axis=1)) < 0.95
