"""How those who graded differ, as the fit found it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from falsework.droop.estimate import Estimate
from falsework.droop.parameters import PRIORS

if TYPE_CHECKING:
    from falsework.tuning.of_ledger import Fitted


@dataclass(frozen=True)
class Grader:
    """One who graded: ``finish`` grades above the others' mean for the same underside, and ``holds``, log
    bond above what the others would have said of the same support; each with a 90 % interval."""

    name: str
    readings: int
    finish: Estimate
    holds: Estimate

    @property
    def differs(self) -> bool:
        """Whether either interval leaves out 0."""
        return any(e.low > 0 or e.high < 0 for e in (self.finish, self.holds))


def graders(fitted: Fitted, printer: str, material: str) -> tuple[Grader, ...]:
    """Of the readings of one printer and material; none where fewer than two are named."""
    place = {column: k for k, column in enumerate(fitted.posterior.columns)}
    counts = Counter(
        r.reading.graded_by
        for r in fitted.recorded
        if (r.reading.printer, r.reading.material) == (printer, material) and r.reading.graded_by
    )
    named = [name for name in sorted(counts) if ("strictness", "grader", name) in place]
    if len(named) < 2:
        return ()

    def offsets(parameter: str) -> dict[str, np.ndarray]:
        sd = PRIORS[parameter].spread("grader")
        own = {n: sd * fitted.posterior.sets[:, place[parameter, "grader", n]] for n in named}
        mean = np.mean(list(own.values()), axis=0)
        return {name: values - mean for name, values in own.items()}

    strict, holds = offsets("strictness"), offsets("bond")
    return tuple(
        Grader(name, counts[name], _estimate(-strict[name]), _estimate(holds[name])) for name in named
    )


def _estimate(draws: np.ndarray) -> Estimate:
    low, middle, high = (float(v) for v in np.quantile(draws, (0.05, 0.5, 0.95)))
    return Estimate(middle, low, high, "calibrated")
