"""Predictions of what conditions would read, with everything that is not known about them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.coupon.reading import LET_GO_GRADES, Condition, ConditionKind
from falsework.droop.belief import Belief
from falsework.droop.outcome import finish_grading, let_go_grading, probabilities
from falsework.droop.parameters import NAMES, Parameters
from falsework.droop.strand import Array
from falsework.process.settings import Material
from falsework.tuning.belief import belief_of
from falsework.tuning.evidence import Floats, laid
from falsework.tuning.model import PredictedOutcome, outcome, read_error_mm2
from falsework.tuning.posterior import Posterior


@dataclass(frozen=True, eq=False)
class Predictions:
    """What n conditions would read, over S draws of what is not known.

    Attributes
    ----------
    let_go_draws (S, n, 6) : chances from fused to fell; NaN where there is no support.
    finish_draws (S, n, 5) : chances of finish 1 to 5.
    droop_mm_draws (S, n) : median droop. error_mm_draws (S, n) : scale of a measured droop's error, Student's
        t with 4 degrees of freedom.
    conditions : of which. by_layers (S,) : whether the gap counts in layers in a draw.
    basis : 'uncalibrated', 'extrapolated' or 'calibrated', for each condition.
    """

    let_go_draws: Floats
    finish_draws: Floats
    droop_mm_draws: Floats
    error_mm_draws: Floats
    basis: tuple[str, ...]
    conditions: tuple[Condition, ...]
    by_layers: NDArray[np.bool_]

    @property
    def let_go(self) -> Floats:
        """(n, 6) chances from fused to fell."""
        chances: Floats = self.let_go_draws.mean(axis=0)
        return chances

    @property
    def finish(self) -> Floats:
        """(n, 5) chances of finish 1 to 5."""
        chances: Floats = self.finish_draws.mean(axis=0)
        return chances


def predict(
    posterior: Posterior,
    printer: str,
    material: Material,
    conditions: Sequence[Condition],
    *,
    draws: int = 400,
    seed: int = 0,
) -> Predictions:
    """Predictions for a printer and a material under many conditions, all at once."""
    return predicted(belief_of(posterior, printer, material, draws=draws, seed=seed), material, conditions)


def predict_print(
    posterior: Posterior,
    printer: str,
    material: Material,
    conditions: Sequence[Condition],
    *,
    draws: int,
    seed: int,
) -> Predictions:
    """What one print to come of these conditions would read: as :func:`predict`, draw by draw, but with what
    the print has of its own, and with what the laws get wrong from case to case among the errors."""
    belief = belief_of(posterior, printer, material, draws=draws, seed=seed, one_print=True)
    return predicted(belief, material, conditions, error_mm2=read_error_mm2)


def _measuring(found: PredictedOutcome, kind: ConditionKind) -> Array:
    return found.error_mm2


def predicted(
    belief: Belief,
    material: Material,
    conditions: Sequence[Condition],
    *,
    error_mm2: Callable[[PredictedOutcome, ConditionKind], Array] = _measuring,
) -> Predictions:
    """The same from a belief; ``error_mm2``: the variance of a measured droop's error."""
    shape = (len(belief.by_layers), len(conditions))
    let_go, finish = np.full((*shape, len(LET_GO_GRADES)), np.nan), np.empty((*shape, 5))
    droop, error = np.empty(shape), np.empty(shape)
    for kind in ConditionKind:
        some = [k for k, c in enumerate(conditions) if c.kind == kind]
        if not some:
            continue
        mine = [conditions[k] for k in some]
        p = _parameters(belief, mine)
        found = outcome(laid(kind, mine, [material] * len(mine)), p, belief.by_layers[:, None])
        finish[:, some] = probabilities(found.finish, finish_grading(p))
        droop[:, some], error[:, some] = found.droop_mm, np.sqrt(error_mm2(found, kind))
        if found.bond is not None:
            let_go[:, some] = probabilities(-found.bond, let_go_grading(p))
    basis = tuple(belief.seen.basis(c.kind.value, c.layer_height_mm, c.line_width_mm) for c in conditions)
    return Predictions(let_go, finish, droop, error, basis, tuple(conditions), belief.by_layers)


def _parameters(belief: Belief, conditions: Sequence[Condition]) -> Parameters:
    """Arrays (S, n), or (S, 1) where a parameter is the same for all strands."""
    own = [
        belief.strands.get((round(c.line_width_mm, 6), round(c.layer_height_mm, 6)), {}) for c in conditions
    ]
    special = {name for values in own for name in values}
    return Parameters(
        **{
            name: np.stack([values.get(name, getattr(belief.draws, name)) for values in own], axis=1)
            if name in special
            else getattr(belief.draws, name)[:, None]
            for name in NAMES
        }
    )
