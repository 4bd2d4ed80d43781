"""Whether something changed on a day: a change of level in a row of figures, found and tested.

The model is a normal level that steps once, with one scatter on both sides. Where the step lies follows from
the sums of squares (Smith 1975, Biometrika 62:407-416, with the scatter integrated out); whether there is one
from Student's t of the two means there, times the number of places where it might have been (Bonferroni).
Figures that belong together (of one print, one day) count as one. A handful of prints says little of how far
prints scatter; what is known of that beforehand counts as so many figures more (the conjugate prior of a
variance: Gelman and others, Bayesian Data Analysis, section 2.6).
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import logsumexp, stdtr

from falsework.coupon.reading import ConditionKind

if TYPE_CHECKING:
    from falsework.tuning.of_ledger import Fitted

FEWEST = 5  # figures below which a step is not looked for
SCATTER, WORTH = 0.6, 4.0  # of what prints score in the mean, in standard deviations of a reading, where
# nothing changed: what a print has of its own and the noise of a dozen readings; constructed
CLEAR = 0.01  # chance of a step as clear where there is none, below which it is asked about


@dataclass(frozen=True)
class LevelShift:
    """A change of level after ``after`` figures: ``chance`` of one as clear where there is none, ``before``
    and ``since`` the means, ``odds`` (n - 1,) the probability of each place, if there is one."""

    after: int
    before: float
    since: float
    chance: float
    odds: tuple[float, ...]


def step_in(values: Sequence[float], scatter: float = 0.0, worth: float = 0.0) -> LevelShift | None:
    """The likeliest step in a row of figures; None with fewer than ``FEWEST``. ``scatter``: how far they are
    known to scatter where nothing changed, which counts as ``worth`` figures."""
    n = len(values)
    if n < FEWEST:
        return None
    sums = np.cumsum(values)
    first, total = np.arange(1.0, n), float(np.square(np.asarray(values) - sums[-1] / n).sum())
    explained = sums[:-1] ** 2 / first + (sums[-1] - sums[:-1]) ** 2 / (n - first) - sums[-1] ** 2 / n
    within = np.maximum(total - explained, 1e-12 * total + 1e-300) + worth * scatter**2
    freedom = n - 2 + worth
    # levels and scatter integrated out under flat priors
    logs = -0.5 * np.log(first * (n - first)) - 0.5 * freedom * np.log(within)
    at = int(np.argmax(logs))
    t = np.sqrt(explained[at] * freedom / within[at])
    chance = min(1.0, (n - 1) * 2.0 * float(stdtr(freedom, -t)))
    before, since = float(sums[at] / (at + 1)), float((sums[-1] - sums[at]) / (n - at - 1))
    return LevelShift(at + 1, before, since, chance, tuple(np.exp(logs - logsumexp(logs)).tolist()))


@dataclass(frozen=True)
class UnnotedChange:
    """A change that nobody wrote down: between which days, of what, by how much in standard deviations."""

    since: datetime.date
    last_before: datetime.date
    kind: ConditionKind
    what: str
    by: float
    chance: float


def changes(
    fitted: Fitted, scores: Mapping[tuple[ConditionKind, str], Mapping[int, float]]
) -> tuple[UnnotedChange, ...]:
    """What changed on a day without an event, from how far readings lie off what is expected.

    ``scores``: for each kind and outcome the readings' places and how far each is off, as a normal score.
    Readings of one print belong together; those before the last event that is known are left out.
    """
    found = []
    for (kind, what), off in scores.items():
        now = [k for k in off if fitted.taken[k].era == 0]
        prints: dict[tuple[datetime.date, str], list[float]] = {}
        for k in sorted(now):
            prints.setdefault((fitted.days[k], fitted.taken[k].print or f"reading {k}"), []).append(off[k])
        rows = sorted(prints)
        step = step_in([float(np.mean(prints[row])) for row in rows], SCATTER, WORTH)
        if step is None or step.chance >= CLEAR or rows[step.after][0] == rows[step.after - 1][0]:
            continue
        found.append(
            UnnotedChange(
                rows[step.after][0],
                rows[step.after - 1][0],
                kind,
                what,
                step.since - step.before,
                step.chance,
            )
        )
    return tuple(found)
