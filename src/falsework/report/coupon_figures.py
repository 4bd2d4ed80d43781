"""Drawings of the recording sheet, as SVG without any text: the piece from above, calipers, five undersides.

Letters in them are those that stand on the piece, drawn from the same strokes.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from falsework.coupon.geometry import PrintedPiece
from falsework.coupon.lettering import HIGH, WIDE, lettering, width_strokes
from falsework.coupon.sizes import strip_mm, stroke_mm
from falsework.coupon.supports import layers_of
from falsework.coupon.value import Cell, Coupon, Shape
from falsework.layers import overlay, planar

INK, SOFT, LOW, OVER, PAPER = "#22282b", "#565d60", "#cfcabd", "#f0ece1", "#ffffff"
MARK = "#8a3a29"  # where to look and to measure: also told apart by its dashes
_JAW = f'fill="{PAPER}" stroke="{MARK}" stroke-width="0.7"'
_SOLID = f'fill="{LOW}" stroke="{INK}" stroke-width="0.5"'
_SIGN, _SIGNS_A_ROW = 0.8, 14  # stroke of letters in a drawing of its own scale, and how many fit beside


def _svg(width: float, height: float, body: str, view: str | None = None) -> str:
    box = view or f"0 0 {width:g} {height:g}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{width:g}mm" height="{height:g}mm" '
        f'fill="none" stroke-linecap="round" stroke-linejoin="round">{body}</svg>'
    )


def _path(region: planar.Geometry) -> str:
    """Path data of polygons, y upwards turned down."""
    rings = []
    for polygon in planar.get_parts(region):
        for ring in (polygon.exterior, *polygon.interiors):
            points = np.asarray(ring.coords)[:-1]
            rings.append("M" + "L".join(f"{x:.2f} {-y:.2f}" for x, y in points) + "z")
    return "".join(rings)


def plan_svg(coupon: Coupon, batch: int, body: PrintedPiece) -> str:
    """One body from above, at the scale of all: what lies on the bed dark, what is over air or support light.

    Each cell's label as it stands on the piece and, larger, beside it; on the cell the direction of the
    strands (arrows) and, dashed, where the jaws go.
    """
    stack = layers_of(body.part, coupon.process)
    outline = overlay.union_all(stack.regions)
    x0, y0, _, _ = planar.bounds(outline)
    wide, high = (max(one.size_mm[k] for one in coupon.batches) for k in (0, 1))
    pen = 0.006 * max(wide, high)
    edge = f'stroke="{INK}" stroke-width="{pen:.3f}" fill-rule="evenodd"'
    shapes = [
        f'<path d="{_path(outline)}" fill="{OVER}" {edge}/>',
        f'<path d="{_path(stack.regions[0])}" fill="{LOW}" fill-rule="evenodd"/>',
    ]
    strip, line = strip_mm(coupon.process), coupon.process.line_width_mm
    shapes.append(_letters(coupon.batches[batch].code, stroke_mm(coupon.process), x0 + line, y0 + line))
    cells = [cell for cell in coupon.cells if cell.batch == batch]
    sign = _sign_stroke(cells, high)
    beside = x0 - 1.5 * sign
    for cell in cells:
        shapes += [_cell(cell, stroke_mm(coupon.process), strip, pen), _beside(cell, sign, beside)]
    margin, left = 2 * pen, (WIDE + 2.5) * sign
    view = (x0 - left - margin, -y0 - high - margin, left + wide + 2 * margin, high + 2 * margin)
    return _svg(view[2], view[3], "".join(shapes), " ".join(f"{v:.2f}" for v in view))


def _sign_stroke(cells: list[Cell], high: float) -> float:
    """Stroke of the letters beside the piece: as high as cells lie apart, but for a gap."""
    places = sorted(cell.middle_mm[1] for cell in cells)
    apart = min((b - a for a, b in pairwise(places)), default=high)
    return min(0.82 * apart, 0.08 * high) / HIGH


def _beside(cell: Cell, stroke: float, right: float) -> str:
    wide = width_strokes(cell.label) * stroke
    return _letters(cell.label, stroke, right - wide, cell.middle_mm[1] - 0.5 * HIGH * stroke)


def _letters(text: str, stroke: float, x: float, y: float) -> str:
    outline = planar.transform(lettering(text, stroke), lambda p: p + np.array([x, y]))
    return f'<path d="{_path(outline)}" fill="{INK}" fill-rule="evenodd"/>'


def _cell(cell: Cell, stroke: float, strip: float, pen: float) -> str:
    (x, y), (length, width) = cell.middle_mm, cell.size_mm
    left = x - 0.5 * length
    middle = left - 0.5 * strip
    out = [
        _letters(
            cell.label, stroke, middle - 0.5 * stroke * width_strokes(cell.label), y - 0.5 * HIGH * stroke
        )
    ]
    # where the jaws go: across the middle, or near the upper edge of a fin
    at = x + (0.42 * length if cell.shape is Shape.FIN else 0.0)
    reach = 0.5 * width + 3 * pen
    dashes = f'stroke-width="{1.6 * pen:.3f}" stroke-dasharray="{2.5 * pen:.3f} {2.5 * pen:.3f}"'
    out.append(f'<path d="M{at:.2f} {-y - reach:.2f}V{-y + reach:.2f}" stroke="{MARK}" {dashes}/>')
    if cell.shape is not Shape.FIN:
        half, head = 0.30 * length, 2.2 * pen
        a, b, v = x - half, x + half, -y + 0.22 * width
        out.append(
            f'<path d="M{a:.2f} {v:.2f}H{b:.2f}M{a + head:.2f} {v - head:.2f}L{a:.2f} {v:.2f}L{a + head:.2f} '
            f'{v + head:.2f}M{b - head:.2f} {v - head:.2f}L{b:.2f} {v:.2f}L{b - head:.2f} {v + head:.2f}" '
            f'stroke="{SOFT}" stroke-width="{pen:.3f}"/>'
        )
    return "".join(out)


def finish_svg(finish: int) -> str:
    """An underside as it looks along its strands, from 1 (loops hang down) to 5 (as a wall)."""
    count, radius, top = 9, 2.0, 4.0
    drop = {5: 0.0, 4: 0.3, 3: 3.0, 2: 3.6, 1: 4.2}[finish]
    apart = {5: 3.7, 4: 3.85, 3: 3.95, 2: 4.6, 1: 5.2}[finish]
    middle = 0.5 * (count - 1)
    dots = []
    for k in range(count):
        bow = 1.0 - ((k - middle) / (middle + 1)) ** 2
        uneven = math.sin(2.4 * k) * {5: 0.0, 4: 0.3, 3: 0.3, 2: 1.0, 1: 1.2}[finish]
        x, y = 24 + (k - middle) * apart, top + radius + drop * bow + uneven
        if finish == 1 and k in (2, 5):
            continue
        dots.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius}"/>')
    loops = ""
    if finish == 1:
        loops = f'<path d="M12 7C10 22 19 23 18 8M27 8C26 19 34 21 33 7" stroke="{INK}" stroke-width="1.6"/>'
    body = (
        f'<path d="M2 0.5H46V{top}H2z" fill="{LOW}" stroke="{INK}" stroke-width="0.5"/>'
        f'<g fill="{OVER}" stroke="{INK}" stroke-width="0.6">{"".join(dots)}</g>{loops}'
    )
    number = _letters(str(finish), 1.5, -7.0, -13.0)
    return _svg(56, 20, body + number, "-8 0 56 20")


def calipers_svg(shape: Shape, labels: str = "") -> str:
    """Where the outside jaws go, seen from the side; beneath it the labels of the cells that it is of."""
    high, body = _fin() if shape is Shape.FIN else _between_posts(shape)
    signs, at = "", high + 1.0
    for row in (labels[k : k + _SIGNS_A_ROW] for k in range(0, len(labels), _SIGNS_A_ROW)):
        at += (HIGH + 2.0) * _SIGN
        signs += _letters(row, _SIGN, 1.0, -at)
    return _svg(48, at + 1.0 if labels else high, body + signs)


def _fin() -> tuple[float, str]:
    """A fin that leans 45°, the jaws square across it near its upper edge; height and drawing."""
    body = (
        f'<path d="M6 21H18V25H6z" {_SOLID}/>'
        f'<g transform="rotate(-45 18 21)"><path d="M14 17H38V21H18z" {_SOLID}/>'
        f'<path d="M32 17H36L37 11H31z" {_JAW}/><path d="M32 23H36L37 29H31z" {_JAW}/>'
        f'<path d="M22 21Q30 24 37 21.5" stroke="{INK}" stroke-width="0.5" fill="{LOW}"/></g>'
    )
    return 26.0, body


def _between_posts(shape: Shape) -> tuple[float, str]:
    top, thick = 7.0, 4.0
    sag = f"M8 {top}H40V{top + thick}Q24 {top + thick + 5} 8 {top + thick}z"
    posts = f'<path d="M3 {top}H8V25H3z" {_SOLID}/>'
    if shape is not Shape.LEDGE:
        posts += f'<path d="M40 {top}H45V25H40z" {_SOLID}/>'
    low = top + thick + 2.6
    body = (
        f'{posts}<path d="{sag}" {_SOLID}/><path d="M22 {top}H26L27 1H21z" {_JAW}/>'
        f'<path d="M22 {low}H26L27 {low + 6.4}H21z" {_JAW}/>'
    )
    return 26.0, body
