"""The fit against a maintained sampler of general use, numpyro's NUTS, on the same readings."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.special import logsumexp

from falsework.coupon.conditions import support_condition
from falsework.coupon.reading import LetGo, Reading
from falsework.droop.parameters import NAMES
from falsework.tuning.evidence import gathered
from falsework.tuning.fit import _top, _walked
from falsework.tuning.model import Density
from falsework.watch import QUIET
from tuning.nuts import MATERIALS, PLA, told_apart, tray

KEPT = Path(__file__).parents[1] / "data" / "nuts.json"


@pytest.fixture(scope="module")
def density() -> Density:
    return Density(*gathered(tray(), MATERIALS))


def sampled():
    """What NUTS finds now, which takes half a minute."""
    pytest.importorskip("numpyro")
    found = subprocess.run(
        [sys.executable, "-W", "ignore", str(Path(__file__).with_name("nuts.py"))],
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
        env={**os.environ, "JAX_PLATFORMS": "cpu"},
    )
    return json.loads(found.stdout.splitlines()[-1])


def test_means_and_spreads_are_those_of_nuts(density):
    """Means to 0.3 standard deviations and spreads to a quarter, in every parameter, on average to a third of
    that. Either has an error of about 0.05 by its number of draws."""
    nuts = json.loads(KEPT.read_text("utf-8"))
    if not np.allclose(told_apart(density), nuts["density"], rtol=1e-9):  # kept of another model
        nuts = sampled()
        assert told_apart(density) == pytest.approx(nuts["density"], rel=1e-9)
    mean, sd = np.array(nuts["mean"]), np.array(nuts["sd"])
    top = _top(density, False, np.zeros(len(density.columns)))
    z = _walked(density, top, False, QUIET).draws
    drawn = density.parameters(z.T)[0].T
    free = sd > 0  # with one grader there is no strictness
    shift = (drawn.mean(axis=0) - mean)[free] / sd[free]
    ratio = np.log(drawn.std(axis=0)[free] / sd[free])
    worst = int(np.argmax(np.abs(shift)))
    names = np.array(NAMES)[free]
    assert np.abs(shift).max() < 0.3, (names[worst], shift[worst])
    assert np.abs(ratio).max() < 0.25, names[int(np.argmax(np.abs(ratio)))]
    assert np.abs(shift).mean() < 0.1 and np.abs(ratio).mean() < 0.08


def test_the_evidence_is_that_of_tempering():
    """Odds of the laws by a long way from prior to posterior (annealed importance sampling, 160 tempers, 300
    walkers, of which some 30 count), for readings at two heights. Its error is about 0.25; to 0.6."""
    thin = replace(PLA, layer_height_mm=0.1)
    readings = [r for r in tray() if r.let_go is not None] + [
        Reading("heron", "PLA", support_condition(thin, 24.0, air_gap_mm=gap), let_go)
        for gap, let_go in ((0.1, LetGo.FUSED), (0.2, LetGo.FUSED), (0.3, LetGo.SCRAPED), (0.5, LetGo.HAND))
    ]
    density = Density(*gathered(readings, MATERIALS))
    annealed, fitted = [], []
    for by_layers in (False, True):
        rng = np.random.default_rng(11)
        z = rng.standard_normal((300, len(density.columns)))
        total = np.zeros(len(z))
        now = _likelihoods(density, z, by_layers)
        tempers = np.linspace(0.0, 1.0, 161) ** 3
        for colder, hotter in pairwise(tempers):
            total += (hotter - colder) * now
            for stays in (0.85, 0.93, 0.97):
                tried = stays * z + np.sqrt(1 - stays**2) * rng.standard_normal(z.shape)
                then = _likelihoods(density, tried, by_layers)
                goes = np.log(rng.uniform(size=len(z))) < hotter * (then - now)
                z[goes], now[goes] = tried[goes], then[goes]
        annealed.append(logsumexp(total))
        top = _top(density, by_layers, np.zeros(len(density.columns)))
        fitted.append(_walked(density, top, by_layers, QUIET).log_evidence)
    assert fitted[0] - fitted[1] == pytest.approx(annealed[0] - annealed[1], abs=0.6)


def _likelihoods(density: Density, z: np.ndarray, by_layers: bool) -> np.ndarray:
    return density.values(z, by_layers) + 0.5 * np.einsum("cd,cd->c", z, z)
