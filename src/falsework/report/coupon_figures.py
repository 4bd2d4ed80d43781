"""Drawings of the recording sheet, as SVG without any text: the piece from above, calipers, five undersides.

Letters in them are those that stand on the piece, drawn from the same strokes.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.coupon.geometry import PrintedPiece
from falsework.coupon.lettering import HIGH, lettering, width_strokes
from falsework.coupon.sizes import strip_mm, stroke_mm
from falsework.coupon.supports import layers_of
from falsework.coupon.value import Cell, Coupon, Shape
from falsework.layers import overlay, planar

INK, SOFT, LOW, OVER, PAPER = "#22282b", "#565d60", "#cfcabd", "#f0ece1", "#ffffff"
MARK = "#8a3a29"  # where to look and to measure: also told apart by its dashes


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

    Beside each cell its label; on it the direction of the strands (arrows) and, dashed, where the jaws go.
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
    stroke, strip = stroke_mm(coupon.process), strip_mm(coupon.process)
    line = coupon.process.line_width_mm
    shapes.append(_letters(coupon.batches[batch].code, stroke, x0 + line, y0 + line))
    shapes += [_cell(cell, stroke, strip, pen) for cell in coupon.cells if cell.batch == batch]
    margin = 2 * pen
    view = (x0 - margin, -y0 - high - margin, wide + 2 * margin, high + 2 * margin)
    return _svg(view[2], view[3], "".join(shapes), " ".join(f"{v:.2f}" for v in view))


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
    return _svg(48, 20, body)


def calipers_svg(shape: Shape) -> str:
    """Where the outside jaws go, seen from the side."""
    jaw = f'fill="{PAPER}" stroke="{MARK}" stroke-width="0.7"'
    solid = f'fill="{LOW}" stroke="{INK}" stroke-width="0.5"'
    if shape is Shape.FIN:  # a fin that leans 45°, the jaws square across it near its upper edge
        body = (
            f'<path d="M6 21H18V25H6z" {solid}/>'
            f'<g transform="rotate(-45 18 21)"><path d="M14 17H38V21H18z" {solid}/>'
            f'<path d="M32 17H36L37 11H31z" {jaw}/><path d="M32 23H36L37 29H31z" {jaw}/>'
            f'<path d="M22 21Q30 24 37 21.5" stroke="{INK}" stroke-width="0.5" fill="{LOW}"/></g>'
        )
        return _svg(48, 26, body)
    top, thick = 7.0, 4.0
    sag = f"M8 {top}H40V{top + thick}Q24 {top + thick + 5} 8 {top + thick}z"
    posts = f'<path d="M3 {top}H8V25H3z" {solid}/>'
    if shape is not Shape.LEDGE:
        posts += f'<path d="M40 {top}H45V25H40z" {solid}/>'
    low = top + thick + 2.6
    body = (
        f'{posts}<path d="{sag}" {solid}/><path d="M22 {top}H26L27 1H21z" {jaw}/>'
        f'<path d="M22 {low}H26L27 {low + 6.4}H21z" {jaw}/>'
    )
    return _svg(48, 26, body)
