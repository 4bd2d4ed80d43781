"""The audit of a machine program as a page: verdict, findings with pictures, undersides, figures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from falsework.auditing.value import Audit, Finding, FindingLevel, Place, UndersideAudit
from falsework.auditing.views import PlaceView, views_of
from falsework.kernels.bead.resting import SUPPORT
from falsework.report import paper
from falsework.report.colour import SUPPORT as BRICK
from falsework.report.colour import css
from falsework.watch import QUIET, Watch
from falsework.wording import figures as words
from falsework.wording.cautions import CautionedTask, cautions

_MOST_PICTURES = 24
_SIDE = 320.0  # of a picture, drawing units
_FOOT = 34.0
_CUT_SIDE = 110.0  # height of a cut, at least where lengths allow
TONES = {
    "beneath": "#d9d5ca",
    "support beneath": "#e4c3b8",
    "strand": "#a9a496",
    "support": css(BRICK),
    "marked": "#22282b",
}
"""Tone of each role that a strand may have in a picture."""

LEVEL_MEANS = {
    FindingLevel.RUIN: "the print fails, or the machine is at risk",
    FindingLevel.FAULT: "it will not come out as it should",
    FindingLevel.CAUTION: "it may show",
    FindingLevel.NOTE: "good to know",
}
SIGN = {FindingLevel.RUIN: "▨", FindingLevel.FAULT: "◆", FindingLevel.CAUTION: "△", FindingLevel.NOTE: "○"}


@dataclass(frozen=True)
class Drawn:
    """One picture: paths by role (see ``TONES``), a ring around the point, scale bar."""

    side: float
    height: float
    paths: tuple[tuple[str, str, str], ...]  # role, width, path
    core: str  # of the marked strands
    core_width: str
    box: tuple[float, float, float, float]
    point: tuple[float, float]
    scale_mm: int
    scale_units: float
    low: tuple[float, float]  # x, y of the lower left corner, mm
    axis: str  # along which it is cut
    across: str  # where: "y 50.2 mm"
    cut_height: float
    cuts: tuple[tuple[str, str], ...]  # role, path of filled boxes
    heights: tuple[tuple[float, str], ...]  # y of ticks in the cut, and their heights


def audit_html(audit: Audit, watch: Watch = QUIET) -> str:
    r"""A self-contained page of an audit that still has its geometry (as ``falsework.audit`` gives it).

    Examples
    --------
    >>> import falsework
    >>> program = b"G28\nG90\nM82\nM104 S210\nG1 Z0.2 F600\nG1 X10 Y10 F6000\nG1 X40 Y10 E1 F1200\n"
    >>> falsework.audit_html(falsework.audit(program))[:15]
    '<!doctype html>'
    """
    return page_of(audit, pictures_of(audit, watch))


def pictures_of(audit: Audit, watch: Watch = QUIET) -> dict[int, tuple[PlaceView, Drawn]]:
    """What is seen around the worst findings that have a place, by their numbers; reads the program again."""
    first = [group.findings[0] for group in audit.answer.groups]
    order = [*first, *(f.number for f in audit.findings if f.number not in first)]
    every = [(n, audit.findings[n - 1].place) for n in order]
    placed = [(n, place) for n, place in every if place is not None][:_MOST_PICTURES]
    views = views_of(audit.geometry, [place for _, place in placed], watch)
    return {
        number: (view, drawn_of(view, place)) for (number, place), view in zip(placed, views, strict=True)
    }


def page_of(audit: Audit, pictures: Mapping[int, tuple[PlaceView, Drawn]]) -> str:
    """The page of an audit with its pictures as :func:`pictures_of` gives them."""
    return paper.render(
        "audit.html",
        audit=audit,
        pictures={number: drawn for number, (_, drawn) in pictures.items()},
        means=LEVEL_MEANS,
        sign=SIGN,
        counts=[(level, sum(f.level is level for f in audit.findings)) for level in reversed(FindingLevel)],
        figures=figure_rows(audit),
        undersides=[underside_row(u) for u in audit.undersides],
        where=where,
        shown={number for group in audit.answer.groups for number in group.findings},
        tones=TONES,
        cautions=cautions(CautionedTask.PRINT),
        words=words,
    )


def where(finding: Finding) -> str:
    """Layer, height, point and lines of a finding in words."""
    place = finding.place
    if place is None:
        if not finding.lines:
            return "the whole program"
        shown = ", ".join(str(line) for line in finding.lines[:5])
        return (
            f"line {shown}"
            if len(finding.lines) == 1
            else f"lines {shown}{' …' if len(finding.lines) > 5 else ''}"
        )
    layer = f"layer {place.layer}"
    if place.layers > 1:
        layer = f"from layer {place.layer}"
    x, y = (words.number(v, 1) for v in place.at_mm)
    a, b = place.lines
    lines = f"line {a}" if a == b else f"lines {a} to {b}"
    return f"{layer}, height {words.number(place.z_mm, 2)} mm, x {x}, y {y}; {lines}"


def drawn_of(view: PlaceView, place: Place) -> Drawn:
    """A view as paths: layers beneath pale, the layer itself in the part's and the support's tone."""
    x0, y0, x1, _ = view.box_mm
    scale = _SIDE / (x1 - x0)
    paths: list[tuple[str, str, str]] = []
    classes = (
        (view.beneath & (view.owner != SUPPORT), "beneath"),
        (view.beneath & (view.owner == SUPPORT), "support beneath"),
        (~view.beneath & (view.owner != SUPPORT) & ~view.marked, "strand"),
        (~view.beneath & (view.owner == SUPPORT) & ~view.marked, "support"),
        (view.marked, "marked"),
    )
    for mask, role in classes:
        chosen = np.flatnonzero(mask)
        if len(chosen) == 0:
            continue
        width = float(np.median(view.width_mm[chosen])) * scale
        paths.append((role, f"{width:.1f}", _path(view, chosen, scale)))
    marked = np.flatnonzero(view.marked)
    core = _path(view, marked, scale)
    core_width = f"{0.3 * float(np.median(view.width_mm[marked])) * scale:.1f}" if len(marked) else "1"
    bx0, by0, bx1, by1 = place.box_mm
    long = max(v for v in (1, 2, 5, 10, 20) if v * scale < 0.45 * _SIDE)
    return Drawn(
        side=_SIDE,
        height=_SIDE + _FOOT,
        paths=tuple(paths),
        core=core,
        core_width=core_width,
        box=(
            (bx0 - x0) * scale - 5,
            _SIDE - (by1 - y0) * scale - 5,
            (bx1 - bx0) * scale + 10,
            (by1 - by0) * scale + 10,
        ),
        point=((place.at_mm[0] - x0) * scale, _SIDE - (place.at_mm[1] - y0) * scale),
        scale_mm=long,
        scale_units=long * scale,
        low=(x0, y0),
        **_cut(view, place, scale),
    )


def _cut(view: PlaceView, place: Place, scale: float) -> dict[str, Any]:
    """The cut through a place: boxes of strands, heights drawn larger than lengths where they are small."""
    axis = "xy"[view.axis]
    left = view.box_mm[view.axis]
    cuts = view.cut_mm
    low, high = (float(cuts[:, 2].min()), float(cuts[:, 3].max())) if len(cuts) else (0.0, 1.0)
    tall = min(3.0 * scale, max(scale, _CUT_SIDE / max(high - low, 1e-6)))
    paths = []
    for mask, role in (
        ((view.cut_owner != SUPPORT) & ~view.cut_marked, "strand"),
        ((view.cut_owner == SUPPORT) & ~view.cut_marked, "support"),
        (view.cut_marked, "marked"),
    ):
        boxes = []
        for a, b, bottom, top in cuts[mask]:
            x, y = (a - left) * scale, (high - top) * tall
            boxes.append(
                f"M{x:.1f} {y:.1f}h{(b - a) * scale:.1f}v{(top - bottom) * tall:.1f}h{(a - b) * scale:.1f}z"
            )
        if boxes:
            paths.append((role, "".join(boxes)))
    step = next(v for v in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 50.0) if v * tall > 22.0 or v == 50.0)
    ticks = np.arange(math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6) + 1) * step
    return {
        "axis": axis,
        "across": f"{'yx'[view.axis]} {words.number(place.at_mm[1 - view.axis], 1)} mm",
        "cut_height": (high - low) * tall + 12.0,
        "cuts": tuple(paths),
        "heights": tuple(((high - float(t)) * tall, words.number(round(float(t), 2), 1)) for t in ticks),
    }


def _path(view: PlaceView, chosen: np.ndarray, scale: float) -> str:
    x0, y0, _, _ = view.box_mm
    ends = view.ends_mm[chosen]
    xa, ya = (ends[:, 0] - x0) * scale, _SIDE - (ends[:, 1] - y0) * scale
    xb, yb = (ends[:, 2] - x0) * scale, _SIDE - (ends[:, 3] - y0) * scale
    pieces = []
    last = (None, None)
    for a, b, c, d in zip(xa.round(1), ya.round(1), xb.round(1), yb.round(1), strict=True):
        start = "" if (a, b) == last else f"M{a:g} {b:g}"
        pieces.append(f"{start}L{c:g} {d:g}")
        last = (c, d)
    return "".join(pieces)


def figure_rows(audit: Audit) -> list[tuple[str, str, str]]:
    """What the program comes to, beside the plan's estimate where there is one."""
    f = audit.figures
    planned_m = "" if f.planned_filament_mm is None else words.with_unit(f.planned_filament_mm / 1000, "m", 2)
    planned_t = "" if f.planned_time_s is None else words.duration(f.planned_time_s)
    rows = [
        ("filament", f"{words.with_unit(f.filament_mm / 1000, 'm', 2)}, {words.mass(f.mass_g)}", planned_m),
        ("time, with acceleration", words.duration(f.time_s), planned_t),
        ("layers", f"{f.layers}, most of them {words.with_unit(f.height_mm, 'mm', 3)} high", ""),
        ("strands", f"{f.strands}, most of them {words.with_unit(f.width_mm, 'mm', 2)} wide", ""),
    ]
    if audit.placement is not None:
        turn = words.number(round(audit.placement.turn_deg, 2) + 0.0, 2)
        moved = ", ".join(words.number(round(v, 2) + 0.0, 2) for v in audit.placement.shift_mm)
        lies = f"turned by {turn}°, moved by {moved} mm"
        rows.append(("the part in it", lies, ""))
        rows.append(("supports", words.with_unit(f.support_mm3 / 1000, "cm³", 2), ""))
        rows.append(("beside part and supports", words.with_unit(f.aside_mm3 / 1000, "cm³", 2), ""))
    rows += [
        ("nozzle, bed", f"{f.nozzle_c:.0f} °C, {f.bed_c:.0f} °C", ""),
        *_amounts(audit),
        ("fan above the first layer", f"{100 * f.fan:.0f} %", ""),
        ("lines read", str(f.lines), ""),
    ]
    return rows


def _amounts(audit: Audit) -> list[tuple[str, str, str]]:
    """How much the strands get, how fast walls are, and what was passed over."""
    f = audit.figures
    rows = []
    if f.fed_share is not None:
        rows.append(("filament for the room between lines", words.share(f.fed_share), ""))
    if f.wall_speed_mm_s is not None:
        rows.append(("walls", words.with_unit(f.wall_speed_mm_s, "mm/s", 0), ""))
    if f.harmless:
        rows.append(("commands that change nothing laid", str(f.harmless), ""))
    if len(audit.copies) > 1:
        rows.append(("copies of the part", str(len(audit.copies)), ""))
    return rows


HEAD = ("no.", "kind", "height mm", "planned", "carried", "gap mm", "interface", "spacing mm", "verdict")


def underside_row(u: UndersideAudit) -> tuple[str, ...]:
    """An underside as planned and as found, for tables."""
    gap = "–" if u.gap_mm is None else f"{u.gap_mm:.3f}"
    if u.planned_gap_mm:
        gap += f" of {u.planned_gap_mm:.3f}"
    return (
        str(u.number),
        u.kind.value,
        f"{u.height_mm:.2f}",
        u.standing.value,
        f"{100 * u.carried_share:.0f} %",
        gap,
        "–" if u.interface_layers is None else str(u.interface_layers),
        "–" if u.spacing_mm is None else f"{u.spacing_mm:.1f}",
        u.verdict,
    )
