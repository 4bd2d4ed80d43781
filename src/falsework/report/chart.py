"""The figures by height: silhouette, area over air, and droop, drawn against one upright scale."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from falsework.planning.value import Plan
from falsework.report.colour import LEAST_MM, MOST_MM, TICKS_MM, css, droop_rgb, scale_position
from falsework.report.scene import Scene
from falsework.wording.figures import number

HEIGHT, TOP, BOTTOM = 430.0, 34.0, 392.0
_SHADOW = (64.0, 244.0)  # x range of the silhouette
_AREA = (276.0, 450.0)
_DROOP = (516.0, 700.0)
WIDTH = 730.0
_BANDS = 110
_MOST_MARKS = 60
_SHADOW_ROWS = 170


@dataclass(frozen=True)
class Bar:
    y: float
    height: float
    width: float


@dataclass(frozen=True)
class Mark:
    """Droop of one underside left to itself: middle value, interval and height."""

    number: int
    x: float
    low_x: float
    high_x: float
    y: float
    fill: str
    label: bool


@dataclass(frozen=True)
class Chart:
    shadow: str  # path of the silhouette, '' without geometry
    squeezed: bool  # the silhouette is too wide to keep its proportions
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    unmarked: int
    height_ticks: tuple[tuple[float, str], ...]
    area_ticks: tuple[tuple[float, str], ...]
    droop_ticks: tuple[tuple[float, str], ...]
    spans: tuple[tuple[float, float], ...] = (_SHADOW, _AREA, _DROOP)


def ticks(most: float, about: int) -> list[float]:
    """Round steps from 0 to ``most``, roughly ``about`` of them."""
    if most <= 0.0:
        return [0.0]
    raw = most / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= raw * (1 - 1e-9))
    return [round(k * step, 10) for k in range(int(most / step + 1e-9) + 1)]


def _droop_x(droop_mm: float) -> float:
    return _DROOP[0] + (_DROOP[1] - _DROOP[0]) * scale_position(droop_mm)


def _shadow(scene: Scene, y_of_mm: float) -> str:
    """Front silhouette as runs of each row, filled from a small z-buffer."""
    from falsework.kernels.picture.drawing import draw_triangles

    low, high = scene.bounds_mm
    size = high - low
    scale = min((_SHADOW[1] - _SHADOW[0]) / max(size[0], 1e-9), y_of_mm)
    rows, columns = _SHADOW_ROWS, max(2, round(_SHADOW_ROWS * float(size[0] / size[2])))
    columns = min(columns, 4 * _SHADOW_ROWS)
    points, faces = scene.part.points, scene.part.faces
    screen = np.empty_like(points)
    screen[:, 0] = (points[:, 0] - low[0]) / size[0] * columns
    screen[:, 1] = (high[2] - points[:, 2]) / size[2] * rows
    screen[:, 2] = 0.0
    depth = np.full((rows, columns), -np.inf)
    face = np.full((rows, columns), -1, dtype=np.int64)
    tag = face.copy()
    draw_triangles(screen, faces, np.zeros(len(faces), dtype=np.int64), depth, face, tag)
    width = scale * size[0]
    left = _SHADOW[1] - width
    step_x, step_y = width / columns, y_of_mm * size[2] / rows
    bottom = BOTTOM - y_of_mm * low[2]
    covered = np.pad(tag >= 0, ((0, 0), (1, 1)))
    edges = np.diff(covered.astype(np.int8), axis=1)
    runs: list[tuple[int, int, int, int]] = []  # start, end, first row, last row: equal runs are drawn once
    open_runs: dict[tuple[int, int], int] = {}
    for r in range(rows + 1):
        here: set[tuple[int, int]] = set()
        if r < rows:
            here = set(
                zip(
                    np.flatnonzero(edges[r] == 1).tolist(),
                    np.flatnonzero(edges[r] == -1).tolist(),
                    strict=True,
                )
            )
        for key in sorted(open_runs.keys() - here):
            start, end = key
            runs.append((start, end, open_runs.pop(key), r))
        for key in here - open_runs.keys():
            open_runs[key] = r
    top = bottom - y_of_mm * size[2]
    return "".join(
        f"M{left + a * step_x:.1f} {top + r0 * step_y:.1f}H{left + b * step_x:.1f}V{top + r1 * step_y:.1f}"
        f"H{left + a * step_x:.1f}z"
        for a, b, r0, r1 in sorted(runs, key=lambda run: (run[2], run[0]))
    )


def make_chart(plan: Plan, scene: Scene | None) -> Chart:
    """Everything placed in drawing units; the template only draws."""
    z_mm = np.array(plan.layers.z_mm)
    need = np.array(plan.layers.need_mm2)
    top_mm = max(float(z_mm[-1]), plan.part.size_mm[2])
    y_of_mm = (BOTTOM - TOP) / top_mm
    most = float(need.max()) if need.size else 0.0
    bars = []
    count = len(need)
    bands = min(_BANDS, count)
    cuts = np.linspace(0, count, bands + 1).round().astype(np.int64)
    for first, end in pairwise(cuts.tolist()):
        value = float(need[first:end].max())
        if value > 0.0:
            y = BOTTOM - y_of_mm * float(z_mm[end])
            width = max(1.0, (_AREA[1] - _AREA[0]) * value / most)
            bars.append(Bar(round(y, 2), round(y_of_mm * float(z_mm[end] - z_mm[first]), 2), round(width, 2)))
    marks: list[Mark] = []
    labelled: list[tuple[float, float]] = []
    for u in plan.undersides[:_MOST_MARKS]:
        x, y = _droop_x(u.droop_mm.value), BOTTOM - y_of_mm * u.height_mm
        clear = all(abs(y - other_y) > 13 or abs(x - other_x) > 22 for other_x, other_y in labelled)
        if clear:
            labelled.append((x, y))
        low_x, high_x = _droop_x(u.droop_mm.low), _droop_x(u.droop_mm.high)
        marks.append(
            Mark(u.number, round(x, 2), round(low_x, 2), round(high_x, 2), round(y, 2),
                 css(droop_rgb(u.droop_mm.value)), clear)
        )  # fmt: skip
    return Chart(
        _shadow(scene, y_of_mm) if scene is not None else "",
        plan.part.size_mm[0] * y_of_mm > 1.01 * (_SHADOW[1] - _SHADOW[0]),
        tuple(bars),
        tuple(marks),
        max(0, len(plan.undersides) - _MOST_MARKS),
        tuple((round(BOTTOM - y_of_mm * t, 2), number(t, 0 if top_mm >= 8 else 1)) for t in ticks(top_mm, 8)),
        tuple(
            (round(_AREA[0] + (_AREA[1] - _AREA[0]) * t / most, 2), number(t, 0 if most >= 4 else 2))
            for t in (ticks(most, 4) if most else [])
        ),
        tuple((round(_droop_x(t), 2), _tick_word(t)) for t in TICKS_MM),
    )


def _tick_word(droop_mm: float) -> str:
    text = f"{droop_mm:g}"
    return f"≤{text}" if droop_mm == LEAST_MM else f"≥{text}" if droop_mm == MOST_MM else text
