"""Which test piece next: what each could settle, what it costs, and when to stop.

The worth of a test is worked out before it is printed. Each draw of the posterior is a world: readings of
the proposed cells are made up in it, with what that print has of its own, what is asked is regressed on them
over all draws, and what would be set then is right or not. How often it is, against now, is the gain. Cells
are taken one by one, each the one that settles most beside those taken before.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from falsework.coupon.conditions import candidate_conditions
from falsework.coupon.reading import Condition, ConditionKind
from falsework.coupon.value import Coupon, CouponKind, PieceLimits
from falsework.droop.laws import Laws
from falsework.errors import ProcessError
from falsework.process.settings import Process
from falsework.tuning.model import FREEDOM, OUTLIERS
from falsework.tuning.survey import UNCALIBRATED, Floats, OpenQuestion, SettingSurvey, survey
from falsework.watch import QUIET, Watch
from falsework.wording.figures import share

if TYPE_CHECKING:
    from falsework.tuning.agreement import Agreement
    from falsework.tuning.posterior import Posterior

SURE = 0.9
"""A setting counts as found when its answer is right with this probability."""

WRONG_COSTS_MIN = 1000.0
"""Minutes that one wrong setting costs over the life of a process: ten more of scraping or filing on each of
a hundred parts; a gap at which supports stick as many times more as it counts. Constructed; what a test gains
is this times the wrong answers that it is expected to spare."""

STILL_TELLS = 0.015
"""While a setting is not known, a piece that makes it likelier right by so much is printed, whatever it
costs; what tells less is left, for then nobody would ever be done. Constructed."""

_AHEAD = 3  # prints of a piece that are looked ahead: where one changes no mind, several may

MINUTES_PER_CELL = 1.0  # to read off and write down; constructed
MINUTES_PER_PRINT = 15.0  # to warm up, clear the bed and keep a sheet, whatever is on the piece; constructed
_CONFIRM = "Print the confirmation piece with the tuned process, then parts."
_MOST_CELLS = 14
_MOST_ALIKE = 4  # so that a piece does not hang on one place of a law that may be another; constructed
_LEAST_GAIN = 0.002  # of a right answer: a further cell must settle as much; constructed
_BY_CHANCE = 0.02  # share of a variance that a regression over so many draws may account for by chance
_RIDGE = 1e-3  # so that readings that never vary together do not count twice
_LEAST_DROOP_MM = 0.02  # calipers tell no less
_OFFERED = (CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP, CouponKind.WEAVE)


@dataclass(frozen=True)
class Gain:
    """How sure the answer to one question is now, and how sure it is expected to be after the test; ``saved``
    what that saves, in wrong answers, one that makes supports stick counted as dear as it is."""

    question: str
    within: str
    now: float
    after: float
    saved: float


@dataclass(frozen=True)
class Proposal:
    """A test piece with the cells that tell most.

    ``gain_min``: what it is expected to save, minutes; ``cost_min``: printing and reading, and what
    each print takes besides. ``grams``.
    ``settling``: the setting that is not known and likelier right by ``STILL_TELLS`` afterwards, '' if none.
    ``piece``: as designed, to be written and printed.
    """

    kind: CouponKind
    cells: tuple[Condition, ...]
    gains: tuple[Gain, ...]
    gain_min: float
    cost_min: float
    print_min: float
    grams: float
    settling: str = ""
    piece: Coupon | None = field(default=None, compare=False, repr=False)

    @property
    def worth_it(self) -> bool:
        return self.gain_min > self.cost_min

    @property
    def due(self) -> bool:
        """Whether it is to be printed: it is expected to save more than it costs, or what is set is not known
        and it still tells."""
        return self.worth_it or bool(self.settling)


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
    repeated = {_PIECE[kind] for kind in agreed.repeated} if agreed is not None else set()
    if not again and all(known(question, here) for question in questions):
        return Next((), True, f"Every setting is known, each at least {share(SURE)} likely right. {_CONFIRM}")
    open_ones = [question for question in questions if not question.optional and not known(question, here)]
    trial = MadeUpReadings(here, questions)
    proposals: list[Proposal] = []
    too_big: list[str] = []
    start = 0
    for k, (kind, cells) in enumerate(offered.items()):
        watch.at("comparing test pieces", 0.1 + 0.5 * k / len(offered))
        least = -np.inf if kind in again else _LEAST_GAIN
        taken = trial.best_cells(range(start, start + len(cells)), _MOST_CELLS, least)
        start += len(cells)
        least_min = MINUTES_PER_PRINT + MINUTES_PER_CELL * len(taken)
        own = [question for question in open_ones if _PIECE[question.kind] is kind]
        settling = trial.settling(own, taken)
        worth_reading = _saved_min(trial.gains(taken)) > least_min or settling
        if not taken or not (worth_reading or kind in again):
            continue  # not worth its sheet, however soon it is printed
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
        built = Counter(cell.condition for cell in piece.cells)
        kept = [j for n, j in enumerate(taken) if taken[:n].count(j) < built[every[j]]]
        gains = trial.gains(kept)
        proposals.append(
            Proposal(
                kind=kind,
                cells=tuple(every[j] for j in kept),
                gains=gains,
                gain_min=_saved_min(gains),
                cost_min=piece.minutes + MINUTES_PER_PRINT + MINUTES_PER_CELL * len(kept),
                print_min=piece.minutes,
                grams=piece.grams,
                settling=settling,
                piece=piece,
            )
        )
    if too_big and not any(p.due for p in proposals):
        limits = f"{most_minutes:g} min and {most_grams:g} g"
        return Next(tuple(proposals), True, f"Worth printing, but more than {limits}: {', '.join(too_big)}.")
    others = any(p.due for p in proposals if p.kind not in again)
    first = again - repeated if others else again  # a doubt that stands lets another piece between
    proposals.sort(key=lambda p: (p.kind not in first, not p.due, p.cost_min - p.gain_min))
    return advised(tuple(proposals), again, [_doubt(question, here) for question in open_ones])


def known(question: OpenQuestion, here: SettingSurvey) -> bool:
    """Whether a question is settled: read often enough, the answer right with probability ``SURE``, and no
    failure within its 90 % interval."""
    return here.basis[question.kind] == "calibrated" and question.sure >= SURE and question.settled


def _doubt(question: OpenQuestion, here: SettingSurvey) -> str:
    """What is not known, and why not."""
    read = {"calibrated": "", UNCALIBRATED: ", by no reading of it"}
    few = read.get(here.basis[question.kind], ", by few readings of it")
    return f"{question.name} ({share(question.sure)} likely right{few})"


_PIECE = {
    ConditionKind.OVERHANG: CouponKind.OVERHANG,
    ConditionKind.BRIDGE: CouponKind.BRIDGE,
    ConditionKind.SUPPORT: CouponKind.GAP,
}


def advised(
    proposals: tuple[Proposal, ...],
    again: Collection[CouponKind] = (),
    doubts: Sequence[str] = (),
) -> Next:
    """The advice that goes with proposals in order; ``again``: pieces whose readings and model disagree;
    ``doubts``: the settings that are not known, in words."""
    if again:
        pieces = ", ".join(kind.value for kind in _OFFERED if kind in again)
        between = ""
        if proposals and proposals[0].kind not in again:
            between = (
                f" The last two prints were of that already, so {proposals[0].kind.value} comes between."
            )
        return Next(
            proposals,
            False,
            "Readings and model disagree, or something changed, so nothing of that kind is known. Look at "
            f"what is named; if it stands, print once more: {pieces}.{between}",
        )
    if not proposals or not proposals[0].due:
        left = f" Not known for sure: {', '.join(doubts)}." if doubts else ""
        return Next(proposals, True, f"No test piece is expected to gain what it costs.{left} {_CONFIRM}")
    first = proposals[0]
    settling = [gain for gain in first.gains if gain.question == first.settling and not first.worth_it]
    most = max(settling or first.gains, key=lambda gain: gain.after - gain.now)
    return Next(
        proposals,
        False,
        f"Print the {first.kind.value} next, {len(first.cells)} cells: the answer on the {most.question} is "
        f"{share(most.now)} likely right now, {share(most.after)} after it.",
    )


def _saved_min(gains: Sequence[Gain]) -> float:
    return WRONG_COSTS_MIN * sum(gain.saved for gain in gains)


class MadeUpReadings:
    """Readings made up in every draw, and how far they would tell the answers.

    What is asked is regressed on the readings over the draws: what is expected of it after a test, and what
    is left (regression for the value of sample information: Strong, Oakley, Brennan, Breeze 2015, Medical
    Decision Making 35:570-583; from memory). Readings weighed by how likely each draw makes them would need
    far more draws: of ten cells' readings hardly two draws explain the same.
    """

    def __init__(self, here: SettingSurvey, questions: Sequence[OpenQuestion], seed: int = 0) -> None:
        self._found = here.more
        self._questions = questions
        self._rng = np.random.default_rng(seed)
        self._known: dict[tuple[int, int], Floats] = {}

    def best_cells(self, columns: Sequence[int], most: int, least: float = _LEAST_GAIN) -> list[int]:
        """Up to ``most`` of the candidate ``columns``, the most telling first, the same one up to four times
        where that tells more than another. ``least``: how much of the doubt a further one must settle.

        A cell settles the less the more has been told, nearly always, so that only the most promising are
        looked at again.
        """
        taken: list[int] = []
        settled = 0.0
        promise = dict.fromkeys(columns, np.inf)
        while promise and len(taken) < most:
            fresh: set[int] = set()
            while (best := max(promise, key=lambda j: promise[j])) not in fresh:
                promise[best] = self._settled([*taken, best]) - settled
                fresh.add(best)
            if promise[best] < least:
                break
            taken.append(best)
            settled += promise[best]
            if taken.count(best) == _MOST_ALIKE:
                del promise[best]
        return taken

    def gains(self, columns: Sequence[int]) -> tuple[Gain, ...]:
        """How sure each answer is now, how often over the draws what would be set is right after these cells,
        and what that saves."""
        gains = []
        for q in self._questions:
            after, loss = q.sure, q.loss
            if columns and self._share(q, columns) > _BY_CHANCE:
                after, loss = (float(of_draws.mean()) for of_draws in q.after(*self._told(q, columns)))
            gains.append(Gain(q.name, q.within, q.sure, max(after, q.sure), max(q.loss - loss, 0.0)))
        return tuple(gains)

    def settling(self, open_ones: Sequence[OpenQuestion], columns: Sequence[int]) -> str:
        """Of some questions the first that such cells still make likelier right, print by print, '' if none.

        Where one print changes no mind its gain is small, however much two or three would tell: what counts
        is the best mean over so many (Frazier, Powell 2010, Decision Analysis 7:378-403; from memory).
        """
        for q in open_ones if columns else ():
            for prints in range(1, _AHEAD + 1):
                right, _ = q.after(*self._told(q, columns, prints))
                if right.mean() - q.sure >= prints * STILL_TELLS:
                    return q.name
        return ""

    def _settled(self, columns: Sequence[int]) -> float:
        """Of the doubt about all answers, by how much the readings account for."""
        return sum(q.loss * self._share(q, columns) for q in self._questions)

    def _share(self, q: OpenQuestion, columns: Sequence[int]) -> float:
        """Of the variance of what is asked, what the readings account for."""
        _, left = self._told(q, columns)
        spread = float(np.square(q.asked - q.asked.mean(axis=0)).sum())
        return max(0.0, 1.0 - float(np.square(left).sum()) / spread) if spread > 0 else 0.0

    def _told(self, q: OpenQuestion, columns: Sequence[int], prints: int = 1) -> tuple[Floats, Floats]:
        """What is expected of what is asked after the readings, and what is left of it (S, A); with several
        ``prints`` of the same cells as each further one tells as much again."""
        read = np.concatenate([self._read(j, columns[:n].count(j)) for n, j in enumerate(columns)], axis=1)
        asked = q.asked - q.asked.mean(axis=0)
        normal = read.T @ read + _RIDGE * len(read) * np.eye(read.shape[1])
        fitted = read @ np.linalg.solve(normal, read.T @ asked)
        # a regression leaves too little of what it was fitted to
        left = (asked - fitted) * np.sqrt(len(read) / (len(read) - read.shape[1] - 1))
        if prints > 1:
            left = self._of_more(asked, left, prints)
        return q.asked - left, left

    def _of_more(self, asked: Floats, left: Floats, prints: int) -> Floats:
        """What is left after several prints, of what is ``left`` after one: a normal reading more of it."""
        whole = np.square(asked).mean(axis=0)
        one = np.clip(np.square(left).mean(axis=0) / np.maximum(whole, 1e-12), 1e-6, 1.0)
        more = one / (prints - (prints - 1) * one)  # what one leaves of a variance, and what several do
        noise = np.sqrt(more * (one - more) / one * whole)
        return more / one * left + noise * self._rng.standard_normal(left.shape)

    def _read(self, j: int, before: int) -> Floats:
        """Readings of candidate ``j`` in each draw (S, outcomes), in their standard deviations, where it is
        there so many times ``before``."""
        if (j, before) not in self._known:
            read = self._made_up(j)
            off, scale = read - read.mean(axis=0), read.std(axis=0)
            self._known[j, before] = np.divide(off, scale, out=np.zeros_like(off), where=scale > 0)
        return self._known[j, before]

    def _made_up(self, column: int) -> Floats:
        found, condition = self._found, self._found.conditions[column]
        graded = [found.finish_draws[:, column]]
        if condition.kind is ConditionKind.SUPPORT:
            graded.append(found.let_go_draws[:, column])
        read = []
        for sound in graded:
            steps = np.cumsum((1.0 - OUTLIERS) * sound + OUTLIERS / sound.shape[-1], axis=1)
            read.append((self._rng.random((len(steps), 1)) > steps[:, :-1]).sum(axis=1))
        if condition.kind is not ConditionKind.OVERHANG:  # fins are looked at, not measured
            middle, scale = found.droop_mm_draws[:, column], found.error_mm_draws[:, column]
            droop = middle + scale * self._rng.standard_t(FREEDOM, len(middle))
            read.append(np.log(np.maximum(droop, _LEAST_DROOP_MM)))
        return np.stack(read, axis=1).astype(np.float64)
