"""The fit: the most probable unknowns under each law of the gap, and a normal density around them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
from scipy import linalg

from falsework.coupon.reading import Reading
from falsework.droop.belief import Seen
from falsework.droop.bond import LAWS
from falsework.process.settings import Material
from falsework.tuning.evidence import Floats, gathered
from falsework.tuning.model import Density
from falsework.tuning.posterior import Mode, Posterior
from falsework.watch import QUIET, Watch

_STEPS = 100
_CONVERGED = 1e-9  # gain in log density that a full step still promises
_STARTS = (0.0, 0.5)  # spread of the starting points around the prior's centre
_SEED = 4


def fit(readings: Sequence[Reading], materials: Mapping[str, Material], *, watch: Watch = QUIET) -> Posterior:
    """What the readings teach, under both laws of the gap, each with its probability.

    Laplace's method: the mode by damped Newton steps from several starts, the covariance from the curvature
    there, the laws' probabilities from the evidence of each. Without readings it is the prior.

    Raises
    ------
    FalseworkError : a reading's material has no properties in ``materials``, or its condition lacks what its
        kind needs.
    """
    cells, evidence = gathered(readings, materials)
    density = Density(cells, evidence)
    modes = []
    for k, _ in enumerate(LAWS):
        watch.at("fitting the readings", k / len(LAWS))
        modes.append(_mode(density, by_layers=bool(k)))
    watch.at("readings fitted", 1.0)
    return Posterior.of(density.columns, modes, _seen(readings), len(readings))


def _mode(density: Density, by_layers: bool) -> Mode:
    rng = np.random.default_rng(_SEED)
    found = [
        _climbed(density, spread * rng.standard_normal(len(density.columns)), by_layers) for spread in _STARTS
    ]
    value, z, information = max(found, key=lambda one: one[0])
    factor = linalg.cholesky(information, lower=True)
    covariance = linalg.cho_solve((factor, True), np.eye(len(z)))
    return Mode(z, 0.5 * (covariance + covariance.T), value - float(np.log(np.diag(factor)).sum()))


def _climbed(density: Density, z: Floats, by_layers: bool) -> tuple[float, Floats, Floats]:
    """The top reached from z: value, place, information there. Levenberg's damping, never downhill."""
    value, gradient, information = density.expanded(z, by_layers)
    damping = 0.0
    for _ in range(_STEPS):
        step = linalg.solve(information + damping * np.eye(len(z)), gradient, assume_a="pos")
        if float(step @ gradient) < _CONVERGED:
            break
        tried = density.value(z + step, by_layers)
        if np.isfinite(tried) and tried > value:
            z = z + step
            value, gradient, information = density.expanded(z, by_layers)
            damping *= 0.2
            damping = 0.0 if damping < 1e-3 else damping
        else:
            damping = max(4.0 * damping, 1.0)
            if damping > 1e12:
                break
    return value, z, information


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
