"""Printers that do not obey the model's laws, for ``worlds.py``; the families are told there.

Every figure here is constructed: the right size by common sense, and drawn anew for each printer.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr, stdtr

from falsework.coupon import Condition, ConditionKind, LetGo, Reading
from falsework.coupon.conditions import clean_droop_mm, printed, run_mm, support_condition
from falsework.droop.laws import Laws
from falsework.process import Process

Floats = NDArray[np.float64]
_GUMBEL_MEDIAN = -math.log(math.log(2.0))
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
GRADES = (LetGo.FUSED, LetGo.SCRAPED, LetGo.TOOL, LetGo.HAND, LetGo.TOUCH, LetGo.FELL)


@dataclass(frozen=True)
class World:
    """One printer × PLA that does not obey the model, with two graders ``a`` and ``b`` and a tray that is
    worse on one side. The family's laws are those of its class."""

    seed: int
    gap_mm: float  # at which tool and scraper are even, 0.2 mm layers, dense roof
    grade_mm: float  # width of a grade of let-go
    scatter: float  # of let-go, in grades
    sag_mm: float  # over 30 mm, full fan
    sag_still: float  # how many times as much with the fan off
    sag_by_height: float
    limit_deg: tuple[float, float]  # fan off, and what full fan adds
    degrees_a_grade: float
    finish_scatter: float
    graders: tuple[float, float]  # offset of b's grades against a's: finish, let-go
    worse: tuple[float, float, float]  # finish, let-go, log sag on the worse side
    outliers: float
    print_jitter: float

    # laws: qualities without noise, on the better side

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        raise NotImplementedError

    def let_go_quality(self, c: Condition) -> float:
        assert c.air_gap_mm is not None
        quality = self.gap_quality(c.air_gap_mm, c.layer_height_mm)
        quality += 0.0 if (c.interface_layers or 0) > 0 else 0.5
        return quality - 0.25 * (c.weave == "crossed") - 0.3 * min(c.perimeter_lines or 0, 1)

    def sag(self, c: Condition, span_mm: float) -> float:
        raise NotImplementedError

    def _sag(self, c: Condition, span_mm: float, power: float) -> float:
        fan = 1.0 + (self.sag_still - 1.0) * (1.0 - c.fan)
        height = (c.layer_height_mm / 0.2) ** self.sag_by_height
        return self.sag_mm * (span_mm / 30.0) ** power * fan * height

    def limit_of(self, c: Condition) -> float:
        raise NotImplementedError

    def come_off(self, quality: Floats) -> Floats:
        """Share of supports of that quality that come off in one go."""
        raise NotImplementedError

    def noise(self, rng: np.random.Generator) -> float:
        """Scatter of let-go from support to support, of about one logistic unit."""
        raise NotImplementedError

    def _own(self, what: int) -> float:
        """Of 0 to 1, this printer's own."""
        return float(np.random.default_rng([self.seed, what, 97]).random())

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        """How far each cell lies on the worse side, 0 to 1: half of the cells."""
        return (rng.permutation(count) % 2).astype(np.float64)

    places: ClassVar[tuple[float, ...]] = (0.0, 1.0)  # of such sides, over which truths are means
    wear = 0.0  # of let-go, grades a print
    mixed_up = False  # whether outliers are a neighbour's reading
    finish_of_print = 0.0  # how far the finish shares what supports of one print have in common

    # truths of a process

    def true_limit(self, process: Process) -> float:
        """Half of all slopes, over sides and graders, look closed."""
        angles = np.linspace(5.0, 89.0, 841)
        limit = self.limit_of(printed(ConditionKind.OVERHANG, process, angle_deg=45.0))
        quality = (limit - angles) / self.degrees_a_grade
        closed = np.mean([expit(q / self.finish_scatter) for q in self._seen(quality, 0)], axis=0)
        return float(np.interp(0.5, closed[::-1], angles[::-1]))

    def true_bridge(self, process: Process) -> float:
        c = printed(ConditionKind.BRIDGE, process, span_mm=10.0)
        spans = np.geomspace(3.0, 300.0, 400)
        sag = np.array([self.sag(c, float(s)) for s in spans]) * math.exp(0.5 * self.worse[2])
        return float(np.exp(np.interp(math.log(clean_droop_mm(process)), np.log(sag), np.log(spans))))

    def removable(self, process: Process, layers: Floats) -> Floats:
        """Share of supports that come off in one go, over sides and graders."""
        start = support_condition(process, run_mm(Laws(process)))
        gaps = layers * process.layer_height_mm
        quality = np.array([self.let_go_quality(replace(start, air_gap_mm=float(g))) for g in gaps])
        return np.mean([self.come_off(q) for q in self._seen(quality, 1)], axis=0)

    def _seen(self, quality: Floats, what: int) -> list[Floats]:
        """Quality as either grader sees it, over the tray."""
        return [
            quality + side * self.graders[what] / 2 - place * self.worse[what]
            for side in (-1, 1)
            for place in self.places
        ]

    def true_gap(self, process: Process) -> float:
        """Least gap at which 4 of 5 come off, in layers, whether it can be printed or not."""
        layers = np.linspace(0.0, 12.0, 1201)
        return float(np.interp(0.8, np.maximum.accumulate(self.removable(process, layers)), layers))

    # readings

    def readings(
        self, conditions: Sequence[Condition], piece: int, noise: int | None = None
    ) -> list[tuple[str, list[Reading]]]:
        """What one print reads, first to who happens to grade it, then to the other: the same cells with the
        same noise, by another standard and with slips of his own. Prints of the same ``noise`` (as ``piece``
        where it is None) have the same luck."""
        luck = piece if noise is None else noise
        rng = np.random.default_rng([self.seed, luck, 41])
        others = np.random.default_rng([self.seed, luck, 43])
        first = int(rng.integers(2))
        shared = self.print_jitter * rng.standard_normal() - self.wear * piece
        places = self.sides(len(conditions), rng)
        told: list[list[Reading]] = [[], []]
        for c, at in zip(conditions, places.tolist(), strict=True):
            same = copy.deepcopy(rng)
            told[0].append(self._reading(c, (first - 0.5, shared, at), rng, rng))
            told[1].append(self._reading(c, (0.5 - first, shared, at), same, others))
        if self.mixed_up:
            self._mix_up(told[0], rng)
            self._mix_up(told[1], others)
        return [("ab"[first], told[0]), ("ab"[1 - first], told[1])]

    def _slipped(
        self, mark: int, let_go: LetGo | None, droop: float | None, slips: np.random.Generator
    ) -> tuple[int, LetGo | None, float | None]:
        """What is written down by mistake: anything."""
        mark = int(slips.integers(1, 6))
        let_go = None if let_go is None else GRADES[int(slips.integers(6))]
        return mark, let_go, None if droop is None else round(droop + slips.uniform(-0.2, 0.8), 2)

    def _mix_up(self, found: list[Reading], rng: np.random.Generator) -> None:
        """Neighbours of a kind take each other's readings now and then."""
        for k in range(len(found) - 1):
            if rng.random() < self.outliers and found[k].condition.kind == found[k + 1].condition.kind:
                one, other = found[k], found[k + 1]
                found[k] = replace(other, condition=one.condition)
                found[k + 1] = replace(one, condition=other.condition)

    def _reading(
        self,
        c: Condition,
        taken: tuple[float, float, float],
        rng: np.random.Generator,
        slips: np.random.Generator,
    ) -> Reading:
        side, shared, at = taken
        droop, let_go = None, None
        noise = self.finish_scatter * rng.logistic() + side * self.graders[0] - at * self.worse[0]
        noise += self.finish_of_print * shared
        if c.kind is ConditionKind.OVERHANG:
            assert c.angle_deg is not None
            finish = 2.5 + (self.limit_of(c) - c.angle_deg) / self.degrees_a_grade
        elif c.kind is ConditionKind.BRIDGE:
            assert c.span_mm is not None
            droop = self.sag(c, c.span_mm) * math.exp(0.1 * rng.standard_normal() + at * self.worse[2])
            finish = 5.0 - 1.5 * math.sqrt(droop / 0.4)
        else:
            assert c.span_mm is not None and c.air_gap_mm is not None
            quality = self.let_go_quality(c) + self.scatter * self.noise(rng) + shared
            quality += side * self.graders[1] - at * self.worse[1]
            grade = int(np.searchsorted([-1.0, 0.0, 0.7, 2.0, 5.0], quality))
            let_go = GRADES[grade]
            droop = min(self.sag(c, c.span_mm), 0.7 * c.air_gap_mm) + 0.02
            finish = 5.0 - 1.5 * math.sqrt(droop / 0.4) - (1.6, 0.9, 0.2, 0.0, 0.0, 0.0)[grade]
        mark = int(np.clip(np.floor(finish + noise + 0.5), 1, 5))
        if droop is not None:
            droop = round(droop + 0.04 * rng.standard_normal(), 2)
        if not self.mixed_up and slips.random() < self.outliers:
            mark, let_go, droop = self._slipped(mark, let_go, droop, slips)
        return Reading("invented", "PLA", c, let_go, mark, droop, invented=True)


class Stated(World):
    """Bond by millimetres, sag by the third power of the span, limit linear in the fan."""

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        return (gap_mm - self.gap_mm) / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        return self._sag(c, span_mm, 3.0)

    def limit_of(self, c: Condition) -> float:
        return self.limit_deg[0] + self.limit_deg[1] * c.fan

    def come_off(self, quality: Floats) -> Floats:
        return expit(quality / self.scatter)

    def noise(self, rng: np.random.Generator) -> float:
        return float(rng.logistic())


class Held(World):
    """Bond by the gap over the root of the layer height, sag with a floor, a limit between share and angle,
    prints that are alike."""

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        return (gap_mm / math.sqrt(height_mm / 0.2) - self.gap_mm) / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        return 0.03 + self._sag(c, span_mm, 2.4)

    def limit_of(self, c: Condition) -> float:
        angle = math.radians(self.limit_deg[0] + self.limit_deg[1] * c.fan)
        return math.degrees(math.atan(math.tan(angle) * math.sqrt(0.2 / c.layer_height_mm)))

    def come_off(self, quality: Floats) -> Floats:
        return ndtr(quality / (1.7 * math.hypot(self.scatter, self.print_jitter)))

    def noise(self, rng: np.random.Generator) -> float:
        return 1.7 * float(rng.standard_normal())


class Fresh(World):
    """Bond by the logarithm of the gap with heavy tails, sag by a power of each printer's own, a limit by
    the square of the fan that falls with the layer height, a tray that gets worse by and by, wear, and cells
    that are mixed up."""

    places = (0.0, 0.25, 0.5, 0.75, 1.0)
    wear = 0.04
    mixed_up = True
    freedom = 3.0

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        scale = self.gap_mm * (height_mm / 0.2) ** 0.3
        return math.log(max(gap_mm, 0.02) / scale) * 0.3 / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        return self._sag(c, span_mm, 2.2 + 1.4 * self._own(1))

    def limit_of(self, c: Condition) -> float:
        falls = 10.0 * self._own(2) * math.log(c.layer_height_mm / 0.2)
        return self.limit_deg[0] + self.limit_deg[1] * c.fan**2 - falls

    def come_off(self, quality: Floats) -> Floats:
        scale = 1.5 * math.hypot(self.scatter, 0.6 * self.print_jitter)
        return stdtr(self.freedom, quality / scale)

    def noise(self, rng: np.random.Generator) -> float:
        return 1.5 * float(rng.standard_t(self.freedom))

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        return rng.permutation(np.linspace(0.0, 1.0, count))


class Sealed(World):
    """Bond by two slopes with a skew scatter, sag by two powers, a limit that is the lesser of a share and an
    angle and soon has enough of the fan, a tray worse at both ends, and marks that are one off."""

    places = (0.0, 0.25, 0.5, 0.75, 1.0)

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        beyond = gap_mm / (height_mm / 0.2) ** self._own(3) - self.gap_mm
        return (beyond if beyond < 0 else 0.6 * beyond) / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        return self._sag(c, span_mm, 2.0 if span_mm < 30.0 else 2.8 + 1.2 * self._own(4))

    def limit_of(self, c: Condition) -> float:
        angle = self.limit_deg[0] + self.limit_deg[1] * (1.0 - math.exp(-3.0 * c.fan))
        share = 1.15 * math.tan(math.radians(angle)) * 0.2 / c.layer_height_mm
        return min(angle, math.degrees(math.atan(share)))

    def come_off(self, quality: Floats) -> Floats:
        shared = quality[..., None] + self.print_jitter * _NODES
        stay = np.exp(-np.exp(np.minimum(shared / self.scatter - _GUMBEL_MEDIAN, 50.0)))
        return np.asarray((1.0 - stay) @ _WEIGHTS)

    def noise(self, rng: np.random.Generator) -> float:
        return float(rng.gumbel()) - _GUMBEL_MEDIAN

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        return np.abs(rng.permutation(np.linspace(-1.0, 1.0, count)))

    def _slipped(
        self, mark: int, let_go: LetGo | None, droop: float | None, slips: np.random.Generator
    ) -> tuple[int, LetGo | None, float | None]:
        """A grade off."""
        by = int(slips.choice([-1, 1]))
        mark = int(np.clip(mark + by, 1, 5))
        return mark, None if let_go is None else GRADES[int(np.clip(GRADES.index(let_go) + by, 0, 5))], droop


class Waved(World):
    """Bond that levels off both ways with a peaked scatter, sag exponential in the span, a limit that is a
    hyperbola in the fan and goes by a root of the layer height, a tray worse in waves, finish that prints
    share, and slips to either end."""

    places = tuple(0.5 + 0.5 * math.sin(0.2 * math.pi * k) for k in range(10))
    finish_of_print = 0.5

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        beyond = gap_mm - 0.5 * self._own(5) * (height_mm - 0.2) - self.gap_mm
        return 3.0 * math.tanh(beyond / (3.0 * self.grade_mm))

    def sag(self, c: Condition, span_mm: float) -> float:
        over = 12.0 + 10.0 * self._own(6)
        return self._sag(c, 30.0, 1.0) * math.expm1(span_mm / over) / math.expm1(30.0 / over)

    def limit_of(self, c: Condition) -> float:
        angle = self.limit_deg[0] + self.limit_deg[1] * 1.4 * c.fan / (0.4 + c.fan)
        return min(angle * (0.2 / c.layer_height_mm) ** (0.15 + 0.3 * self._own(7)), 84.0)

    def come_off(self, quality: Floats) -> Floats:
        shared = (quality[..., None] + self.print_jitter * _NODES) / (1.3 * self.scatter)
        tail = 0.5 * np.exp(-np.abs(shared))
        return np.asarray(np.where(shared < 0, tail, 1.0 - tail) @ _WEIGHTS)

    def noise(self, rng: np.random.Generator) -> float:
        return 1.3 * float(rng.laplace())

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        return 0.5 + 0.5 * np.sin(rng.uniform(0.0, 2 * math.pi) + 0.4 * math.pi * np.arange(count))

    def _slipped(
        self, mark: int, let_go: LetGo | None, droop: float | None, slips: np.random.Generator
    ) -> tuple[int, LetGo | None, float | None]:
        """The wrong end of the scale."""
        return (1, 5)[mark < 3], None if let_go is None else GRADES[int(slips.choice([0, 5]))], droop


class Rooted(World):
    """Bond by the root of the gap with a scatter that is now and then three times as wide, sag by the square
    and the fourth power of the span, a limit that has a threshold in the fan and falls straight with the
    layer height, a tray worse in one corner, finish that prints share, and marks that repeat the one
    before."""

    places = tuple(a * b for a in (0.1, 0.3, 0.5, 0.7, 0.9) for b in (0.1, 0.3, 0.5, 0.7, 0.9))
    finish_of_print = 1.0
    mixed_up = True
    seldom = 0.12

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        scale = self.gap_mm * (height_mm / 0.2) ** (0.8 * self._own(8))
        return 2.0 * math.sqrt(scale) * (math.sqrt(max(gap_mm, 0.0)) - math.sqrt(scale)) / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        return 0.6 * self._sag(c, span_mm, 2.0) + 0.4 * self._sag(c, span_mm, 4.0)

    def limit_of(self, c: Condition) -> float:
        angle = self.limit_deg[0] + self.limit_deg[1] * float(expit(8.0 * (c.fan - 0.5)))
        return angle - 120.0 * self._own(9) * (c.layer_height_mm - 0.2)

    def come_off(self, quality: Floats) -> Floats:
        usual, wide = (math.hypot(by * 1.3 * self.scatter, self.print_jitter) for by in (1.0, 3.0))
        return np.asarray((1.0 - self.seldom) * ndtr(quality / usual) + self.seldom * ndtr(quality / wide))

    def noise(self, rng: np.random.Generator) -> float:
        return 1.3 * (3.0 if rng.random() < self.seldom else 1.0) * float(rng.standard_normal())

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        return rng.random(count) * rng.random(count)

    def _mix_up(self, found: list[Reading], rng: np.random.Generator) -> None:
        """The marks of the cell before, written once more."""
        for k in range(1, len(found)):
            if rng.random() < self.outliers and found[k].condition.kind == found[k - 1].condition.kind:
                before = found[k - 1]
                found[k] = replace(found[k], let_go=before.let_go, finish=before.finish)


class Creased(World):
    """Bond by the square of the gap, supports of two kinds (one firmer, one looser, as if two spools took
    turns), sag that begins only from a span on, a limit by the sine of the fan that falls where layers are
    thin, a tray worse in the middle, and lines of the sheet that slip by one from somewhere on."""

    places = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
    mixed_up = True
    apart = 1.3  # of the two kinds from their middle, in scatters

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        scale = self.gap_mm * (height_mm / 0.2) ** (0.9 * self._own(10))
        return 0.5 * (max(gap_mm, 0.0) ** 2 / scale - scale) / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        free = 4.0 + 6.0 * self._own(11)
        over = np.logaddexp(0.0, (span_mm - free) / 3.0) / np.logaddexp(0.0, (30.0 - free) / 3.0)
        return self._sag(c, 30.0, 1.0) * float(over) ** 1.9

    def limit_of(self, c: Condition) -> float:
        thin = 6.0 * self._own(12) * float(expit((0.15 - c.layer_height_mm) / 0.015))
        return self.limit_deg[0] + self.limit_deg[1] * math.sin(0.5 * math.pi * c.fan) - thin

    def come_off(self, quality: Floats) -> Floats:
        wide = math.hypot(0.7 * self.scatter, self.print_jitter)
        kinds = [ndtr((quality + by * self.apart * self.scatter) / wide) for by in (-1.0, 1.0)]
        return np.asarray(np.mean(kinds, axis=0))

    def noise(self, rng: np.random.Generator) -> float:
        return self.apart * (1.0, -1.0)[int(rng.random() < 0.5)] + 0.7 * float(rng.standard_normal())

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        return 1.0 - np.abs(rng.permutation(np.linspace(-1.0, 1.0, count)))

    def _mix_up(self, found: list[Reading], rng: np.random.Generator) -> None:
        """From some line on, three lines of a kind stand one too low."""
        if len(found) < 5 or rng.random() > 4.0 * self.outliers:
            return
        start = int(rng.integers(1, len(found) - 3))
        for k in range(start + 2, start - 1, -1):
            before = found[k - 1]
            if before.condition.kind == found[k].condition.kind:
                found[k] = replace(before, condition=found[k].condition)


class Cooled(World):
    """Bond by a ratio that is never quite gone, scatter with a tail towards what sticks, sag by a power that
    the fan changes, a limit by the cube of the fan and the inverse of the layer height, a tray of which a
    fifth is much worse, finish that prints share by a half, and graders who shun both ends of the scale."""

    places = (0.0, 0.0, 0.0, 0.0, 1.7)
    finish_of_print = 0.5

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        scale = self.gap_mm * (height_mm / 0.2) ** (0.2 + 0.6 * self._own(13))
        return 3.0 * scale * (gap_mm - scale) / (max(gap_mm, 0.0) + 2.0 * scale) / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        return self._sag(c, span_mm, 2.1 + 1.1 * self._own(14) + 0.6 * (1.0 - c.fan))

    def limit_of(self, c: Condition) -> float:
        angle = self.limit_deg[0] + self.limit_deg[1] * c.fan**3
        return min(angle + 3.0 * self._own(15) * (0.2 / c.layer_height_mm - 1.0), 84.0)

    def come_off(self, quality: Floats) -> Floats:
        shared = quality[..., None] + self.print_jitter * _NODES
        sticks = np.exp(-np.exp(np.minimum(-shared / self.scatter - _GUMBEL_MEDIAN, 50.0)))
        return np.asarray(sticks @ _WEIGHTS)

    def noise(self, rng: np.random.Generator) -> float:
        return _GUMBEL_MEDIAN - float(rng.gumbel())

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        return np.where(rng.permutation(count) % 5 == 0, 1.7, 0.0)

    def _reading(
        self,
        c: Condition,
        taken: tuple[float, float, float],
        rng: np.random.Generator,
        slips: np.random.Generator,
    ) -> Reading:
        found = super()._reading(c, taken, rng, slips)
        shunned = slips.random() < 0.5
        if not shunned or found.finish is None:
            return found
        return replace(found, finish=int(np.clip(found.finish, 2, 4)))


class Salted(World):
    """Bond that rises to a ceiling, a scatter with two ends and nothing beyond, prints that come off a little
    better one after the other, sag that jumps at a span where strands part, a limit by the root of the fan
    that falls with the square of the layer height, a tray worse along one edge, finish that prints share,
    marks of far cells exchanged, and supports of which half are not looked at from beneath."""

    places = (0.0, 0.0, 0.0, 1.0)
    finish_of_print = 0.7
    wear = -0.02
    mixed_up = True
    half_width = 3.0  # of the scatter

    def gap_quality(self, gap_mm: float, height_mm: float) -> float:
        scale = self.gap_mm * (height_mm / 0.2) ** (0.1 + 0.8 * self._own(16))
        return -3.0 * scale * math.expm1(-(gap_mm - scale) / (3.0 * scale)) / self.grade_mm

    def sag(self, c: Condition, span_mm: float) -> float:
        part = 18.0 + 20.0 * self._own(17)
        jump, usual = (1.0 + 0.8 * float(expit((s - part) / 1.5)) for s in (span_mm, 30.0))
        return self._sag(c, span_mm, 2.3) * jump / usual

    def limit_of(self, c: Condition) -> float:
        falls = 60.0 * self._own(18) * (c.layer_height_mm**2 - 0.04)
        return self.limit_deg[0] + self.limit_deg[1] * math.sqrt(c.fan) - falls

    def come_off(self, quality: Floats) -> Floats:
        shared = quality[..., None] + self.print_jitter * _NODES
        return np.asarray(np.clip(0.5 + shared / (2.0 * self.half_width * self.scatter), 0.0, 1.0) @ _WEIGHTS)

    def noise(self, rng: np.random.Generator) -> float:
        return float(rng.uniform(-self.half_width, self.half_width))

    def sides(self, count: int, rng: np.random.Generator) -> Floats:
        return (rng.permutation(count) % 4 == 0).astype(np.float64)

    def _mix_up(self, found: list[Reading], rng: np.random.Generator) -> None:
        """The first and the last, the second and the last but one, … exchange their readings."""
        for k in range(len(found) // 2):
            one, other = found[k], found[-1 - k]
            if rng.random() < self.outliers and one.condition.kind == other.condition.kind:
                found[k] = replace(other, condition=one.condition)
                found[-1 - k] = replace(one, condition=other.condition)

    def _reading(
        self,
        c: Condition,
        taken: tuple[float, float, float],
        rng: np.random.Generator,
        slips: np.random.Generator,
    ) -> Reading:
        found = super()._reading(c, taken, rng, slips)
        passed_over = slips.random() < 0.5 and c.kind is ConditionKind.SUPPORT
        return replace(found, finish=None) if passed_over else found


FAMILIES = {
    "stated": Stated,
    "held": Held,
    "fresh": Fresh,
    "sealed": Sealed,
    "waved": Waved,
    "rooted": Rooted,
    "creased": Creased,
    "cooled": Cooled,
    "salted": Salted,
}
_LOTS = {  # of seeds
    "stated": 6, "held": 4, "fresh": 5, "sealed": 7, "waved": 12, "rooted": 11, "creased": 23, "cooled": 31,
    "salted": 47,
}  # fmt: skip
_OUTLIERS = {
    "stated": 0.05, "held": 0.08, "fresh": 0.06, "sealed": 0.10, "waved": 0.07, "rooted": 0.06,
    "creased": 0.06, "cooled": 0.05, "salted": 0.07,
}  # fmt: skip
_PRINT_JITTER = {
    "stated": 0.0, "held": 0.3, "fresh": 0.2, "sealed": 0.25, "waved": 0.2, "rooted": 0.25,
    "creased": 0.2, "cooled": 0.25, "salted": 0.2,
}  # fmt: skip


def world(family: str, seed: int) -> World:
    """The seed's printer of a family."""
    rng = np.random.default_rng([seed, 20261129, _LOTS[family]])

    def around(value: float, log_sd: float) -> float:
        return value * math.exp(log_sd * rng.standard_normal())

    return FAMILIES[family](
        seed,
        gap_mm=float(rng.uniform(0.12, 0.5)),
        grade_mm=around(0.12, 0.35),
        scatter=around(0.25, 0.3),
        sag_mm=around(0.45, 0.5),
        sag_still=float(rng.uniform(1.5, 3.5)),
        sag_by_height=float(rng.uniform(-1.0, 0.0)),
        limit_deg=(float(rng.uniform(32.0, 50.0)), float(rng.uniform(4.0, 18.0))),
        degrees_a_grade=float(rng.uniform(4.0, 9.0)),
        finish_scatter=around(0.25, 0.3),
        graders=(0.5 * rng.standard_normal(), 0.4 * rng.standard_normal()),
        worse=(float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.2, 0.6)), float(rng.uniform(0.1, 0.3))),
        outliers=_OUTLIERS[family],
        print_jitter=_PRINT_JITTER[family],
    )
