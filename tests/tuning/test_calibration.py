"""Simulation-based calibration in small: simulated printers, read and fitted; see benchmarks/calibration.py.

With 16 printers coverage is only known to about 7 points, pooled over quantities that hang together: limits
are three times that wide, enough to see an interval that is half or twice as long as it should be.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from falsework.droop.parameters import NAMES, PRIORS
from falsework.tuning import fit as fitting

PRINTERS = 16


@pytest.fixture(scope="module")
def calibration():
    path = Path(__file__).parents[2] / "benchmarks" / "calibration.py"
    spec = importlib.util.spec_from_file_location("calibration", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["calibration"] = module  # its dataclasses look there
    spec.loader.exec_module(module)
    yield module
    del sys.modules["calibration"]


@pytest.fixture(scope="module")
def ranks(calibration):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fitting, "_SWEEPS", 60)  # enough for ranks
        return calibration.simulated(calibration.LAYOUTS[0], PRINTERS)


def test_intervals_of_what_is_shown_hold_what_they_promise(calibration, ranks):
    shown = [r for name, r in ranks.items() if not name.startswith("`") and name != "law"]
    pooled = np.concatenate(shown)
    assert len(pooled) == 18 * PRINTERS
    assert 0.75 <= calibration.coverage(pooled, 0.9) <= 0.99
    assert 0.30 <= calibration.coverage(pooled, 0.5) <= 0.70
    assert 0.38 < pooled.mean() < 0.62  # no side is favoured


def test_intervals_of_parameters_hold_what_they_promise(calibration, ranks):
    pooled = np.concatenate([r for name, r in ranks.items() if name.startswith("`")])
    assert len(pooled) == len(NAMES) * PRINTERS
    assert 0.84 <= calibration.coverage(pooled, 0.9) <= 0.96
    assert 0.42 <= calibration.coverage(pooled, 0.5) <= 0.58


def test_ranks_show_a_wrong_interval(calibration):
    """The yardstick itself: intervals half as long as they should be are seen."""
    rng = np.random.default_rng(0)
    from scipy.special import ndtr

    narrow = ndtr(2 * rng.standard_normal(2000))
    assert calibration.coverage(narrow, 0.9) < 0.65
    assert calibration.evenness(narrow) < 1e-6
    assert calibration.evenness(rng.uniform(size=2000)) > 1e-3


def test_simulated_worlds_have_the_spread_of_the_prior(calibration):
    rng = np.random.default_rng(1)
    drawn = [calibration.world(calibration.LAYOUTS[0], rng) for _ in range(400)]
    at = NAMES.index("log_threshold")
    values = np.array([next(iter(world.parameters.values()))[at] for world in drawn])
    assert values.mean() == pytest.approx(PRIORS["log_threshold"].centre, abs=0.06)
    assert values.std() == pytest.approx(PRIORS["log_threshold"].sd, rel=0.12)
    assert 0.4 < np.mean([world.by_layers for world in drawn]) < 0.6
