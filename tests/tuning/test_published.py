"""Change point and predictive checks against examples that text books work out."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.tuning.agreement import tail_chance
from falsework.tuning.change import CLEAR, step_in

# Yearly flow of the Nile at Aswan, 1871 to 1970, 10⁸ m³: Cobb 1978, Biometrika 65:243-251 (numbers from
# memory, held against the mean that is published with them)
NILE = (
    *(1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799),
    *(958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916),
    *(692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698),
    *(845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742),
    *(801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901),
    *(1170, 912, 746, 919, 718, 714, 740),
)
# Newcomb's 66 times of light, deviations from 24,800 ns: Gelman et al., Bayesian Data Analysis, 3rd ed.,
# section 3.2 (numbers from memory, held against the mean and spread printed there)
LIGHT = (
    *(28, 26, 33, 24, 34, -44, 27, 16, 40, -2, 29, 22, 24, 21, 25, 30, 23, 29, 31, 19, 24, 20, 36, 32, 36),
    *(28, 25, 21, 28, 29, 37, 25, 28, 26, 30, 32, 36, 26, 30, 22, 36, 23, 27, 27, 28, 27, 31, 27, 26, 33),
    *(26, 32, 32, 24, 39, 28, 24, 25, 32, 25, 29, 27, 28, 29, 16, 23),
)


def test_the_nile_fell_after_1898() -> None:
    """One step, after 1898, from a mean of 1097.75 to one of 849.97 (the example of Cobb and of most that
    came after him)."""
    assert len(NILE) == 100 and np.mean(NILE) == 919.35
    step = step_in(NILE)
    assert step is not None and 1870 + step.after == 1898
    assert (step.before, step.since) == (pytest.approx(1097.75, abs=0.005), pytest.approx(849.97, abs=0.005))
    assert step.chance < 1e-9 and int(np.argmax(step.odds)) == 27
    # the years that are possible at all lie close by, as in Cobb's figure
    assert sum(step.odds[24:30]) > 0.95


def test_neither_half_of_the_nile_steps_again() -> None:
    for part in (NILE[:28], NILE[28:]):
        step = step_in(part)
        assert step is not None and step.chance > CLEAR


def test_switches_in_twenty_trials() -> None:
    """Bayesian Data Analysis, section 6.3: of a row of twenty trials with three switches, 9838 of 10,000
    made-up rows had more or as many."""
    trials = np.array([1, 1, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0])
    rng = np.random.default_rng(1)
    share = rng.beta(1 + trials.sum(), 1 + (1 - trials).sum(), 40_000)
    made = (rng.random((40_000, 20)) < share[:, None]).astype(int)
    switches = np.abs(np.diff(made, axis=1)).sum(axis=1)
    assert np.abs(np.diff(trials)).sum() == 3
    assert tail_chance(3.0, switches.astype(float)) == pytest.approx(0.9838, abs=0.004)


def test_the_times_of_light() -> None:
    """The same section: a normal model never makes up a smallest time as low as -44, but is as lopsided in
    the tails as the real times with probability 0.26, which the book took from 200 draws (error 0.03)."""
    light = np.array(LIGHT, dtype=float)
    assert len(light) == 66
    assert (light.mean(), light.std(ddof=1)) == (pytest.approx(26.2, abs=0.05), pytest.approx(10.8, abs=0.06))
    rng = np.random.default_rng(2)
    draws = 20_000
    scale = np.sqrt(65 * light.var(ddof=1) / rng.chisquare(65, draws))
    middle = light.mean() + scale / np.sqrt(66) * rng.standard_normal(draws)
    made = middle[:, None] + scale[:, None] * rng.standard_normal((draws, 66))
    assert tail_chance(44.0, -made.min(axis=1)) < 0.001

    def lopsided(times: np.ndarray) -> np.ndarray:
        ordered = np.sort(times, axis=-1)
        return np.abs(ordered[..., 60] - middle) - np.abs(ordered[..., 5] - middle)

    assert tail_chance(0.0, lopsided(made) - lopsided(light)) == pytest.approx(0.26, abs=0.07)
