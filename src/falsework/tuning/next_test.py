"""Which test piece next: what each could settle, what it costs, and when to stop.

The worth of a test is worked out before it is printed. Each draw of the posterior takes its turn as the
truth: readings of the proposed cells are made up from it, the other draws are weighed by how well they
explain them, and the best answer under those weights is right with some probability. The mean of that over
the turns, against what is right now, is the gain. Cells are taken one by one, each the one that gains most
beside those taken before.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from falsework.coupon.conditions import candidate_conditions
from falsework.coupon.reading import Condition, ConditionKind
from falsework.coupon.value import Coupon, CouponKind, PieceLimits
from falsework.droop.laws import Laws
from falsework.errors import ProcessError
from falsework.process.settings import Process
from falsework.tuning.model import FREEDOM
from falsework.tuning.survey import Floats, OpenQuestion, SettingSurvey, survey
from falsework.watch import QUIET, Watch
from falsework.wording.figures import share

if TYPE_CHECKING:
    from falsework.tuning.agreement import Agreement
    from falsework.tuning.posterior import Posterior

Any32 = NDArray[np.floating[Any]]  # single precision will do for weights

SURE = 0.9
"""A setting counts as found when its answer is right with this probability."""

WRONG_COSTS_MIN = 240.0
"""Minutes that one wrong setting costs over the life of a process: a spoilt part or two and the scraping.
Constructed; what a test gains is this times the probability of a right answer that it adds."""

MINUTES_PER_CELL = 1.0  # to read off and write down; constructed
_CONFIRM = "Print the confirmation piece with the tuned process, then parts."
_TURNS = 400
_MOST_CELLS = 14
_LEAST_GAIN = 0.002  # of a right answer: a further cell must add as much; constructed
_OFFERED = (CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP, CouponKind.WEAVE)


@dataclass(frozen=True)
class Gain:
    """How sure the answer to one question is now, and how sure it is expected to be after the test."""

    question: str
    within: str
    now: float
    after: float


@dataclass(frozen=True)
class Proposal:
    """A test piece with the cells that tell most.

    ``gain_min``: what it is expected to save, minutes; ``cost_min``: printing and reading. ``grams``.
    ``piece``: as designed, to be written and printed.
    """

    kind: CouponKind
    cells: tuple[Condition, ...]
    gains: tuple[Gain, ...]
    gain_min: float
    cost_min: float
    print_min: float
    grams: float
    piece: Coupon | None = field(default=None, compare=False, repr=False)

    @property
    def worth_it(self) -> bool:
        return self.gain_min > self.cost_min


@dataclass(frozen=True)
class Next:
    """Proposals, the most useful first, and the advice: which one to print, or why to stop."""

    proposals: tuple[Proposal, ...]
    stop: bool
    advice: str


def next_test(
    posterior: Posterior,
    process: Process,
    *,
    printer: str = "",
    agreed: Agreement | None = None,
    most_minutes: float = 30.0,
    most_grams: float = 15.0,
    watch: Watch = QUIET,
) -> Next:
    """The test pieces worth printing next for ``process`` on ``printer`` (default: the process's own).

    ``agreed`` says whether readings and model agree: where they do not, nothing counts as known, and the
    piece to print is that of the kind in doubt. ``most_minutes``, ``most_grams`` limit each piece.
    """
    from falsework.coupon import design_coupon
    from falsework.tuning.belief import belief_of

    printer = printer or process.printer.name
    belief = belief_of(posterior, printer, process.material)
    offered = {kind: candidate_conditions(kind, Laws(process, belief)) for kind in _OFFERED}
    every = [condition for cells in offered.values() for condition in cells]
    watch.at("predicting", 0.0)
    here = survey(posterior, process, printer, more=every)
    questions = here.questions()
    again = {_PIECE[kind] for kind in ConditionKind if agreed is not None and agreed.fails(kind)}
    if not again and all(known(question, here) for question in questions):
        return Next((), True, f"Every setting is known, each at least {share(SURE)} likely right. {_CONFIRM}")
    trial = MadeUpReadings(here, questions)
    proposals: list[Proposal] = []
    too_big: list[str] = []
    start = 0
    for k, (kind, cells) in enumerate(offered.items()):
        watch.at("comparing test pieces", 0.1 + 0.5 * k / len(offered))
        least = -np.inf if kind in again else _LEAST_GAIN
        taken = trial.best_cells(range(start, start + len(cells)), _MOST_CELLS, least)
        start += len(cells)
        worth_reading = _saved_min(trial.gains(taken)) > MINUTES_PER_CELL * len(taken)
        if not taken or not (worth_reading or kind in again):
            continue  # not worth reading off, whatever it takes to print
        try:
            piece = design_coupon(
                kind,
                process,
                belief,
                cells=[every[j] for j in taken],
                limits=PieceLimits(most_minutes, most_grams),
                watch=watch.part(0.6 + 0.1 * k, 0.7 + 0.1 * k),
            )
        except ProcessError:  # not one cell of it keeps to the limits
            too_big.append(kind.value)
            continue
        built = [cell.condition for cell in piece.cells]
        kept = [j for j in taken if every[j] in built]
        gains = trial.gains(kept)
        proposals.append(
            Proposal(
                kind=kind,
                cells=tuple(every[j] for j in kept),
                gains=gains,
                gain_min=_saved_min(gains),
                cost_min=piece.minutes + MINUTES_PER_CELL * len(kept),
                print_min=piece.minutes,
                grams=piece.grams,
                piece=piece,
            )
        )
    if too_big and not any(p.worth_it for p in proposals):
        limits = f"{most_minutes:g} min and {most_grams:g} g"
        return Next(tuple(proposals), True, f"Worth printing, but more than {limits}: {', '.join(too_big)}.")
    proposals.sort(key=lambda p: (p.kind not in again, p.cost_min - p.gain_min))
    return advised(tuple(proposals), again)


def known(question: OpenQuestion, here: SettingSurvey) -> bool:
    """Whether a question is settled: read often enough, and the answer right with probability ``SURE``."""
    return here.basis[question.kind] == "calibrated" and question.sure >= SURE


_PIECE = {
    ConditionKind.OVERHANG: CouponKind.OVERHANG,
    ConditionKind.BRIDGE: CouponKind.BRIDGE,
    ConditionKind.SUPPORT: CouponKind.GAP,
}


def advised(proposals: tuple[Proposal, ...], again: Collection[CouponKind] = ()) -> Next:
    """The advice that goes with proposals in order; ``again``: pieces whose readings and model disagree."""
    if again:
        pieces = ", ".join(kind.value for kind in _OFFERED if kind in again)
        return Next(
            proposals,
            False,
            "Readings and model disagree, or something changed, so nothing of that kind is known. Look at "
            f"what is named; if it stands, print once more: {pieces}.",
        )
    if not proposals or not proposals[0].worth_it:
        return Next(proposals, True, f"No test piece is expected to gain what it costs. {_CONFIRM}")
    first = proposals[0]
    most = max(first.gains, key=lambda gain: gain.after - gain.now)
    return Next(
        proposals,
        False,
        f"Print the {first.kind.value} next, {len(first.cells)} cells: the answer on the {most.question} is "
        f"{share(most.now)} likely right now, {share(most.after)} after it.",
    )


def _saved_min(gains: Sequence[Gain]) -> float:
    return WRONG_COSTS_MIN * sum(gain.after - gain.now for gain in gains)


class MadeUpReadings:
    """Readings made up from some draws, the turns, and weighed by all others."""

    def __init__(self, here: SettingSurvey, questions: Sequence[OpenQuestion], seed: int = 0) -> None:
        self._found, self._conditions = here.predictions, here.conditions
        self._first = here.more.start
        self._questions = questions
        self._rng = np.random.default_rng(seed)
        count = len(here.limit_deg)
        self._turns = np.sort(self._rng.permutation(count)[:_TURNS])
        self._blank: Any32 = np.zeros((len(self._turns), count), dtype=np.float32)
        self._blank[np.arange(len(self._turns)), self._turns] = -np.inf  # nobody is judge in his own case
        # whether the answer that is best in a draw (column) would be right in a turn (row)
        best = [q.right.argmax(axis=1) for q in questions]
        self._alike = sum(q.right[self._turns][:, b] for q, b in zip(questions, best, strict=True))
        self._known: dict[int, Any32] = {}

    def best_cells(self, columns: Sequence[int], most: int, least: float = _LEAST_GAIN) -> list[int]:
        """Up to ``most`` of the candidate ``columns``, the most telling first; ``least``: what a further one
        must add to the share of right answers.

        A cell is worth what it adds to the share of the weight that lies on draws whose answers would be
        right. It adds the less the more has been told, nearly always, so that only the most promising are
        looked at again.
        """
        taken: list[int] = []
        told: Any32 = self._blank
        share = self._share(told)
        promise = dict.fromkeys(columns, np.inf)
        while promise and len(taken) < most:
            fresh: set[int] = set()
            while (best := max(promise, key=lambda j: promise[j])) not in fresh:
                promise[best] = self._share(told + self._log_density(best)) - share
                fresh.add(best)
            if promise[best] < least:
                break
            taken.append(best)
            told = told + self._log_density(best)
            share += promise.pop(best)
        return taken

    def gains(self, columns: Sequence[int]) -> tuple[Gain, ...]:
        """How sure each answer is now, and how often in the turns it is right after these cells."""
        told = self._blank
        for j in columns:
            told = told + self._log_density(j)
        weights = _weights(told)
        rows = np.arange(len(self._turns))
        gains = []
        for q in self._questions:
            answer = (weights @ q.right).argmax(axis=1)
            after = float(q.right[self._turns][rows, answer].mean())
            gains.append(Gain(q.name, q.within, q.sure, max(after, q.sure)))
        return tuple(gains)

    def _share(self, told: Any32) -> float:
        return float((_weights(told) * self._alike).sum() / len(told))

    def _log_density(self, j: int) -> Any32:
        """Of the reading of candidate ``j`` in each turn (rows) under each draw (columns)."""
        if j not in self._known:
            self._known[j] = self._made_up(self._first + j).astype(np.float32)
        return self._known[j]

    def _made_up(self, column: int) -> Floats:
        found, turns, condition = self._found, self._turns, self._conditions[column]
        total = np.zeros_like(self._blank, dtype=np.float64)
        graded = [found.finish_draws[:, column]]
        if condition.kind is ConditionKind.SUPPORT:
            graded.append(found.let_go_draws[:, column])
        for chances in graded:
            steps = np.cumsum(chances[turns], axis=1)
            grades = (self._rng.random((len(turns), 1)) > steps[:, :-1]).sum(axis=1)
            total += np.log(np.maximum(chances[:, grades].T, 1e-12))
        if condition.kind is ConditionKind.OVERHANG:
            return total  # fins are looked at, not measured
        middle, scale = found.droop_mm_draws[:, column], found.error_mm_draws[:, column]
        read = middle[turns] + scale[turns] * self._rng.standard_t(FREEDOM, len(turns))
        off = (read[:, None] - middle[None, :]) / scale[None, :]
        density: Floats = total - np.log(scale)[None, :] - 0.5 * (FREEDOM + 1) * np.log1p(off**2 / FREEDOM)
        return density


def _weights(told: Any32) -> Any32:
    weights = np.exp(told - told.max(axis=1, keepdims=True))
    scaled: Any32 = weights / weights.sum(axis=1, keepdims=True)
    return scaled
