"""Curves of what is predicted, with their intervals and the readings as points, placed in drawing units."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from falsework.arrays import Floats
from falsework.report.chart import ticks
from falsework.report.colour import css, tone_rgb

Ticks = tuple[tuple[float, str], ...]

WIDTH, HEIGHT = 466.0, 330.0
LEFT, RIGHT, TOP, BOTTOM = 100.0, 452.0, 30.0, 286.0
ROWS_TOP, ROW = 30.0, 13.0  # rows of readings above the field of shares
_BESIDE = 5.0  # readings of one place stand side by side, this far apart
_MOST_BESIDE = 9


@dataclass(frozen=True)
class Dot:
    """One reading; ``full`` tells two rows apart."""

    x: float
    y: float
    full: bool


@dataclass(frozen=True)
class ShareBand:
    """One grade of a field of shares: the area it takes up, its tone, its row of readings."""

    path: str
    tone: str
    name: str
    row_y: float


@dataclass(frozen=True)
class Shares:
    """Probabilities of grades over a setting, stacked from the worst at the bottom; the readings above
    them in a row for each grade. The band is the 90 % interval of the border that matters."""

    layers: tuple[ShareBand, ...]
    border: str
    band: str
    dots: tuple[Dot, ...]
    marks: tuple[tuple[float, str], ...]  # upright lines with their words
    across: Ticks
    up: Ticks


@dataclass(frozen=True)
class MedianLine:
    """One median with its band; dashed lines belong to hollow points."""

    middle: str
    band: str
    dashed: bool
    word: str
    word_x: float
    word_y: float


@dataclass(frozen=True)
class Sags:
    """Sag over span, both on logarithmic axes, for two shares of the fan."""

    lines: tuple[MedianLine, ...]
    dots: tuple[Dot, ...]
    level_y: float  # what still counts as clean
    level: str
    marks: tuple[tuple[float, str], ...]
    across: Ticks
    up: Ticks


def shares(
    x: Floats,
    grades: Floats,
    names: Sequence[str],
    border: int,
    readings: Sequence[tuple[float, int]],
    marks: Sequence[tuple[float, str]],
    step: str = "{:g}",
) -> Shares:
    """``grades`` (S, n, grades) over ``x`` (n,), worst first; ``border``: how many of the worst lie beneath
    the border that matters; ``readings`` as (x, grade)."""
    low, high, best = float(x[0]), float(x[-1]), len(names) - 1
    field_top = ROWS_TOP + len(names) * ROW + 10.0

    def at_x(value: float) -> float:
        return LEFT + (RIGHT - LEFT) * (min(max(value, low), high) - low) / (high - low)

    def at_y(share: float) -> float:
        return BOTTOM - (BOTTOM - field_top) * share

    below = np.concatenate([np.zeros((len(x), 1)), np.cumsum(grades.mean(axis=0), axis=1)], axis=1)
    places = [at_x(float(v)) for v in x]
    layers = tuple(
        ShareBand(
            _closed(places, [at_y(v) for v in below[:, k + 1]], [at_y(v) for v in below[:, k]]),
            css(tone_rgb(4 * k / best)),
            names[k],
            ROWS_TOP + ROW * (best - k) + 0.5 * ROW,
        )
        for k in range(len(names))
    )
    edge = grades[..., :border].sum(axis=2)
    ends = np.quantile(edge, (0.05, 0.95), axis=0)
    beside: dict[tuple[float, int], int] = {}
    dots = []
    for value, grade in sorted(readings):
        if not low <= value <= high:
            continue
        count = beside[value, grade] = beside.get((value, grade), -1) + 1
        if count < _MOST_BESIDE:
            away = _BESIDE * ((count + 1) // 2) * (1 if count % 2 else -1)
            dots.append(Dot(round(at_x(value) + away, 1), layers[grade].row_y, True))
    steps = [t for t in ticks(high, 8) if t >= low - 1e-9]
    return Shares(
        layers,
        _open(places, [at_y(float(v)) for v in edge.mean(axis=0)]),
        _closed(places, [at_y(float(v)) for v in ends[1]], [at_y(float(v)) for v in ends[0]]),
        tuple(dots),
        tuple((round(at_x(value), 1), word) for value, word in marks if low <= value <= high),
        tuple((round(at_x(t), 1), step.format(t)) for t in steps),
        tuple((round(at_y(t), 1), f"{t:g}") for t in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)),
    )


def sags(
    spans_mm: Floats,
    rows: Sequence[tuple[Floats, str, Sequence[tuple[float, float]]]],
    clean_mm: float,
    marks: Sequence[tuple[float, str]],
) -> Sags:
    """``rows``: draws (S, n) of the sag, words, and readings as (span, sag) for each share of the fan."""
    measured = [v for _, _, readings in rows for v in readings]
    spans = [s for s, _ in measured]
    low_x = 0.8 * min([spans_mm[4], *spans])
    high_x = 1.25 * max([spans_mm[-9], *spans])
    low_y, high_y = 0.03, 1.3 * max([3.0, 6.0 * clean_mm, *(d for _, d in measured)])

    def at_x(value: float) -> float:
        return LEFT + (RIGHT - LEFT) * math.log(value / low_x) / math.log(high_x / low_x)

    def at_y(value: float) -> float:
        inside = min(max(value, low_y), high_y)
        return BOTTOM - (BOTTOM - TOP) * math.log(inside / low_y) / math.log(high_y / low_y)

    shown = (spans_mm >= low_x) & (spans_mm <= high_x)
    places = [at_x(float(v)) for v in spans_mm[shown]]
    lines = []
    for k, (draws, word, _) in enumerate(rows):
        low, middle, high = np.quantile(draws[:, shown], (0.05, 0.5, 0.95), axis=0)
        inside = [j for j, v in enumerate(middle) if low_y <= v <= high_y]
        place = inside[len(inside) // 2]
        lines.append(
            MedianLine(
                _open([places[j] for j in inside], [at_y(float(middle[j])) for j in inside]),
                _closed(places, [at_y(float(v)) for v in high], [at_y(float(v)) for v in low]),
                k > 0,
                word,
                round(places[place] + (8 if k == 0 else -6), 1),
                round(at_y(float(middle[place])) + (14 if k == 0 else -8), 1),
            )
        )
    dots = [
        Dot(round(at_x(span), 1), round(at_y(sag), 1), k == 0)
        for k, (_, _, readings) in enumerate(rows)
        for span, sag in readings
    ]
    return Sags(
        tuple(lines),
        tuple(dots),
        round(at_y(clean_mm), 1),
        f"{clean_mm:g} mm",
        tuple((round(at_x(value), 1), word) for value, word in marks if low_x <= value <= high_x),
        _log_ticks(low_x, high_x, at_x),
        _log_ticks(low_y, high_y, at_y),
    )


def _log_ticks(low: float, high: float, at: Callable[[float], float]) -> Ticks:
    values = [m * 10.0**e for e in range(-3, 4) for m in (1.0, 2.0, 5.0)]
    return tuple((round(at(v), 1), f"{v:g}") for v in values if low <= v <= high)


def _open(xs: Sequence[float], ys: Sequence[float]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in zip(xs, ys, strict=True))


def _closed(xs: Sequence[float], upper: Sequence[float], lower: Sequence[float]) -> str:
    there = [f"{x:.1f} {y:.1f}" for x, y in zip(xs, upper, strict=True)]
    back = [f"{x:.1f} {y:.1f}" for x, y in zip(xs, lower, strict=True)]
    return "M" + "L".join([*there, *reversed(back)]) + "z"
