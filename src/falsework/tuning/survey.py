"""``SettingSurvey``: what a posterior says along every setting of one process, draw by draw.

A draw is one world that the readings leave possible. In each world every setting has its right answer: the
angle at which half of the slopes still look closed, the smallest gap at which four of five supports come off,
and so on. How these answers scatter over the draws is how much is known; what a further test would do to the
scatter is what the test is worth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from falsework.arrays import Floats
from falsework.coupon.conditions import (
    clean_droop_mm,
    other_fan,
    printed,
    run_mm,
    support_condition,
)
from falsework.coupon.reading import Condition, ConditionKind
from falsework.droop.laws import Laws
from falsework.process.settings import Process, Structure

if TYPE_CHECKING:
    from falsework.tuning.posterior import Posterior
    from falsework.tuning.predict import Predictions


REMOVABLE, CLOSED = 0.8, 0.5  # shares that make a gap large enough, and an angle the limit
LIMIT_WITHIN_DEG, GAP_WITHIN_LAYERS, BRIDGE_WITHIN = 3.0, 0.5, 0.2
MOST_GAP_LAYERS = 6
GAP_WITHIN = "enough, and at most half a layer beyond the next whole one"
STICKING_COUNTS = 2.0  # a gap at which supports stick, against one that is too large; constructed
UNCALIBRATED = "uncalibrated"  # what nothing was read for
USUAL_LAYERS = round(Structure().air_gap_layers)  # common practice, as its setting says
_WHOLE = np.arange(1.0, MOST_GAP_LAYERS + 1)
OFF_IN_ONE = slice(2, 5)  # of the grades of let-go: by tool, by hand, at a touch; what fell carried nothing
STICKS_NOT = slice(2, 6)  # what fell as well: whether a gap is enough, a larger one cannot undo
CLOSED_FINISH = 3  # 'closed, with visible sag'
_TAIL = 0.05  # of either end of a 90 % interval
_DRAWS = 1000
_ANGLES_DEG = np.arange(16.0, 87.0, 2.0)
_SPANS_MM = np.geomspace(3.0, 240.0, 30)
_GAPS_LAYERS = np.linspace(0.0, MOST_GAP_LAYERS, 31)
_SPACINGS = (0.6, 1.0, 1.7)  # times that of the process
AS_GOOD = 0.05  # of the share that comes off and looks closed: a difference nobody sees in a dozen prints
_BLOCK_OF = {ConditionKind.OVERHANG: "slopes", ConditionKind.BRIDGE: "bridges", ConditionKind.SUPPORT: "gaps"}


@dataclass(frozen=True)
class SupportVariant:
    """One way to build the support: a setting of ``structure`` and a value for it."""

    setting: str
    value: float | int | str

    @property
    def words(self) -> str:
        return f"{self.value:g}" if isinstance(self.value, float) else str(self.value)


@dataclass(frozen=True, eq=False)
class OpenQuestion:
    """One thing to be settled: ``asked`` (S, A), what is true of it in each draw; ``sure`` the probability
    that what is set now is right, within the tolerance ``within``; ``loss`` what is expected of it, where one
    wrong answer counts 1 and a support that sticks ``STICKING_COUNTS``.

    ``settled``: the 90 % interval of what is asked holds nothing for which what is set is wrong.
    ``optional``: what the process has stands as long as nothing speaks against it.
    ``after`` says of each draw (S,) whether what is set after a test is right, and its loss, from what is
    then expected of what is asked (S, A) and what is left of it (S, A).
    """

    name: str
    kind: ConditionKind
    within: str
    asked: Floats
    sure: float
    loss: float
    settled: bool
    after: Callable[[Floats, Floats], tuple[Floats, Floats]]
    optional: bool = False


@dataclass(frozen=True, eq=False)
class SettingSurvey:
    """Predictions along each setting; draws in rows, values in columns. ``more``: what those asked for
    besides would read in one print to come."""

    process: Process
    angles_deg: Floats
    slope_finish: Floats  # (S, angles, 5)
    spans_mm: Floats
    sag_mm: Floats  # at the process's fan
    other_sag_mm: Floats  # at the other fan share of the bridge ladder
    gaps_layers: Floats
    let_go: Floats  # (S, gaps, 6)
    finish: Floats  # (S, gaps, 5)
    makes: tuple[SupportVariant, ...]
    make_good: Floats  # (S, gaps of whole layers, makes): probability that it comes off and looks closed
    limit_deg: Floats  # the right answer in each draw
    bridge_mm: Floats
    gap_layers: Floats
    basis: dict[ConditionKind, str]
    conditions: tuple[Condition, ...]
    more: Predictions

    @property
    def removable(self) -> Floats:
        """Probability that a support stays until the end and then comes off in one go (S, gaps)."""
        return self.let_go[..., OFF_IN_ONE].sum(axis=2)

    def at_layers(self, layers: float) -> int:
        """Index of a gap of so many layers."""
        return int(np.argmin(np.abs(self.gaps_layers - layers)))

    @property
    def best_layers(self) -> int:
        """The gap of whole layers that is expected to cost least: one that is not enough counts
        ``STICKING_COUNTS`` times one that is a layer and a half or more too large, at which the finish
        suffers."""
        return int(self.gap_loss.mean(axis=0).argmin() + 1)

    @property
    def gap_loss(self) -> Floats:
        """(S, whole layers from 1) what a gap costs in that draw: nothing where it is right."""
        return STICKING_COUNTS * (1.0 - self.enough) + (self.enough - self.gap_right)

    @property
    def enough(self) -> Floats:
        """(S, whole layers from 1) 1 where the gap is enough in that draw."""
        return (self.gap_layers[:, None] <= _WHOLE[None, :]).astype(np.float64)

    @property
    def gap_right(self) -> Floats:
        """(S, whole layers from 1) 1 where the gap is enough, and less than a layer and a half more."""
        return self.enough * (_WHOLE[None, :] < self.gap_layers[:, None] + 1.0 + GAP_WITHIN_LAYERS)

    @property
    def made(self) -> Floats:
        """How good each make is at the best gap (S, makes)."""
        return self.make_good[:, self.best_layers - 1]

    @property
    def set_limit_deg(self) -> float:
        """The limit angle that is set: common practice where no slope was read."""
        if self.basis[ConditionKind.OVERHANG] == UNCALIBRATED:
            return replace(self.process, reach_share=0.0).limit_deg
        return float(np.median(self.limit_deg))

    @property
    def set_bridge_mm(self) -> float:
        """The longest clean bridge that is told."""
        return float(np.median(self.bridge_mm))

    @property
    def set_layers(self) -> int:
        """The gap that is set: common practice where no support was read."""
        return USUAL_LAYERS if self.basis[ConditionKind.SUPPORT] == UNCALIBRATED else self.best_layers

    def _gap_after(self, expected: Floats, left: Floats) -> tuple[Floats, Floats]:
        """Whether the gap that is then expected to cost least is right, and what it costs."""
        rest = np.sort(left[:, 0])

        def reached(layers: Floats) -> Floats:
            """Probability (S, gaps) that so many are enough, in each draw."""
            return np.searchsorted(rest, layers[None, :] - expected) / len(rest)

        too_large = reached(_WHOLE - 1.0 - GAP_WITHIN_LAYERS)
        loss = STICKING_COUNTS * (1.0 - reached(_WHOLE)) + too_large
        rows, chosen = np.arange(len(loss)), loss.argmin(axis=1)
        return self.gap_right[rows, chosen], self.gap_loss[rows, chosen]

    def questions(self) -> list[OpenQuestion]:
        """What can be settled about the process, in the order in which it is told."""
        spans, within = np.log(self.bridge_mm), float(np.log1p(BRIDGE_WITHIN))
        made = (self.made >= self.made.max(axis=1, keepdims=True) - AS_GOOD).astype(np.float64)
        right, loss = self.gap_right[:, self.set_layers - 1], self.gap_loss[:, self.set_layers - 1]
        too_large = (self.gap_layers <= self.set_layers - 1.0 - GAP_WITHIN_LAYERS).astype(np.float64)
        make_sure = float(made.mean(axis=0).max())
        return [
            _of_a_value(
                "limit angle",
                ConditionKind.OVERHANG,
                f"{LIMIT_WITHIN_DEG:g}°",
                self.limit_deg,
                self.set_limit_deg,
                LIMIT_WITHIN_DEG,
            ),
            _of_a_value(
                "longest clean bridge",
                ConditionKind.BRIDGE,
                f"{100 * BRIDGE_WITHIN:.0f} %",
                spans,
                float(np.log(self.set_bridge_mm)),
                within,
            ),
            OpenQuestion(
                "air gap",
                ConditionKind.SUPPORT,
                GAP_WITHIN,
                self.gap_layers[:, None],
                sure=float(right.mean()),
                loss=float(loss.mean()),
                settled=max(float(too_large.mean()), float((1.0 - right - too_large).mean())) <= _TAIL,
                after=self._gap_after,
            ),
            OpenQuestion(
                "make of the support",
                ConditionKind.SUPPORT,
                "no difference that shows",
                self.made,
                sure=make_sure,
                loss=1.0 - make_sure,
                settled=True,
                after=lambda expected, _: _once(made[np.arange(len(made)), expected.argmax(axis=1)]),
                optional=True,
            ),
        ]


def _of_a_value(
    name: str, kind: ConditionKind, told: str, draws: Floats, value: float, within: float
) -> OpenQuestion:
    """The question whether ``value`` is what ``draws`` (S,) say, within a tolerance (``told`` in words)."""
    sure = share_within(draws, value, within)
    return OpenQuestion(
        name,
        kind,
        told,
        draws[:, None],
        sure=sure,
        loss=1.0 - sure,
        settled=max(float((draws < value - within).mean()), float((draws > value + within).mean())) <= _TAIL,
        after=lambda _, left: _once((np.abs(left[:, 0]) <= within).astype(np.float64)),
    )


def _once(right: Floats) -> tuple[Floats, Floats]:
    """Whether something is right (S,), and its loss where a wrong answer counts once."""
    return right, 1.0 - right


def share_within(draws: Floats, value: float, within: float) -> float:
    """Share of draws within ``within`` of a value."""
    return float((np.abs(draws - value) <= within).mean())


def survey(
    posterior: Posterior,
    process: Process,
    printer: str,
    *,
    more: Sequence[Condition] = (),
    draws: int = _DRAWS,
    seed: int = 0,
) -> SettingSurvey:
    """Everything that is predicted for ``process``, in one go, so that a draw means one world throughout."""
    from falsework.tuning.predict import predict, predict_print

    blocks: dict[str, list[Condition]] = {
        "slopes": [printed(ConditionKind.OVERHANG, process, angle_deg=float(a)) for a in _ANGLES_DEG],
        "bridges": _ladder(process),
        "others": _ladder(replace(process, fan=other_fan(process))),
        "gaps": _gaps(process),
    }
    makes = _makes(process)
    run = run_mm(Laws(process))
    whole = [n * process.layer_height_mm for n in range(1, MOST_GAP_LAYERS + 1)]
    blocks["makes"] = [
        support_condition(process, run, **{"air_gap_mm": gap, make.setting: make.value})
        for gap in whole
        for make in makes
    ]
    places: dict[str, slice] = {}
    every: list[Condition] = []
    for name, conditions in blocks.items():
        places[name] = slice(len(every), len(every) + len(conditions))
        every += conditions
    found = predict(posterior, printer, process.material, every, draws=draws, seed=seed)
    closed = found.finish_draws[..., CLOSED_FINISH - 1 :].sum(axis=2)
    sag = found.droop_mm_draws
    let_go = found.let_go_draws[:, places["gaps"]]
    loose = let_go[..., STICKS_NOT].sum(axis=2)
    good = found.let_go_draws[:, places["makes"], OFF_IN_ONE].sum(axis=2) * closed[:, places["makes"]]
    spans = np.log(_SPANS_MM)
    bridges = sag[:, places["bridges"]]
    tolerance = clean_droop_mm(process)
    return SettingSurvey(
        process=process,
        angles_deg=_ANGLES_DEG,
        slope_finish=found.finish_draws[:, places["slopes"]],
        spans_mm=_SPANS_MM,
        sag_mm=bridges,
        other_sag_mm=sag[:, places["others"]],
        gaps_layers=_GAPS_LAYERS,
        let_go=let_go,
        finish=found.finish_draws[:, places["gaps"]],
        makes=makes,
        make_good=good.reshape(len(good), len(whole), len(makes)),
        limit_deg=first_crossing(_ANGLES_DEG, -closed[:, places["slopes"]], -CLOSED),
        bridge_mm=np.exp(first_crossing(spans, np.log(np.maximum(bridges, 1e-9)), np.log(tolerance))),
        gap_layers=first_crossing(_GAPS_LAYERS, loose, REMOVABLE),
        basis={kind: found.basis[places[name].start] for kind, name in _BLOCK_OF.items()},
        conditions=tuple(every),
        more=predict_print(posterior, printer, process.material, more, draws=draws, seed=seed),
    )


def first_crossing(x: Floats, values: Floats, level: float) -> Floats:
    """Where each row of ``values`` (S, n) over ``x`` (n,) first reaches ``level``, between the points by a
    straight line; the first or the last ``x`` where it starts above or never gets there."""
    reached = values >= level
    at = np.where(reached.any(axis=1), reached.argmax(axis=1), len(x) - 1)
    before = np.maximum(at - 1, 0)
    rows = np.arange(len(values))
    low, high = values[rows, before], values[rows, at]
    share = np.clip((level - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    return np.where(at > 0, x[before] + share * (x[at] - x[before]), x[0])


def _ladder(process: Process) -> list[Condition]:
    return [printed(ConditionKind.BRIDGE, process, span_mm=float(span)) for span in _SPANS_MM]


def _gaps(process: Process) -> list[Condition]:
    run, h = run_mm(Laws(process)), process.layer_height_mm
    return [support_condition(process, run, air_gap_mm=float(n * h)) for n in _GAPS_LAYERS]


def _makes(process: Process) -> tuple[SupportVariant, ...]:
    """The process's own make first, then each change of one setting."""
    own = process.structure
    values: tuple[tuple[str, Sequence[float | int | str]], ...] = (
        ("interface_layers", (own.interface_layers, 0, 1, 2, 3, 4)),
        ("spacing_mm", tuple(max(f * own.spacing_mm, 2 * process.line_width_mm) for f in _SPACINGS)),
        ("weave", ("parallel", "crossed")),
        ("perimeter_lines", (own.perimeter_lines, 0, 1)),
    )
    return tuple(dict.fromkeys(SupportVariant(setting, v) for setting, every in values for v in every))
