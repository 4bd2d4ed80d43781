"""The fit: the most probable unknowns under each law of the gap, and draws of what else is likely."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy import linalg
from scipy.special import softmax

from falsework.coupon.reading import Reading
from falsework.droop.belief import Seen
from falsework.process.settings import Material
from falsework.tuning.evidence import Floats, gathered
from falsework.tuning.model import Density
from falsework.tuning.posterior import PRIOR_POSTERIOR, Posterior
from falsework.watch import QUIET, Watch

DRAWS = 1000
_STEPS = 100
_CONVERGED = 5e-3  # gain in log density that a step still promises; the walkers settle the rest
_OFF_CENTRE = 0.5  # spread of the second starting point around the prior's centre
_SEED = 4

_WALKERS = 100
_SWEEPS, _KEPT = 80, 10  # the second half of the sweeps gives the draws, ten times each walker
_MOST = 8_000_000  # readings × walkers × sweeps; with more readings fewer sweeps are made, and fewer needed
_STAYS = 0.7  # correlation of a walker's proposal with its place
_SURE = 0.002  # a law less probable than this is left out


def fit(readings: Sequence[Reading], materials: Mapping[str, Material], *, watch: Watch = QUIET) -> Posterior:
    """What the readings teach, under both laws of the gap, each with its probability.

    Laplace's method finds the most probable unknowns (damped Newton steps from several starts) and a normal
    density around them; its evidence gives the laws' probabilities. Walkers that start from that normal
    density then correct it for what is skew: each proposes a place drawn from it, correlated with its own,
    and goes there with the probability of Metropolis and Hastings. Without readings the result is the prior.
    The same readings give the same posterior.

    Raises
    ------
    FalseworkError : a reading's material has no properties in ``materials``, or its condition lacks what its
        kind needs.
    """
    if not readings:
        return PRIOR_POSTERIOR
    cells, evidence = gathered(readings, materials)
    density = Density(cells, evidence)
    watch.at("fitting the readings", 0.0)
    centre = np.zeros(len(density.columns))
    modes = [_mode(density, False, centre)]
    modes.append(_mode(density, True, modes[0].mean))
    weights = softmax([mode.log_evidence for mode in modes])
    layers = round(DRAWS * float(weights[1])) if weights.min() > _SURE else DRAWS * int(weights[1] > 0.5)
    found = [
        _walked(density, mode, bool(k), count, watch.part(0.3 + 0.35 * k, 0.65 + 0.35 * k))
        for k, (mode, count) in enumerate(zip(modes, (DRAWS - layers, layers), strict=True))
    ]
    watch.at("readings fitted", 1.0)
    return Posterior(
        tuple(density.columns),
        np.concatenate(found),
        np.arange(DRAWS) >= DRAWS - layers,
        float(weights[1]),
        _seen(readings),
        len(readings),
    )


class Mode(NamedTuple):
    """A normal density of the unknowns under one law: mean (d,), the lower factor of its covariance (d, d),
    and the log evidence up to a constant that the laws share."""

    mean: Floats
    factor: Floats
    log_evidence: float


def _mode(density: Density, by_layers: bool, start: Floats) -> Mode:
    """The higher of the tops reached from ``start`` and from a place off the prior's centre."""
    other = _OFF_CENTRE * np.random.default_rng(_SEED).standard_normal(len(start))
    found = [_climbed(density, z, by_layers) for z in (start, other)]
    value, z, information = max(found, key=lambda one: one[0])
    root = linalg.cholesky(information, lower=True)
    factor = linalg.solve_triangular(root, np.eye(len(z)), lower=True).T
    return Mode(z, factor, value - float(np.log(np.diag(root)).sum()))


def _climbed(density: Density, z: Floats, by_layers: bool) -> tuple[float, Floats, Floats]:
    """The top reached from z: value, place, information there. Levenberg's damping, never downhill."""
    value, gradient, information = density.expanded(z, by_layers)
    damping = 0.0
    for _ in range(_STEPS):
        step = linalg.solve(information + damping * np.eye(len(z)), gradient, assume_a="pos")
        if float(step @ gradient) < _CONVERGED:
            break
        tried = float(density.values((z + step)[None], by_layers)[0])
        if tried > value:
            z = z + step
            value, gradient, information = density.expanded(z, by_layers)
            damping = 0.2 * damping if damping > 1e-2 else 0.0
        else:
            damping = max(4.0 * damping, 1.0)
            if damping > 1e12:
                break
    return value, z, information


def _walked(density: Density, mode: Mode, by_layers: bool, count: int, watch: Watch) -> Floats:
    """(count, d) draws of the unknowns under one law."""
    if count == 0:
        return np.empty((0, len(mode.mean)))
    rng = np.random.default_rng(_SEED)
    sweeps = int(np.clip(_MOST // (density.rows * _WALKERS), _KEPT, _SWEEPS))
    at = rng.standard_normal((_WALKERS, len(mode.mean)))

    def against_normal(place: Floats) -> Floats:
        value = density.values(mode.mean + place @ mode.factor.T, by_layers)
        return value + 0.5 * np.einsum("cd,cd->c", place, place)

    now = against_normal(at)
    kept = []
    for sweep in range(sweeps):
        watch.at("weighing what fits", sweep / sweeps)
        tried = _STAYS * at + np.sqrt(1 - _STAYS**2) * rng.standard_normal(at.shape)
        then = against_normal(tried)
        goes = np.log(rng.uniform(size=_WALKERS)) < then - now
        at[goes], now[goes] = tried[goes], then[goes]
        if (sweeps - 1 - sweep) % max(sweeps // (2 * _KEPT), 1) == 0:
            kept.append(at.copy())
    draws = np.concatenate(kept[-_KEPT:])
    chosen = np.sort(rng.permutation(len(draws))[:count])
    walked: Floats = mode.mean + draws[chosen] @ mode.factor.T
    return walked


def _seen(readings: Sequence[Reading]) -> dict[tuple[str, str], Seen]:
    """Where the readings of each printer and material lie."""
    at: dict[tuple[str, str], dict[str, list[tuple[float, float]]]] = defaultdict(lambda: defaultdict(list))
    invented = {(r.printer, r.material) for r in readings if r.invented}
    for r in readings:
        c = r.condition
        at[r.printer, r.material][c.kind.value].append((c.layer_height_mm, c.line_width_mm))
    return {
        group: Seen(
            {kind: tuple(h for h, _ in places) for kind, places in sorted(kinds.items())},
            {kind: tuple(w for _, w in places) for kind, places in sorted(kinds.items())},
            group in invented,
        )
        for group, kinds in sorted(at.items())
    }
