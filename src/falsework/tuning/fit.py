"""The fit: the most probable unknowns under each law of the gap, and draws of what else is likely."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy import linalg
from scipy.special import logsumexp, softmax

from falsework.coupon.reading import Reading
from falsework.droop.belief import Seen
from falsework.process.settings import Material
from falsework.tuning.evidence import Floats, Taken, gathered
from falsework.tuning.model import Density
from falsework.tuning.posterior import PRIOR_POSTERIOR, Posterior
from falsework.watch import QUIET, Watch

DRAWS = 1000
_STEPS = 100
_CONVERGED = 5e-3  # gain in log density that a step still promises; the walkers settle the rest
_OFF_CENTRE = 0.5  # spread of the second starting point around the prior's centre
_SEED = 4

_WALKERS = 100
_SWEEPS, _FEWEST, _KEPT = 480, 20, DRAWS // _WALKERS
_MOST = 3_000_000  # readings × walkers × sweeps; with more readings fewer sweeps are made, and fewer needed
_LEAST, _MOST_STRETCH = 0.5, 4.0  # of the curvature's spread, in one go
_STAYS = 0.8  # correlation of a walker's proposal with its place


def fit_readings(
    readings: Sequence[Reading],
    materials: Mapping[str, Material],
    *,
    taken: Sequence[Taken] | None = None,
    watch: Watch = QUIET,
) -> Posterior:
    """What the readings teach, under both laws of the gap, each with its probability.

    ``taken`` tells how each reading was taken: its print, who graded it, and how many events at the machine
    ago. What a print or a grader has of its own is told apart from what the machine does.

    Laplace's method finds the most probable unknowns (damped Newton steps from two starts) and a normal
    density around them. Walkers that start from it correct what is skew: each proposes a place drawn from
    the normal density, correlated with its own (Neal 1999, Bayesian Statistics 6:475-501; from memory), and
    goes there with the probability of Metropolis and Hastings. What they find against what the normal
    density says gives the evidence for each law, and with it the laws' probabilities. Without readings the
    result is the prior. The same readings give the same posterior.

    Raises
    ------
    FalseworkError : a reading's material has no properties in ``materials``, or its condition lacks what its
        kind needs.

    Examples
    --------
    >>> import falsework
    >>> tried = falsework.Condition("bridge", 0.4, 0.2, 0.45, 210, 1.0, 30, span_mm=25)
    >>> read = falsework.Reading("mole", "PLA", tried, droop_mm=0.3)
    >>> falsework.fit_readings([read], {"PLA": falsework.Material()}).count
    1
    """
    if not readings:
        return PRIOR_POSTERIOR
    cells, evidence = gathered(readings, materials, taken)
    density = Density(cells, evidence)
    watch.at("fitting the readings", 0.0)
    centre = np.zeros(len(density.columns))
    other = _OFF_CENTRE * np.random.default_rng(_SEED).standard_normal(len(centre))
    top = _top(density, False, centre, other)
    at_top = {law: float(density.values(top.mean[None], law)[0]) for law in (False, True)}
    walks = [_walked(density, top, False, watch.part(0.4, 0.7))]
    if at_top[False] == at_top[True]:  # nothing was read at which the laws differ
        walks *= 2
    else:
        walks.append(_walked(density, _top(density, True, top.mean), True, watch.part(0.7, 1.0)))
    weights = softmax([walk.log_evidence for walk in walks])
    layers = round(DRAWS * float(weights[1]))
    # where the laws agree both walks are one: each gives other draws, so that none is there twice
    order = np.random.default_rng(_SEED).permutation(DRAWS)
    parts = np.sort(order[: DRAWS - layers]), np.sort(order[DRAWS - layers :])
    found = [walk.draws[part] for walk, part in zip(walks, parts, strict=True)]
    watch.at("readings fitted", 1.0)
    return Posterior(
        tuple(density.columns),
        np.concatenate(found),
        np.arange(DRAWS) >= DRAWS - layers,
        float(weights[1]),
        _seen(readings),
        len(readings),
    )


class LawMode(NamedTuple):
    """The most probable unknowns under one law, mean (d,), and the normal density around them by its
    curvature there: the lower factor of its covariance (d, d)."""

    mean: Floats
    factor: Floats


def _top(density: Density, by_layers: bool, *starts: Floats) -> LawMode:
    """The highest of the tops reached from the starts."""
    found = [_climbed(density, z, by_layers) for z in starts]
    _, z, information = max(found, key=lambda one: one[0])
    root = linalg.cholesky(information, lower=True)
    return LawMode(z, linalg.solve_triangular(root, np.eye(len(z)), lower=True).T)


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


class Walk(NamedTuple):
    """Draws of the unknowns under one law (``DRAWS``, d), and the log evidence of that law."""

    draws: Floats
    log_evidence: float


def _walked(density: Density, top: LawMode, by_layers: bool, watch: Watch) -> Walk:
    """Walkers start from the normal density, which is moved and stretched to where they went, twice; then
    they walk on, and ten times in the second half of that their places are kept."""
    rng = np.random.default_rng(_SEED)
    walkers = Walkers(density, top, by_layers, rng)
    sweeps = int(np.clip(_MOST // (density.rows * _WALKERS), _FEWEST, _SWEEPS))
    learning = max(sweeps // 4, 4)
    for k in range(2):
        places = []
        for sweep in range(learning):
            watch.at("finding what fits best", (k * learning + sweep) / (2 * learning + sweeps))
            walkers.step()
            if 2 * sweep >= learning:
                places.append(walkers.at.copy())
        walkers.fit_to(np.concatenate(places))
    kept, kept_excess, strewn = [], [], []
    for sweep in range(sweeps):
        watch.at("finding what fits best", (2 * learning + sweep) / (2 * learning + sweeps))
        walkers.step()
        if (sweeps - 1 - sweep) % max(sweeps // (2 * _KEPT), 1) == 0:
            kept.append(walkers.at.copy())
            kept_excess.append(walkers.excess.copy())
            strewn.append(walkers.excess_at(rng.standard_normal(walkers.at.shape)))
    draws = walkers.around.mean + np.concatenate(kept[-_KEPT:]) @ walkers.around.factor.T
    ratio = _bridged(np.concatenate(kept_excess[-_KEPT:]), np.concatenate(strewn))
    return Walk(draws, ratio + float(np.log(np.diag(walkers.around.factor)).sum()))


class Walkers:
    """Places that follow the density under one law: steps that leave a normal density as it is, taken with
    the probability that turns it into the one wanted.

    ``around`` is that normal density; ``at`` (walkers, d) the places in its own coordinates, in which it is
    standard; ``excess`` (walkers,) the log of how much more probable each is than that.
    """

    def __init__(self, density: Density, around: LawMode, by_layers: bool, rng: np.random.Generator) -> None:
        self._density, self._by_layers, self._rng = density, by_layers, rng
        self.around = around
        self.at: Floats = rng.standard_normal((_WALKERS, len(around.mean)))
        self.excess = self.excess_at(self.at)

    def excess_at(self, place: Floats) -> Floats:
        """Log of how much more probable places (c, d) are than the normal density says."""
        value = self._density.values(self.around.mean + place @ self.around.factor.T, self._by_layers)
        return value + 0.5 * np.einsum("cd,cd->c", place, place)

    def step(self) -> None:
        """Each proposes a place correlated with its own and goes there by Metropolis and Hastings."""
        fresh = self._rng.standard_normal(self.at.shape)
        tried = _STAYS * self.at + np.sqrt(1 - _STAYS**2) * fresh
        then = self.excess_at(tried)
        goes = np.log(self._rng.uniform(size=len(self.at))) < then - self.excess
        self.at[goes], self.excess[goes] = tried[goes], then[goes]

    def fit_to(self, places: Floats) -> None:
        """Move and stretch the normal density, axis by axis, to where ``places`` (n, d) lie: the curvature at
        the top knows nothing of skew and tails (adaptive Metropolis: Haario, Saksman, Tamminen 2001,
        Bernoulli 7:223-242; from memory)."""
        middle, spread = places.mean(axis=0), np.clip(places.std(axis=0), _LEAST, _MOST_STRETCH)
        mean, factor = self.around
        self.at = (self.at - middle) / spread
        self.around = LawMode(mean + factor @ middle, factor * spread)
        self.excess = self.excess_at(self.at)


def _bridged(walked: Floats, strewn: Floats) -> float:
    """Log of the ratio of two integrals from the log of their integrands' ratio at draws of either.

    Bridge sampling: Meng, Wong 1996, Statistica Sinica 6:831-860 (from memory), repeated until it stands. No
    single place can rule it, as it can in importance sampling.
    """
    share = len(walked) / (len(walked) + len(strewn))
    ratio = float(np.median(walked))
    for _ in range(200):
        # log of s₁ l + s₂ r at the draws of both
        mixed = [np.logaddexp(np.log(share) + l, np.log1p(-share) + ratio) for l in (walked, strewn)]
        above = logsumexp(strewn - mixed[1]) - np.log(len(strewn))
        below = logsumexp(-mixed[0]) - np.log(len(walked))
        last, ratio = ratio, float(above - below)
        if abs(ratio - last) < 1e-6:
            break
    return ratio


def _seen(readings: Sequence[Reading]) -> dict[tuple[str, str], Seen]:
    """Where the readings of each printer and material lie."""
    counts = Counter(
        (
            r.printer,
            r.material,
            r.condition.kind.value,
            r.condition.layer_height_mm,
            r.condition.line_width_mm,
        )
        for r in readings
    )
    invented = {(r.printer, r.material) for r in readings if r.invented}
    at: dict[tuple[str, str], dict[str, list[tuple[float, float, int]]]] = {}
    for (printer, material, kind, height, width), n in sorted(counts.items()):
        at.setdefault((printer, material), {}).setdefault(kind, []).append((height, width, n))
    return {
        group: Seen({kind: tuple(strands) for kind, strands in kinds.items()}, group in invented)
        for group, kinds in at.items()
    }
