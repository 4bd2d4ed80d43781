"""The pictures of the glossary: one small drawing for each term.

    python docs/pictures/make_glossary.py        writes docs/pictures/glossary/<term>.svg

Sides are drawn as seen from the front, z up. Stone grey is the part, brick a support, dark blue what the term
names: the tones of the work order.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path

FOLDER = Path(__file__).with_name("glossary")
INK, PAPER, PART, SUPPORT, BED, MARK = "#23282b", "#fbfaf5", "#d3cfc6", "#c96f56", "#b9b3a4", "#00224e"
WIDTH, HEIGHT, GROUND = 132, 84, 74

Points = Sequence[tuple[float, float]]


def shape(points: Points, fill: str = PART, stroke: str = INK, more: str = "") -> str:
    at = " ".join(f"{x:g},{y:g}" for x, y in points)
    return f'<polygon points="{at}" fill="{fill}" stroke="{stroke}" {more}/>'


def box(x: float, y: float, width: float, height: float, fill: str = PART, more: str = "") -> str:
    """A rectangle by its lower left corner, ``y`` above the bed."""
    top = GROUND - y - height
    return (
        f'<rect x="{x:g}" y="{top:g}" width="{width:g}" height="{height:g}" fill="{fill}" stroke="{INK}" '
        f"{more}/>"
    )


def line(points: Points, stroke: str = INK, more: str = "") -> str:
    at = " ".join(f"{x:g},{y:g}" for x, y in points)
    return f'<polyline points="{at}" fill="none" stroke="{stroke}" {more}/>'


def dashed(points: Points, stroke: str = INK) -> str:
    return line(points, stroke, 'stroke-dasharray="3 2"')


def thick(points: Points, stroke: str = MARK, width: float = 3.0) -> str:
    return line(points, stroke, f'stroke-width="{width:g}"')


def curve(path: str, stroke: str = INK, more: str = 'fill="none"') -> str:
    return f'<path d="{path}" stroke="{stroke}" {more}/>'


def dot(x: float, y: float, radius: float = 2.2, fill: str = MARK, stroke: str = "none") -> str:
    return f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}" fill="{fill}" stroke="{stroke}"/>'


def word(x: float, y: float, text: str, size: float = 9.0, fill: str = INK) -> str:
    return f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" fill="{fill}" stroke="none">{text}</text>'


def arrow(x0: float, y0: float, x1: float, y1: float, stroke: str = MARK, width: float = 1.6) -> str:
    along = math.atan2(y1 - y0, x1 - x0)
    wings = [(x1 - 5.5 * math.cos(along + k), y1 - 5.5 * math.sin(along + k)) for k in (0.45, -0.45)]
    return line([(x0, y0), (x1, y1)], stroke, f'stroke-width="{width:g}"') + line(
        [wings[0], (x1, y1), wings[1]], stroke, f'stroke-width="{width:g}"'
    )


def both(x: float, top: float, bottom: float) -> str:
    """A distance, upright, with arrows at both ends."""
    middle = (top + bottom) / 2
    return arrow(x, middle, x, top) + arrow(x, middle, x, bottom)


def sheet(x: float, top: float, width: float = 34, height: float = 46, rows: int = 5) -> str:
    lines = "".join(
        line([(x + 5, top + 9 + 7 * k), (x + width - 5 - 4 * (k % 2), top + 9 + 7 * k)], BED)
        for k in range(rows)
    )
    frame = [(x, top), (x + width, top), (x + width, top + height), (x, top + height)]
    return shape(frame, PAPER) + lines


def bed() -> str:
    return line([(4, GROUND), (WIDTH - 4, GROUND)], INK, 'stroke-width="2"')


# ---- the part --------------------------------------------------------------------------------------------

TABLE = box(22, 0, 8, 38) + box(102, 0, 8, 38) + box(14, 38, 104, 10)
POST = box(24, 0, 14, 56)
ARM = POST + box(38, 44, 58, 12)
SLOPE = shape([(24, 74), (44, 74), (100, 26), (100, 16), (24, 16)])


def layers(
    count: int = 6, left: float = 26, width: float = 70, step: float = 0.0, height: float = 9
) -> list[str]:
    return [
        f'<rect x="{left:g}" y="{GROUND - (k + 1) * height:g}" width="{width + step * k:g}" '
        f'height="{height:g}" '
        f'rx="{height / 2:g}" fill="{PART}" stroke="{INK}"/>'
        for k in range(count)
    ]


def air() -> str:
    gaps = "".join(arrow(x, 68, x, 34) for x in (52, 68, 84))
    return ARM + gaps + bed()


def bridge() -> str:
    return TABLE + thick([(30, 36), (102, 36)]) + dot(30, 36) + dot(102, 36) + bed()


def cantilever() -> str:
    return ARM + thick([(38, 30), (96, 30)]) + dot(38, 30) + bed()


def island() -> str:
    return (
        ARM + box(78, 22, 18, 22) + thick([(78, 52), (96, 52)]) + dashed([(87, 54), (87, 73)], MARK) + bed()
    )


def fingerprint() -> str:
    rings = "".join(
        curve(f"M{66 - r} 34a{r} {r * 1.15:g} 0 0 1 {2 * r} 0v{8 - r / 3:g}", MARK) for r in (4, 8, 12, 16)
    )
    return sheet(20, 14) + rings + word(58, 64, "2973dfbc37ff", 9)


def one_layer() -> str:
    rows = layers()
    rows[3] = rows[3].replace(PART, MARK)
    return "".join(rows) + bed()


def position() -> str:
    lying = box(14, 0, 40, 10) + box(14, 10, 10, 30)
    turned = shape([(92, 34), (92, 74), (102, 74), (102, 44), (122, 44), (122, 34)])
    return (
        lying
        + turned
        + curve("M56 34Q70 12 86 26", MARK, 'fill="none" stroke-width="1.6"')
        + arrow(82, 21, 87, 28)
        + bed()
    )


def limit() -> str:
    return (
        shape([(30, 74), (50, 74), (84, 30), (84, 14), (30, 14)])
        + dashed([(50, 74), (50, 20)])
        + curve("M50 44A30 30 0 0 1 68.3 50.3", MARK, 'fill="none" stroke-width="2"')
        + word(88, 48, "48°", 11, MARK)
        + bed()
    )


def unaided() -> str:
    return (
        shape([(30, 74), (50, 74), (92, 26), (92, 14), (30, 14)])
        + thick([(50, 74), (92, 26)])
        + curve("M96 50l6 7 12-16", MARK, 'fill="none" stroke-width="3"')
        + bed()
    )


def reach() -> str:
    return (
        "".join(layers(4, left=20, width=48, step=14))
        + arrow(72, 52, 94, 52)
        + dashed([(82, 74), (82, 40)])
        + bed()
    )


def clean_face() -> str:
    eye = curve("M104 16q10-10 20 0q-10 10-20 0z", INK, f'fill="{PAPER}"') + dot(114, 16, 3)
    return box(24, 0, 70, 48) + thick([(24, 26), (94, 26)]) + eye + bed()


def underside() -> str:
    tag = shape([(96, 46), (112, 46), (118, 53), (112, 60), (96, 60)], PAPER) + word(101, 56.5, "1", 10)
    return ARM + thick([(38, 30), (96, 30)]) + line([(80, 31), (96, 52)]) + tag + bed()


# ---- supports --------------------------------------------------------------------------------------------


def support(
    *, foot: str = SUPPORT, body: str = SUPPORT, cap: str = SUPPORT, gap: float = 5.0, slab: str = PART
) -> str:
    """A slab over a support: foot, body, interface layers, air gap."""
    top = 48 - gap
    strands = "".join(
        line([(x, GROUND - 5), (x, GROUND - top + 8)], INK, 'stroke-width=".8"') for x in range(50, 86, 7)
    )
    return (
        box(14, 0, 14, 48)
        + box(14, 48, 100, 12, slab)
        + box(38, 0, 58, 5, foot)
        + box(44, 5, 46, top - 13, body)
        + strands
        + box(44, top - 8, 46, 8, cap)
        + line([(44, GROUND - top + 4), (90, GROUND - top + 4)], INK, 'stroke-width=".8"')
        + bed()
    )


def air_gap() -> str:
    return support(gap=8) + both(104, 27, 33) + dashed([(90, 26), (110, 26)]) + dashed([(90, 34), (110, 34)])


def printed_gap() -> str:
    grid = "".join(dashed([(36, 26 + k * 4), (118, 26 + k * 4)], BED) for k in range(4))
    return support(gap=8) + grid + both(104, 27, 33) + word(112, 34, "2 ×", 9, MARK)


def needing() -> str:
    return ARM + shape([(38, 30), (96, 30), (96, 34), (38, 34)], MARK) + word(50, 56, "?", 22, MARK) + bed()


def no_reach() -> str:
    return (
        POST
        + box(38, 44, 58, 12)
        + box(38, 0, 50, 14)
        + thick([(38, 30), (88, 30)])
        + arrow(64, 58, 64, 40)
        + line([(58, 46), (70, 54)], MARK)
        + bed()
    )


def sole() -> str:
    return (
        box(14, 0, 100, 14)
        + box(14, 14, 14, 34)
        + box(14, 48, 100, 12)
        + box(44, 19, 46, 5, MARK)
        + box(44, 24, 46, 12, SUPPORT)
        + box(44, 36, 46, 7, SUPPORT)
        + bed()
    )


def weave() -> str:
    one = "".join(line([(12, 16 + 8 * k), (56, 16 + 8 * k)], SUPPORT, 'stroke-width="3"') for k in range(7))
    two = "".join(line([(76, 16 + 8 * k), (120, 16 + 8 * k)], SUPPORT, 'stroke-width="3"') for k in range(7))
    cross = "".join(line([(78 + 8 * k, 13), (78 + 8 * k, 67)], MARK, 'stroke-width="2.2"') for k in range(6))
    return one + two + cross + word(14, 80, "parallel", 8) + word(80, 80, "crossed", 8)


def perimeter() -> str:
    rows = "".join(line([(36, 22 + 8 * k), (96, 22 + 8 * k)], SUPPORT, 'stroke-width="3"') for k in range(6))
    return (
        rows
        + '<rect x="30" y="14" width="72" height="56" rx="6" fill="none" '
        + f'stroke="{MARK}" stroke-width="3.4"/>'
    )


def piece() -> str:
    tags = "".join(
        shape([(x, 50), (x + 15, 50), (x + 15, 63), (x, 63)], PAPER) + word(x + 5, 60, text, 9)
        for x, text in ((36, "1"), (80, "2"))
    )
    return TABLE + box(36, 0, 18, 33, SUPPORT) + box(78, 0, 18, 33, SUPPORT) + tags + bed()


def marked_by_feet() -> str:
    return (
        box(14, 0, 100, 14)
        + box(14, 14, 14, 34)
        + box(14, 48, 100, 12)
        + box(44, 17, 46, 26, SUPPORT)
        + thick([(44, 60), (90, 60)])
        + "".join(line([(x, 63), (x + 4, 70)], MARK) for x in range(46, 88, 7))
        + bed()
    )


def starts() -> str:
    found = ""
    for k, text in enumerate(("leave", "bed", "bed-or-part")):
        x = 6 + 42 * k
        found += box(x, 0, 4, 40) + box(x, 40, 34, 7) + box(x + 4, 0, 14, 8)
        found += box(x + 23, 0, 8, 38, SUPPORT) if k else ""
        found += box(x + 8, 9, 8, 29, SUPPORT) if k == 2 else ""
        found += word(x - 2 if k == 2 else x, 22, text, 7)
    return found + bed()


def keep_off() -> str:
    cross = "".join(
        line([(x, 62), (x + 9, 72)], MARK) + line([(x + 9, 62), (x, 72)], MARK) for x in range(40, 100, 10)
    )
    return box(24, 0, 90, 14) + box(24, 14, 10, 34) + box(24, 48, 90, 10) + cross + bed()


def automatic() -> str:
    bars = "".join(
        box(x, 0, 20, height, PART) + word(x, 84 - 2, text, 6.5)
        for x, height, text in ((16, 52, ""), (42, 34, ""), (94, 40, ""))
    )
    return (
        bars
        + box(68, 0, 20, 18, MARK)
        + curve("M71 44l5 6 9-13", MARK, 'fill="none" stroke-width="3"')
        + bed()
    )


def sag() -> str:
    left = shape([(8, 74), (8, 22), (56, 22), (56, 74), (50, 74), (50, 34), (32, 46), (14, 34), (14, 74)])
    right = shape(
        [(76, 74), (76, 22), (124, 22), (124, 74), (118, 74), (118, 34), (100, 37), (82, 34), (82, 74)]
    )
    carried = box(86, 0, 28, 34, SUPPORT)
    return left + right + carried + dashed([(14, 34), (50, 34)]) + both(32, 35, 45) + bed()


def total() -> str:
    tones = (("filament", PART), ("time", BED), ("surface", SUPPORT), ("risk", MARK))
    found, at = "", 0.0
    for (text, tone), height in zip(tones, (12, 14, 17, 15), strict=True):
        found += box(22, at, 26, height, tone) + word(56, GROUND - at - height / 2 + 3, text, 9)
        at += height
    return found + bed()


def shore() -> str:
    lean = shape([(34, 28), (98, 28), (72, 52), (72, 74), (60, 74), (60, 52)], SUPPORT, INK)
    return box(14, 0, 10, 50) + box(14, 50, 104, 10) + lean + box(54, 0, 24, 4, SUPPORT) + bed()


def post() -> str:
    return shore() + box(60, 4, 12, 18, MARK)


def lane() -> str:
    rows = "".join(box(34 + 16 * k, 26, 5, 14, MARK) for k in range(5))
    arches = "".join(curve(f"M{39 + 16 * k} 40q5.5-12 11 0", INK, f'fill="{PAPER}"') for k in range(4))
    return (
        box(24, 0, 86, 26, SUPPORT)
        + box(28, 40, 80, 6, SUPPORT)
        + rows
        + arches
        + box(14, 51, 104, 10)
        + bed()
    )


def curtain() -> str:
    return TABLE + "".join(box(34 + 9 * k, 0, 3, 34, SUPPORT) for k in range(8)) + bed()


def plate() -> str:
    tip = shape([(66, 44), (40, 10), (92, 10)])
    return tip + box(54, 22, 24, 5, MARK) + box(63, 0, 6, 22, SUPPORT) + bed()


def rim() -> str:
    return box(60, 0, 12, 62) + box(30, 0, 30, 4, MARK) + box(72, 0, 30, 4, MARK) + bed()


def safety() -> str:
    push = arrow(20, 22, 56, 22)
    return (
        box(58, 0, 16, 62)
        + push
        + curve("M74 74A52 52 0 0 0 104 40", MARK, 'fill="none" stroke-dasharray="3 2"')
        + dot(74, 74, 3)
        + bed()
    )


def ready() -> str:
    return sheet(30, 12, 44, 58, 6) + curve("M84 40l9 11 18-24", MARK, 'fill="none" stroke-width="5"')


def hands() -> str:
    return box(20, 0, 46, 34, SUPPORT) + arrow(66, 56, 112, 56) + fingers(104, 56)


# ---- taking supports off ---------------------------------------------------------------------------------


def fingers(x: float, y: float) -> str:
    return "".join(
        f'<rect x="{x:g}" y="{y + k:g}" width="22" height="5" rx="2.5" fill="{PAPER}" stroke="{INK}"/>'
        for k in (-9, -3, 3)
    )


def pliers(x: float, y: float) -> str:
    return curve(
        f"M{x} {y - 4}q12 -2 16 4q10 12 22 12M{x} {y + 4}q12 2 16 -4q10 -12 22 -12",
        INK,
        'fill="none" stroke-width="3"',
    )


def stays() -> str:
    return (
        box(40, 0, 52, 24, SUPPORT)
        + shape([(24, 14), (108, 14), (108, 28), (24, 28)])
        + arrow(66, 44, 66, 31)
        + bed()
    )


def pulled(tool: Callable[[float, float], str]) -> str:
    return (
        box(10, 0, 8, 50)
        + box(10, 50, 76, 10)
        + box(34, 0, 40, 44, SUPPORT)
        + arrow(74, 52, 98, 52)
        + tool(98, 52)
        + bed()
    )


def broken() -> str:
    return (
        TABLE
        + box(36, 0, 26, 33, SUPPORT)
        + box(70, 0, 26, 33, SUPPORT)
        + dashed([(66, 34), (66, 76)], MARK)
        + arrow(49, 58, 34, 58)
        + arrow(83, 58, 98, 58)
        + bed()
    )


def bits() -> str:
    crumbs = "".join(
        dot(x, y, 3, SUPPORT, INK) for x, y in ((44, 66), (56, 60), (50, 70), (68, 68), (80, 62), (74, 54))
    )
    return TABLE + crumbs + line([(118, 24), (82, 58)], MARK, 'stroke-width="2"') + bed()


def closed_in() -> str:
    hollow = f'<rect x="38" y="34" width="56" height="28" fill="{PAPER}" stroke="{INK}"/>'
    return box(24, 0, 84, 58) + hollow + box(48, 13, 36, 22, SUPPORT) + bed()


def tears() -> str:
    crack = line([(70, 24), (74, 30), (69, 35), (75, 42)], MARK, 'stroke-width="2.4"')
    return (
        box(14, 0, 14, 60)
        + box(28, 32, 90, 18)
        + box(70, 0, 44, 32, SUPPORT)
        + crack
        + arrow(92, 58, 92, 72)
        + bed()
    )


# ---- prints, readings and tuning -------------------------------------------------------------------------


def plot(band: float, dots: Points = (), until: float = 120, wide: float = 0.0) -> str:
    """Axes, a rising line with its interval, readings."""
    low, high = [], []
    for k in range(11):
        x = 20 + k * 10
        y, half = 64 - 0.4 * (x - 20), band + wide * max(0.0, x - 66)
        low.append((x, y + half))
        high.append((x, max(y - half, 6)))
    area = shape([*high, *reversed(low)], BED, "none", 'fill-opacity=".55"')
    axes = line([(16, 10), (16, 74), (126, 74)])
    return area + thick([(20, 64), (120, 24)], INK, 1.6) + axes + "".join(dot(x, y) for x, y in dots)


NEAR = ((26, 60), (38, 58), (48, 52), (58, 50), (64, 45))
FAR = (*NEAR, (78, 42), (90, 35), (102, 33), (112, 26))


def coupon() -> str:
    cells = "".join(
        box(24 + 22 * k, 6, 12, 26 + 5 * k) + word(26 + 22 * k, 66, f"a{k + 1}", 8) for k in range(4)
    )
    return box(16, 0, 100, 6) + cells + bed()


def one_cell() -> str:
    return (
        coupon()
        + '<rect x="64" y="24" width="20" height="46" fill="none" rx="3" '
        + f'stroke="{MARK}" stroke-width="2.4"/>'
    )


def equal() -> str:
    return "".join(
        line([(24, y), (112, y)], BED) + thick([(x - w, y), (x + w, y)], MARK, 2) + dot(x, y, 3.4)
        for x, y, w in ((64, 26, 24), (72, 46, 26), (60, 64, 22))
    )


def finish() -> str:
    found = ""
    for k, depth in enumerate((20, 13, 7, 2, 0)):
        x = 6 + 25 * k
        found += f'<rect x="{x}" y="24" width="20" height="12" fill="{PART}" stroke="{INK}"/>'
        found += curve(f"M{x + 2} 36q4 {depth} 8 0q4 {depth} 8 0", MARK)
        found += word(x + 7, 72, str(k + 1), 10)
    return found


def invented() -> str:
    return (
        line([(16, 10), (16, 74), (126, 74)])
        + "".join(dot(x, y, 3, PAPER, MARK) for x, y in FAR)
        + word(58, 26, "?", 14)
    )


def ledger() -> str:
    spine = shape([(30, 14), (102, 14), (102, 72), (30, 72)], PAPER) + box(30, 2, 8, 58, MARK)
    return spine + "".join(
        line([(46, 24 + 9 * k), (94, 24 + 9 * k)], BED) + dot(50, 23 + 9 * k, 1.8) for k in range(5)
    )


def let_go() -> str:
    words = ("fused", "scraped", "tool", "hand", "touch", "fell")
    return "".join(
        f'<rect x="14" y="{8 + 12 * k}" width="{16 + 9 * k}" height="8" '
        + f'fill="{MARK if k == 3 else PART}" stroke="{INK}"/>'
        + word(82, 15 + 12 * k, text, 9)
        for k, text in enumerate(words)
    )


def likely() -> str:
    return (
        f'<circle cx="50" cy="42" r="30" fill="{MARK}" stroke="{INK}"/>'
        + curve("M50 42V12A30 30 0 0 0 39 14.1z", INK, f'fill="{PAPER}"')
        + word(88, 46, "94 %", 12)
    )


def note() -> str:
    pencil = shape([(78, 58), (108, 28), (114, 34), (84, 64), (76, 66)], SUPPORT)
    return sheet(24, 12, 48, 60, 6) + pencil


def reading() -> str:
    jaws = curve("M8 20H100V30H30V58H22V30H14V58H8z", INK, f'fill="{BED}"')
    return (
        jaws
        + box(14, 24, 8, 14, SUPPORT)
        + line([(34 + 8 * k, 24 + k % 2) for k in range(8)])
        + word(64, 52, "2.15 mm", 11, MARK)
    )


def interval() -> str:
    return (
        line([(16, 74), (120, 74)])
        + thick([(34, 44), (106, 44)], MARK, 2.4)
        + dot(62, 44, 4.5)
        + word(50, 32, "0.41", 10)
        + word(24, 62, "0.13", 9)
        + word(94, 62, "1.30", 9)
    )


# ---- the machine program ---------------------------------------------------------------------------------


def program() -> str:
    return sheet(36, 8, 60, 68, 0) + "".join(
        word(42, 22 + 12 * k, text, 8.5)
        for k, text in enumerate(("G1 X12 E.4", "G1 X31 E.9", "G1 Y20 E.3", "G0 Z2.4", "G1 X12 E.9"))
    )


def audit() -> str:
    glass = f'<circle cx="66" cy="36" r="15" fill="none" stroke="{MARK}" stroke-width="3"/>' + thick(
        [(77, 47), (90, 62)], MARK, 4
    )
    return sheet(10, 12) + sheet(88, 12) + glass


def own_words() -> str:
    return (
        sheet(36, 8, 60, 68, 0)
        + word(42, 22, "G1 X31 E.9", 8.5)
        + word(42, 40, "TOOL_UP", 8.5, MARK)
        + word(42, 58, "G1 Y20 E.3", 8.5)
    )


def levels() -> str:
    found = ""
    for k, (sign, text) in enumerate((("i", "note"), ("△", "caution"), ("✕", "fault"))):
        found += (
            dot(24, 20 + 22 * k, 8, PAPER, MARK)
            + word(20.6 - (k > 0) * 1.4, 23.6 + 22 * k, sign, 10, MARK)
            + word(42, 24 + 22 * k, text, 11)
        )
    return found


def stop() -> str:
    corners = [
        (66 + 32 * math.cos(math.pi / 8 + k * math.pi / 4), 42 + 32 * math.sin(math.pi / 8 + k * math.pi / 4))
        for k in range(8)
    ]
    return shape(corners, MARK) + f'<rect x="46" y="37" width="40" height="10" fill="{PAPER}"/>'


def totals() -> str:
    head = word(56, 16, "program", 8) + word(98, 16, "plan", 8)
    rows = "".join(
        word(12, 32 + 16 * k, text, 9) + word(60, 32 + 16 * k, one, 9, MARK) + word(98, 32 + 16 * k, two, 9)
        for k, (text, one, two) in enumerate(
            (("time", "2:08", "2:05"), ("grams", "22.9", "22.7"), ("layers", "400", "400"))
        )
    )
    return head + rows


def no_problem() -> str:
    return sheet(24, 10, 46, 62, 7) + curve("M80 44l9 11 20-26", MARK, 'fill="none" stroke-width="5"')


# ---- changing the part -----------------------------------------------------------------------------------


def corbel() -> str:
    return ARM + shape([(38, 30), (88, 30), (38, 70)], MARK) + bed()


def steps() -> str:
    block = f'<rect x="16" y="10" width="100" height="64" fill="{PART}" stroke="{INK}"/>'
    wide = f'<rect x="36" y="40" width="60" height="34" fill="{PAPER}" stroke="{INK}"/>'
    slot = f'<rect x="44" y="32" width="44" height="8" fill="{MARK}"/>'
    slot += f'<rect x="54" y="24" width="24" height="8" fill="{MARK}"/>'
    return block + wide + slot + f'<rect x="54" y="10" width="24" height="14" fill="{PAPER}" stroke="{INK}"/>'


def fin() -> str:
    return (
        ARM
        + "".join(shape([(x, 30.5), (x + 4, 30.5), (x + 4, 74), (x, 74)], MARK) for x in (56, 74, 90))
        + bed()
    )


def kept() -> str:
    hole = f'<circle cx="62" cy="44" r="15" fill="{PAPER}" stroke="{MARK}" stroke-width="3.4"/>'
    lock = f'<rect x="100" y="34" width="20" height="16" rx="2" fill="{MARK}"/>' + curve(
        "M104 34v-6a6 6 0 0 1 12 0v6", MARK, 'fill="none" stroke-width="2.4"'
    )
    return box(24, 0, 72, 60) + hole + lock + bed()


def membrane() -> str:
    block = f'<rect x="16" y="10" width="100" height="64" fill="{PART}" stroke="{INK}"/>'
    wide = f'<rect x="36" y="40" width="60" height="34" fill="{PAPER}" stroke="{INK}"/>'
    bore = f'<rect x="54" y="10" width="24" height="27" fill="{PAPER}" stroke="{INK}"/>'
    return block + wide + bore + f'<rect x="54" y="36" width="24" height="4" fill="{MARK}"/>'


def roof() -> str:
    block = f'<rect x="22" y="10" width="88" height="64" fill="{PART}" stroke="{INK}"/>'
    hole = f'<rect x="44" y="48" width="44" height="26" fill="{PAPER}" stroke="{INK}"/>'
    return block + hole + shape([(44, 48), (88, 48), (66, 22)], MARK)


def redrawn() -> str:
    before = box(8, 0, 8, 52) + box(16, 42, 36, 10)
    after = box(80, 0, 8, 52) + box(88, 42, 36, 10) + shape([(88, 32), (118, 32), (88, 62)], MARK)
    return before + box(22, 0, 26, 40, SUPPORT) + after + arrow(58, 44, 74, 44) + bed()


def share() -> str:
    return (
        box(30, 0, 30, 40, PART)
        + box(30, 40, 30, 18, MARK)
        + word(66, 62, "18.6 g", 9)
        + word(66, 30, "4.3 g", 9, MARK)
        + bed()
    )


def ribs() -> str:
    return TABLE + box(52, 0, 5, 38, MARK) + box(76, 0, 5, 38, MARK) + bed()


def hood() -> str:
    """How a part is cut into pieces."""
    return (
        box(20, 0, 40, 26)
        + box(20, 30, 40, 26)
        + dashed([(10, 46), (122, 46)], MARK)
        + box(37, 22, 6, 12, MARK)
        + bed()
    )


PICTURES: dict[str, Callable[[], str]] = {
    "air, over air": air,
    "bridge": bridge,
    "cantilever": cantilever,
    "faces to keep clean": clean_face,
    "file fingerprint": fingerprint,
    "island": island,
    "layer": one_layer,
    "lie": position,
    "limit angle": limit,
    "position on the bed": position,
    "prints unaided, just past the limit": unaided,
    "reach": reach,
    "ready to print": ready,
    "rim": rim,
    "stands with a safety of": safety,
    "underside": underside,
    "air gap": air_gap,
    "gap as printed": printed_gap,
    "area needing support": needing,
    "area bed supports cannot reach": no_reach,
    "automatic": automatic,
    "body": lambda: support(body=MARK),
    "cap": lambda: support(cap=MARK),
    "curtain": curtain,
    "faces supports must not touch": keep_off,
    "foot": lambda: support(foot=MARK),
    "interface layers": lambda: support(cap=MARK, gap=8),
    "lane": lane,
    "leave, bed, bed-or-part": starts,
    "part surface marked by support feet": marked_by_feet,
    "perimeter line": perimeter,
    "piece": piece,
    "plate": plate,
    "post": post,
    "sag without support, sag on support": sag,
    "shore": shore,
    "sole": sole,
    "total price, total with finish and risk": total,
    "weave": weave,
    "break up first": broken,
    "cannot be removed": closed_in,
    "comes by hand": lambda: pulled(fingers),
    "comes with a tool": lambda: pulled(pliers),
    "hand work": hands,
    "may tear the part": tears,
    "pick out in bits": bits,
    "stays on the bed": stays,
    "based on general values, not your prints": lambda: plot(20),
    "calibrated": lambda: plot(6, FAR),
    "cell": one_cell,
    "equally good so far": equal,
    "extrapolated": lambda: plot(6, NEAR, wide=0.35),
    "finish": finish,
    "invented": invented,
    "ledger": ledger,
    "let go": let_go,
    "likely right": likely,
    "note to the operator": note,
    "reading": reading,
    "test piece": coupon,
    "90 % interval": interval,
    "audit": audit,
    "machine program": program,
    "no problem found": no_problem,
    "note, caution, fault": levels,
    "stop: do not print": stop,
    "the machine's own text commands": own_words,
    "totals": totals,
    "corbel": corbel,
    "crossed steps": steps,
    "cut into pieces": hood,
    "drawn-in fin": fin,
    "faces to keep": kept,
    "membrane": membrane,
    "of which support": share,
    "peaked roof": roof,
    "redraw": redrawn,
    "ribs": ribs,
}
"""The drawing of each term of docs/glossary.md."""


def file_name(term: str) -> str:
    """``air, over air`` → ``air-over-air.svg``."""
    return re.sub(r"[^a-z0-9]+", "-", term.lower()).strip("-") + ".svg"


def picture(term: str) -> str:
    """The drawing as a file, with the term as its title."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}" role="img" font-family="DejaVu Sans, Verdana, sans-serif" '
        'stroke-linejoin="round">'
        f'<title>{term}</title><rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>'
        f"{PICTURES[term]()}</svg>\n"
    )


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name in PICTURES:
        (FOLDER / file_name(name)).write_text(picture(name), "utf-8")
