"""Whether the readings are such as the fitted model would give: what does not fit, in words.

Posterior predictive checks (Gelman, Meng, Stern 1996, Statistica Sinica 6:733-807): each draw of the
posterior makes up readings of the same conditions, and a figure of the real ones is compared with the same
figure of those. Two figures for each kind and outcome: how improbable the readings are altogether, and how
often they run against the order that every law has (a larger gap holds less, a slope that leans more looks
worse, a longer span sags more). Then single readings that hardly any draw would give.

A check that fails by chance in one of a hundred ledgers is no alarm; what fails so is said, and no setting
that rests on it counts as known.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri, stdtr

from falsework.coupon.reading import LET_GO_GRADES, Condition, ConditionKind, LetGo, Reading
from falsework.droop.outcome import finish_grading, let_go_grading, probabilities
from falsework.droop.parameters import NAMES, Parameters
from falsework.process.settings import Material
from falsework.tuning.evidence import (
    NOT_READ,
    Evidence,
    Floats,
    Indices,
    ReadingOrigin,
    Taken,
    cell_of,
    gathered,
    told_apart,
)
from falsework.tuning.model import CENTRES, FREEDOM, OUTLIERS, map_of, of_spreads, outcome, read_error_mm2
from falsework.tuning.posterior import Posterior

if TYPE_CHECKING:
    from falsework.tuning.of_ledger import Fitted

FAILS_BELOW = 0.01  # chance of a figure so bad, were the model true
_STRANGE = 0.1  # chance that any of all readings is so strange
_DRAWS = 400
_SEED = 20261129
_FEWEST = 4  # readings of a kind below which there is nothing to check
_MOST_NAMED = 6
_RANK = {
    ConditionKind.OVERHANG: "angle_deg",
    ConditionKind.BRIDGE: "span_mm",
    ConditionKind.SUPPORT: "air_gap_mm",
}
_PLURAL = {
    ConditionKind.OVERHANG: "slopes",
    ConditionKind.BRIDGE: "bridges",
    ConditionKind.SUPPORT: "supports",
}
_LEVEL = {ConditionKind.OVERHANG: "angle", ConditionKind.BRIDGE: "span", ConditionKind.SUPPORT: "gap"}


@dataclass(frozen=True)
class FigureCheck:
    """One figure of one kind: ``chance`` of one so bad, were the model true."""

    kind: ConditionKind
    of: str
    chance: float
    readings: int

    @property
    def holds(self) -> bool:
        return self.chance >= FAILS_BELOW


@dataclass(frozen=True)
class Outlier:
    """A reading that the model would hardly give: its place in what was fitted, what it says, what was
    expected."""

    at: int
    kind: ConditionKind
    says: str
    expected: str
    chance: float


@dataclass(frozen=True)
class Contradiction:
    """Two readings that run against the order of things, alike but for one setting, by place in what was
    fitted; in words."""

    at: tuple[int, int]
    kind: ConditionKind
    says: str


@dataclass(frozen=True)
class Agreement:
    """Whether readings and model agree."""

    checks: tuple[FigureCheck, ...] = ()
    outliers: tuple[Outlier, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    changed: tuple[ConditionKind, ...] = ()  # of which something seems to have changed that nobody wrote down
    repeated: tuple[ConditionKind, ...] = ()  # of which both of the last two prints were read

    def fails(self, kind: ConditionKind) -> bool:
        """Whether anything of a kind speaks against the model, so that nothing of it is known."""
        return kind in self.changed or any(not c.holds for c in self.checks if c.kind == kind)

    @property
    def holds(self) -> bool:
        return not any(self.fails(kind) for kind in ConditionKind)


@dataclass(frozen=True, eq=False)
class _ReadOutcome:
    """One outcome of readings of a kind, as numbers that grow the worse it is, and what draws make of it.

    ``at`` (n,) places; ``read`` (n,); ``made`` (S, n) made up; ``log`` (S, n) log density of the reading and
    ``log_made`` of what was made up.
    """

    kind: ConditionKind
    of: str
    at: list[int]
    read: Floats
    made: Floats
    log: Floats
    log_made: Floats
    chance: Floats  # (n,) of a reading so far out, in either direction
    level: Floats  # (n,) share of what is expected that is better, half of what is alike
    middle: Floats  # (n,) what is expected

    def only(self, kept: Collection[int]) -> _ReadOutcome:
        """The same of some places."""
        rows = [k for k, place in enumerate(self.at) if place in kept]
        return replace(
            self,
            at=[self.at[k] for k in rows],
            **{name: getattr(self, name)[..., rows] for name in _OF_READINGS},
        )


_OF_READINGS = ("read", "made", "log", "log_made", "chance", "level", "middle")


def agreement(fitted: Fitted, printer: str, material: str) -> Agreement:
    """Of the readings of one printer and material, against what was fitted to all."""
    readings = [r.reading for r in fitted.recorded]
    some = [k for k, r in enumerate(readings) if (r.printer, r.material) == (printer, material)]
    if not some or fitted.posterior.count == 0:
        return Agreement()
    mine = [readings[k] for k in some]
    taken = [fitted.taken[k] for k in some]
    found = _seen(fitted.posterior, mine, fitted.materials, taken)
    once = _each_cell_once(mine, taken)
    checks, contradictions = [], []
    for seen in (every.only(once) for every in found):
        if len(seen.at) < _FEWEST:
            continue
        tried = [mine[k].condition for k in seen.at]
        checks.append(FigureCheck(seen.kind, seen.of, _unlikely(seen), len(seen.at)))
        pairs = _comparable(tried, seen.kind)
        if len(pairs):
            chance = _against_order(seen, pairs)
            checks.append(FigureCheck(seen.kind, f"order of {seen.of}", chance, len(seen.at)))
            contradictions += _told(seen, pairs, mine, failing=chance < FAILS_BELOW)
    return Agreement(
        tuple(checks),
        tuple(_strange(found, mine, some)),
        tuple(
            Contradiction((some[c.at[0]], some[c.at[1]]), c.kind, c.says)
            for c in contradictions[:_MOST_NAMED]
        ),
        repeated=_repeated(mine, taken, [fitted.days[k] for k in some]),
    )


def _repeated(
    readings: Sequence[Reading], taken: Sequence[Taken], days: Sequence[date]
) -> tuple[ConditionKind, ...]:
    """Kinds of which both of the last two prints were read."""
    newest = sorted(range(len(readings)), key=lambda k: (days[k], k), reverse=True)
    prints: dict[str, set[ConditionKind]] = {}
    for k in newest:
        prints.setdefault(taken[k].print, set()).add(readings[k].condition.kind)
    last = [kinds for name, kinds in prints.items() if name][:2]
    return tuple(kind for kind in ConditionKind if len(last) == 2 and all(kind in kinds for kinds in last))


def _each_cell_once(readings: Sequence[Reading], taken: Sequence[Taken]) -> set[int]:
    """Places of the first reading of each cell: what two judged of the same cell they have in common, so that
    one that came out strange would count as two."""
    by_one: Counter[tuple[Taken, Condition]] = Counter()
    first: dict[tuple[object, ...], int] = {}
    for k, (reading, how) in enumerate(zip(readings, taken, strict=True)):
        alike = by_one[how, reading.condition]  # cells of that print that are alike, so far
        by_one[how, reading.condition] += 1
        first.setdefault((how.print, reading.condition, alike) if how.print else (k,), k)
    return set(first.values())


def scores(fitted: Fitted, printer: str, material: str) -> dict[tuple[ConditionKind, str], dict[int, float]]:
    """How far each reading lies off what is expected on that machine, whatever its print had: for each kind
    and outcome ('finish of slopes') the place among the fitted readings and a normal score, the worse the
    higher."""
    readings = [r.reading for r in fitted.recorded]
    some = [k for k, r in enumerate(readings) if (r.printer, r.material) == (printer, material)]
    if not some or fitted.posterior.count == 0:
        return {}
    alone = [fitted.taken[k]._replace(print="") for k in some]
    found = _seen(fitted.posterior, [readings[k] for k in some], fitted.materials, alone)
    return {
        (seen.kind, f"{seen.of} of {_PLURAL[seen.kind]}"): {
            some[at]: float(score)
            for at, score in zip(seen.at, ndtri(np.clip(seen.level, 1e-4, 1 - 1e-4)), strict=True)
        }
        for seen in found
    }


def tail_chance(found: float, made: Floats) -> float:
    """Share of made-up figures that are at least as large as the one found: a posterior predictive p-value.

    With one more in numerator and denominator, as of a test by simulation, so that it is never 0.
    """
    return float((1 + np.sum(made >= found)) / (1 + len(made)))


def _seen(
    posterior: Posterior,
    readings: Sequence[Reading],
    materials: Mapping[str, Material],
    taken: Sequence[Taken],
) -> list[_ReadOutcome]:
    """What draws make of the readings, by kind and outcome."""
    rng = np.random.default_rng(_SEED)
    chosen = np.sort(rng.permutation(len(posterior.sets))[:_DRAWS])
    sets, by_layers = posterior.sets[chosen], posterior.by_layers[chosen]
    cells, evidence = gathered(readings, materials, taken)
    # gathered tells apart among these readings alone: what the fit did not is left out by name
    centres = np.tile(CENTRES, len(cells))
    values = centres[:, None] + map_of(cells, posterior.columns) @ of_spreads(sets.T, posterior.columns)
    of_cell = values.reshape(len(cells), len(NAMES), -1)
    places = _places(readings, cells, taken)
    found = []
    for part in evidence:
        at = places[part.laid.kind]
        p = Parameters(**{name: of_cell[part.cell, k].T for k, name in enumerate(NAMES)})
        expected = outcome(part.laid, p, by_layers[:, None], part.let_go)
        finish = probabilities(expected.finish, finish_grading(p))
        found.append(_graded(part, at, "finish", finish, (part.finish, part.finish), rng))
        if expected.bond is not None:
            ways = probabilities(-expected.bond, let_go_grading(p))
            found.append(_graded(part, at, "let-go", ways, (part.let_go, part.let_go_to), rng))
        found.append(
            _measured(part, at, expected.droop_mm, np.sqrt(read_error_mm2(expected, part.laid.kind)), rng)
        )
    return [one for one in found if len(one.at)]


def _places(
    readings: Sequence[Reading], cells: Sequence[ReadingOrigin], taken: Sequence[Taken]
) -> dict[ConditionKind, list[int]]:
    """Places of the readings of each kind, in the order in which they were gathered."""
    how = told_apart(taken)
    number = {cell: k for k, cell in enumerate(cells)}
    of = [number[cell_of(r.printer, r.material, r.condition, t)] for r, t in zip(readings, how, strict=True)]
    found: dict[ConditionKind, list[int]] = {}
    for kind in ConditionKind:
        mine = [k for k, r in enumerate(readings) if r.condition.kind == kind]
        found[kind] = sorted(mine, key=lambda k: of[k])
    return found


def _graded(
    part: Evidence,
    at: Sequence[int],
    of: str,
    chances: Floats,
    grades: tuple[Indices, Indices],
    rng: np.random.Generator,
) -> _ReadOutcome:
    """Grades, from the lowest to the highest that a word may mean, against chances (S, n, grades); a share of
    all grades says nothing."""
    graded = np.flatnonzero(grades[0] != NOT_READ)
    chances, low, high = chances[:, graded], grades[0][graded], grades[1][graded]
    mixed = (1.0 - OUTLIERS) * chances + OUTLIERS / chances.shape[-1]
    below = np.cumsum(mixed, axis=-1)
    made = (rng.random((*below.shape[:2], 1)) > below[..., :-1]).sum(axis=-1)
    rows = np.arange(len(graded))
    padded = np.concatenate([np.zeros((*below.shape[:2], 1)), below], axis=-1)
    log = np.log(padded[:, rows, high + 1] - padded[:, rows, low])
    log_made = np.log(np.take_along_axis(mixed, made[..., None], -1)[..., 0])
    plain = np.concatenate([np.zeros((len(graded), 1)), np.cumsum(chances.mean(axis=0), axis=-1)], axis=-1)
    least, most = plain[rows, high + 1], 1.0 - plain[rows, low]
    middle = (plain[:, 1:] < 0.5).sum(axis=-1)
    return _ReadOutcome(
        part.laid.kind,
        of,
        [at[k] for k in graded.tolist()],
        -0.5 * (low + high).astype(np.float64),
        -made.astype(np.float64),
        log,
        log_made,
        np.minimum(1.0, 2.0 * np.minimum(least, most)),
        1.0 - 0.5 * (plain[rows, low] + plain[rows, high + 1]),
        middle.astype(float),
    )


def _measured(
    part: Evidence, at: Sequence[int], droop: Floats, scale: Floats, rng: np.random.Generator
) -> _ReadOutcome:
    """Measured droop against its median and the scale of its error, each (S, n)."""
    read = np.flatnonzero(~np.isnan(part.droop_mm))
    droop, scale = droop[:, read] + 0.0 * scale[:, read], scale[:, read] + 0.0 * droop[:, read]
    mm = part.droop_mm[read]
    made = droop + scale * rng.standard_t(FREEDOM, droop.shape)

    def log(values: Floats) -> Floats:
        density: Floats = -np.log(scale) - 0.5 * (FREEDOM + 1) * np.log1p(
            ((values - droop) / scale) ** 2 / FREEDOM
        )
        return density

    below = stdtr(FREEDOM, (mm - droop) / scale).mean(axis=0)
    return _ReadOutcome(
        part.laid.kind,
        "droop",
        [at[k] for k in read.tolist()],
        mm,
        made,
        log(mm[None, :]),
        log(made),
        np.minimum(1.0, 2.0 * np.minimum(below, 1.0 - below)),
        below,
        np.median(droop, axis=0) if len(read) else mm,
    )


def _unlikely(seen: _ReadOutcome) -> float:
    """Chance of readings altogether so improbable."""
    worse = -seen.log.sum(axis=1) <= -seen.log_made.sum(axis=1)
    return float((1 + np.sum(worse)) / (1 + len(worse)))


def _comparable(tried: Sequence[Condition], kind: ConditionKind) -> Indices:
    """(pairs, 2) of readings alike in all but what is tried, the easier first."""
    name = _RANK[kind]

    def rest(c: Condition) -> tuple[object, ...]:
        return tuple(
            v
            for f, v in vars(c).items()
            if f not in (name, "span_mm" if kind is ConditionKind.SUPPORT else name)
        )

    groups: dict[tuple[object, ...], list[int]] = {}
    for k, c in enumerate(tried):
        groups.setdefault(rest(c), []).append(k)
    pairs = [
        (a, b) if getattr(tried[a], name) < getattr(tried[b], name) else (b, a)
        for group in groups.values()
        for i, a in enumerate(group)
        for b in group[i + 1 :]
        if getattr(tried[a], name) != getattr(tried[b], name)
    ]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _disorder(values: Floats, pairs: Indices, rising: float) -> Floats:
    """Sum of the steps that go the wrong way, over pairs; the last axis is of readings."""
    step = rising * (values[..., pairs[:, 1]] - values[..., pairs[:, 0]])
    wrong: Floats = np.maximum(-step, 0.0).sum(axis=-1)
    return wrong


def _rising(seen: _ReadOutcome) -> float:
    """1 where ``read`` should rise with what is tried: worse as slopes lean and spans grow; a larger gap
    holds less, but sags more and looks worse."""
    return -1.0 if seen.of == "let-go" else 1.0


def _against_order(seen: _ReadOutcome, pairs: Indices) -> float:
    if seen.kind is ConditionKind.SUPPORT and seen.of == "finish":
        return 1.0  # scars at small gaps, droop at large ones: no order
    rising = _rising(seen)
    return tail_chance(float(_disorder(seen.read, pairs, rising)), _disorder(seen.made, pairs, rising) + 1e-9)


def _told(
    seen: _ReadOutcome, pairs: Indices, readings: Sequence[Reading], failing: bool
) -> list[Contradiction]:
    """The worst pairs where the order is in doubt."""
    if not failing:
        return []
    step = -_rising(seen) * (seen.read[pairs[:, 1]] - seen.read[pairs[:, 0]])
    order = [k for k in np.argsort(-step, kind="stable") if step[k] > 0]
    found = []
    for k in order[:_MOST_NAMED]:
        a, b = (seen.at[int(j)] for j in pairs[k])
        found.append(Contradiction((a, b), seen.kind, _contradiction(readings[a], readings[b], seen)))
    return found


def _contradiction(easy: Reading, hard: Reading, seen: _ReadOutcome) -> str:
    name = _RANK[seen.kind]
    unit = "°" if seen.kind is ConditionKind.OVERHANG else " mm"
    a, b = (f"{getattr(r.condition, name):g}{unit}" for r in (easy, hard))
    of = _LEVEL[seen.kind]
    if seen.of == "let-go":
        return f"a {of} of {a} came off {_word(easy)}, the larger one of {b} {_word(hard)}"
    if seen.of == "finish":
        return f"{of} {a} has finish {easy.finish}, {b} finish {hard.finish}"
    return f"{of} {a} sagged by {easy.droop_mm:g} mm, {b} by {hard.droop_mm:g} mm"


def _word(reading: Reading) -> str:
    return "" if reading.let_go is None else reading.let_go.value


def _strange(
    found: Sequence[_ReadOutcome], readings: Sequence[Reading], some: Sequence[int]
) -> list[Outlier]:
    """Single readings that the model would hardly give, the strangest first."""
    count = sum(len(seen.at) for seen in found)
    told = []
    for seen in found:
        for k in np.flatnonzero(seen.chance < _STRANGE / max(count, 1)):
            reading = readings[seen.at[k]]
            says, expected = _said(seen, reading, float(seen.middle[k]))
            told.append(Outlier(some[seen.at[k]], seen.kind, says, expected, float(seen.chance[k])))
    return sorted(told, key=lambda one: one.chance)[:_MOST_NAMED]


def _said(seen: _ReadOutcome, reading: Reading, middle: float) -> tuple[str, str]:
    if seen.of == "finish":
        return f"finish {reading.finish}", f"about {middle + 1:.0f}"
    if seen.of == "let-go":
        way: LetGo = LET_GO_GRADES[int(middle)]
        return _word(reading), way.value
    return f"sagged by {reading.droop_mm:g} mm", f"about {middle:.2f} mm"
