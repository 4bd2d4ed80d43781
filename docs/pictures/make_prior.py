"""What the model expects before any reading, against common practice and published values.

    python docs/pictures/make_prior.py        writes the picture beside it, prints the table of docs/model.md

Filled circles are sources that were read, squares common practice (no source), triangles from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from falsework.droop.belief import PRIOR, with_law
from falsework.droop.estimate import Estimate
from falsework.droop.laws import Laws
from falsework.process import load_process
from falsework.process.settings import Process

PICTURE = Path(__file__).with_name("prior-and-published.svg")
PLA = load_process("pla-0.4")
INK, BAND, LINE, MARK = "#222", "#c9d6e8", "#31579c", "#b3541e"


class Mark(NamedTuple):
    """A value from elsewhere: where, its range, how known, in words."""

    x: float
    low: float
    high: float
    known: str  # source, practice or memory
    words: str
    left: bool = False  # the words stand on that side


class Panel(NamedTuple):
    """One law over one setting, with its interval, and what others say."""

    title: str
    x_words: str
    y_words: str
    xs: Sequence[float]
    at: Sequence[float]  # ticks
    ys: tuple[float, float, Sequence[float]]  # range and ticks
    bands: Sequence[tuple[str, Callable[[float], Estimate]]]
    marks: Sequence[Mark]


def strand(height: float, width: float, fan: float = 1.0) -> Process:
    return replace(PLA, layer_height_mm=height, line_width_mm=width, fan=fan)


def _in_layers(height: float, by_layers: bool) -> Estimate:
    gap = Laws(strand(height, max(0.45, 1.56 * height)), with_law(PRIOR, by_layers)).removable_gap_mm()
    return Estimate(gap.value / height, gap.low / height, gap.high / height)


PANELS = (
    Panel(
        "Limit angle, full fan",
        "layer height / line width",
        "degrees from the vertical",
        np.linspace(0.2, 0.75, 23).tolist(),
        (0.2, 0.3, 0.4, 0.5, 0.6, 0.7),
        (0, 90, (0, 30, 45, 60, 90)),
        (("", lambda x: Laws(strand(0.4 * x, 0.4)).limit_angle_deg()),),
        (
            Mark(0.5, 45, 45, "practice", "45° rule"),
            Mark(0.53, 50, 60, "practice", "with strong cooling"),
            Mark(0.45, 45, 45, "source", "Mazlan 2020", left=True),
        ),
    ),
    Panel(
        "Air gap at which 4 of 5 come off",
        "layer height, mm",
        "layers",
        np.geomspace(0.08, 1.0, 23).tolist(),
        (0.08, 0.1, 0.2, 0.4, 0.6, 0.9),
        (0, 6, (0, 1, 2, 3, 4, 5, 6)),
        (
            ("clearance", lambda x: _in_layers(x, False)),
            ("layers", lambda x: _in_layers(x, True)),
        ),
        (
            Mark(0.2, 2, 2, "practice", "2 layers"),
            Mark(0.9, 2, 2, "practice", "2 layers", left=True),
            Mark(0.22, 0.5, 1, "memory", "another school"),
        ),
    ),
    Panel(
        "Sag of a bridge, PLA 0.45 × 0.2",
        "span, mm",
        "mm",
        np.linspace(8, 110, 26).tolist(),
        (10, 30, 50, 70, 100),
        (0, 8, (0, 2, 4, 6, 8)),
        (
            ("fan", lambda x: Laws(PLA).bridge_droop(x)),
            ("still", lambda x: Laws(strand(0.2, 0.45, 0.0)).bridge_droop(x)),
        ),
        (
            Mark(30, 0.2, 0.6, "memory", ""),
            Mark(50, 0.5, 1.2, "memory", "with fan"),
            Mark(100, 2.0, 4.0, "memory", ""),
        ),
    ),
    Panel(
        "Sag at 50 mm against the fan",
        "fan, share of full",
        "mm",
        np.linspace(0, 1, 15).tolist(),
        (0, 0.25, 0.5, 0.75, 1),
        (0, 6, (0, 2, 4, 6)),
        (("", lambda x: Laws(strand(0.2, 0.45, x)).bridge_droop(50.0)),),
        (
            Mark(
                0.97,
                (1 - 0.6491) * Laws(strand(0.2, 0.45, 0.0)).bridge_droop(50.0).value,
                (1 - 0.6491) * Laws(strand(0.2, 0.45, 0.0)).bridge_droop(50.0).value,
                "source",
                "Pricci 2025: −65 %",
                left=True,
            ),
        ),
    ),
)
WIDE, HIGH, LEFT, TOP = 420, 300, 56, 40


def drawn(panel: Panel, x0: float, y0: float) -> str:
    """One panel as SVG."""
    log = panel.xs[0] > 0 and panel.xs[-1] / panel.xs[0] > 9 and panel.xs[-1] < 10
    scale = np.log if log else (lambda v: np.asarray(v, dtype=float))
    first, last = scale(panel.xs[0]), scale(panel.xs[-1])
    wide, high = WIDE - LEFT - 30, HIGH - TOP - 58
    low, top, ticks = panel.ys

    def at(x: float, y: float) -> str:
        px = x0 + LEFT + wide * (scale(x) - first) / (last - first)
        py = y0 + TOP + high * (1 - (min(max(y, low), top) - low) / (top - low))
        return f"{px:.1f},{py:.1f}"

    out = [f'<text x="{x0 + LEFT}" y="{y0 + 24}" class="title">{panel.title}</text>']
    lines = []
    for k, (name, law) in enumerate(panel.bands):
        found = [law(x) for x in panel.xs]
        edge = [at(x, e.low) for x, e in zip(panel.xs, found, strict=True)]
        edge += [at(x, e.high) for x, e in zip(panel.xs[::-1], found[::-1], strict=True)]
        dash = ' stroke-dasharray="7 4"' if k else ""
        fill = f'fill="{BAND}" fill-opacity="0.55"'
        out.append(f'<polygon points="{" ".join(edge)}" {fill} stroke="{LINE}" stroke-width="0.7"{dash}/>')
        line = " ".join(at(x, e.value) for x, e in zip(panel.xs, found, strict=True))
        lines.append(f'<polyline points="{line}" fill="none" stroke="{LINE}" stroke-width="2.2"{dash}/>')
        if name:
            here = (4, 12)[k] if panel.ys[1] == 6 else -8
            px, py = at(panel.xs[here], found[here].value).split(",")
            lines.append(
                f'<text x="{px}" y="{float(py) - 7:.1f}" class="law" text-anchor="end">{name}</text>'
            )
    out += lines
    for tick in ticks:
        px, py = at(panel.xs[0], tick).split(",")
        out.append(f'<text x="{float(px) - 8}" y="{float(py) + 4:.1f}" text-anchor="end">{tick:g}</text>')
        out.append(f'<path d="M{px},{py} h{wide}" stroke="#999" stroke-width="0.4"/>')
    for x in panel.at:
        px, py = at(x, low).split(",")
        out.append(f'<text x="{px}" y="{float(py) + 17:.1f}" text-anchor="middle">{x:g}</text>')
    out.append(
        f'<text x="{x0 + LEFT + wide / 2}" y="{y0 + HIGH - 18}" text-anchor="middle">{panel.x_words}</text>'
    )
    out.append(f'<text x="{x0 + LEFT + wide}" y="{y0 + 24}" text-anchor="end">{panel.y_words}</text>')
    for mark in panel.marks:
        (ax, ay), (_, by) = (at(mark.x, y).split(",") for y in (mark.low, mark.high))
        x, y = float(ax), 0.5 * (float(ay) + float(by))
        shape = {
            "source": f'<circle cx="{x}" cy="{y}" r="4.5"/>',
            "practice": f'<rect x="{x - 4}" y="{y - 4}" width="8" height="8"/>',
            "memory": f'<path d="M{x},{y - 5} l5,9 h-10 z"/>',
        }[mark.known]
        out.append(
            f'<g fill="{MARK}" stroke="{MARK}"><path d="M{ax},{ay} V{by}" stroke-width="2"/>{shape}</g>'
        )
        side, anchor = (-9, "end") if mark.left else (9, "start")
        out.append(
            f'<text x="{x + side}" y="{y + 4:.1f}" class="mark" text-anchor="{anchor}">{mark.words}</text>'
        )
    return "\n".join(out)


def picture() -> str:
    """All panels and the key as one SVG."""
    panels = "\n".join(drawn(p, WIDE * (k % 2), HIGH * (k // 2)) for k, p in enumerate(PANELS))
    y = 2 * HIGH + 14
    return f"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {2 * WIDE} {2 * HIGH + 36}" role="img">
<title>Prior medians and 90 % intervals against common practice and published values</title>
<style>text {{ font: 12px sans-serif; fill: {INK}; }} .title {{ font-weight: bold; font-size: 14px; }}
.mark {{ fill: #7a3510; }} .law {{ fill: {LINE}; font-style: italic; }}</style>
<rect width="100%" height="100%" fill="#fff"/>
{panels}
<text x="{LEFT}" y="{y}">line and band: model before any reading, median and 90 %</text>
<g fill="{MARK}"><circle cx="440" cy="{y - 4}" r="4.5"/><rect x="556" y="{y - 8}" width="8" height="8"/>
<path d="M716,{y - 9} l5,9 h-10 z"/></g>
<text x="450" y="{y}">source read</text><text x="570" y="{y}">common practice</text>
<text x="728" y="{y}">from memory</text>
</svg>
"""


def table() -> str:
    """Markdown rows: value, how known, what the prior says."""
    half, still = strand(0.2, 0.4), strand(0.2, 0.45, 0.0)

    def said(e: Estimate, unit: str, by: float = 1.0) -> str:
        return f"{e.value / by:.2g} {unit} ({e.low / by:.2g} to {e.high / by:.2g})"

    cut = 100 * (1 - Laws(PLA).bridge_droop(50).value / Laws(still).bridge_droop(50).value)
    rows = [
        (
            "limit 45° where the layer is half as high as the line is wide",
            "common practice, no source; up to 45° passes: Mazlan, Abdul Kadir, Yusof, Wahab 2020, "
            "J. Adv. Ind. Technol. Appl., pp. 38-47",
            said(Laws(half).limit_angle_deg(), "°"),
        ),
        (
            "50 to 60° with strong cooling",
            "common practice, no source",
            f"within {Laws(half).limit_angle_deg().low:.0f} to {Laws(half).limit_angle_deg().high:.0f}°",
        ),
        (
            "gap 2 layers at h = 0.2",
            "common practice, no source",
            said(Laws(PLA).removable_gap_mm(), "layers", 0.2),
        ),
        (
            "gap 2 layers at h = 0.9",
            "common practice, no source",
            said(Laws(strand(0.9, 1.4)).removable_gap_mm(), "layers", 0.9),
        ),
        ("gap 0.5 to 1 layer, PLA", "from memory, another school", "within the same interval"),
        (
            "fan helps; best settings cut sag by 65 %, the fan dominant",
            "Pricci 2025, Polymers 17(21):2858, doi 10.3390/polym17212858",
            f"no fan to full fan cuts {cut:.0f} % at 50 mm",
        ),
        *(
            (
                f"bridge of {span} mm sags {words} mm with fan",
                "from memory",
                said(Laws(PLA).bridge_droop(span), "mm"),
            )
            for span, words in ((30, "0.2 to 0.6"), (50, "0.5 to 1.2"), (100, "2 to 4"))
        ),
    ]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


if __name__ == "__main__":
    PICTURE.write_text(picture(), encoding="utf-8")
    print(table())
