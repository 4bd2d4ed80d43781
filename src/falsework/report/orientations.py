"""How a part should lie: table, chart and pictures, as a section of the work order and as a page."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from falsework.orientation import HEAD, price_map, role, rows, shown, turn_text, turn_words
from falsework.orientation.value import Orientation, Orientations
from falsework.part.part import Part
from falsework.part.placing import turn_matrix
from falsework.planning.handling import job_of
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.report import paper
from falsework.report.chart import ticks
from falsework.report.colour import PART, hatch_rgb
from falsework.report.labels import place_words
from falsework.report.price_sphere import PriceSphere, price_sphere
from falsework.request.context import Context
from falsework.request.marks import MarkedFaces
from falsework.request.value import Wish
from falsework.watch import QUIET, Watch
from falsework.wording import figures as words
from falsework.wording.cautions import CautionedTask, cautions
from falsework.wording.figures import sentence

if TYPE_CHECKING:
    from falsework.report.pictures import Picture
    from falsework.report.scene import Soup

TEXTS = ("position", "turn °", "comes off", "stands", "ready")  # columns of words
LEFT, RIGHT, TOP, BOTTOM = 64.0, 700.0, 24.0, 280.0  # of the chart
_PIXELS = 0.9  # per drawing unit of the small pictures
_UNTURNED = (0.0, 0.0, 0.0)
_BESIDE = {
    "recommended": "recommended",
    "today": "as it came",
    "other": "",
}  # its number


@dataclass(frozen=True)
class OrientationRow:
    number: int
    chosen: bool
    cells: tuple[str, ...]


@dataclass(frozen=True)
class OrientationPoint:
    """One lie in the chart, with the place of its number."""

    number: int
    x: float
    y: float
    shape: str  # recommended, today or other
    label_x: float
    label_y: float
    anchor: str
    word: str


@dataclass(frozen=True)
class Front:
    """All else against the price of printing, in drawing units."""

    points: tuple[OrientationPoint, ...]
    across: tuple[tuple[float, str], ...]
    up: tuple[tuple[float, str], ...]
    up_name: str


@dataclass(frozen=True)
class Card:
    number: int
    label: str
    said: str
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class OrientationsSection:
    """Everything the template draws."""

    supportless: bool
    why: str
    use: str
    marks: str
    head: tuple[tuple[str, bool], ...]  # name, whether its cells are figures
    rows: tuple[OrientationRow, ...]
    chart: Front
    sphere: PriceSphere | None
    cards: tuple[Card, ...]
    limit: str
    error: str
    searched: str
    with_load: bool


def orientations_html(lies: Orientations, part: Part, process: Process, watch: Watch = QUIET) -> str:
    """A self-contained page of the ways to lay ``part``, as it was given to the search, on the bed.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> process = falsework.load_process("pla-0.4")
    >>> found = falsework.best_orientations(table(), process, directions=50)
    >>> falsework.orientations_html(found, table(), process)[:15]
    '<!doctype html>'
    """
    size = " × ".join(words.number(float(v), 1) for v in part.size_mm)
    use = f"Plan it so with --turn={turn_text(lies.recommended)}, or with --lie auto."
    if lies.recommended.turn_deg == _UNTURNED:
        use = "Plan it as it came."
    return paper.render(
        "orientations.html",
        lies=lies,
        section=_section(lies, use, part, _UNTURNED, process, watch),
        size=f"{size}\u00a0mm",
        sheet=lies.digest[:12],
        layer_height=words.with_unit(process.layer_height_mm, "mm"),
        cautions=cautions(CautionedTask.PRINT, CautionedTask.USE, job=replace(job_of(process), turned=True)),
        words=words,
    )


def orientations_of_plan(plan: Plan, watch: Watch = QUIET) -> OrientationsSection | None:
    """The section of a work order; None where the part was laid as asked. Without geometry, no pictures."""
    if plan.lies is None:
        return None
    part = None if plan.geometry is None else plan.geometry.part
    x, y, z = (f"{angle:g}°" for angle in plan.part.turn_deg)
    use = f"This plan lays it so: turned by x {x}, then y {y}, then z {z} from how it came."
    if plan.part.turn_deg == _UNTURNED:
        use = "This plan leaves it as it came."
    return _section(plan.lies, use, part, plan.part.turn_deg, plan.process, watch)


def _section(
    lies: Orientations,
    use: str,
    part: Part | None,
    laid_deg: tuple[float, float, float],
    process: Process,
    watch: Watch,
) -> OrientationsSection:
    every, limit = rows(lies), process.limit_deg
    telling = [k for k in range(len(HEAD)) if {row[k] for row in every} != {"–"}]
    some = shown(lies)
    return OrientationsSection(
        supportless=lies.recommended.needs_no_support,
        why=sentence(lies.why),
        use=use,
        marks=_marks(lies),
        head=tuple((HEAD[k], HEAD[k] not in TEXTS) for k in telling),
        rows=tuple(
            OrientationRow(number, lie == lies.recommended, tuple(row[k] for k in telling))
            for number, (lie, row) in enumerate(zip(some, every, strict=True), 1)
        ),
        chart=front_chart(lies),
        sphere=None if part is None else sphere_of(lies, part, laid_deg, process, watch.part(0.0, 0.3)),
        cards=() if part is None else _cards(lies, part, laid_deg, limit, watch.part(0.3, 1.0)),
        limit=words.with_unit(limit, "°", 0),
        error=sentence(lies.error),
        searched=f"{lies.searched} directions were looked at; in {lies.supportless} it needs no support.",
        with_load=lies.load_axis is not None,
    )


def sphere_of(
    lies: Orientations, part: Part, laid_deg: tuple[float, float, float], process: Process, watch: Watch
) -> PriceSphere:
    """The sphere of prices of ``part``, which is turned by ``laid_deg`` from how it came."""
    came = replace(part, vertices=np.ascontiguousarray(part.vertices @ turn_matrix(laid_deg)))
    wish = Wish(process, weights=lies.weights, show=lies.show, spare=lies.spare, load_axis=lies.load_axis)
    return price_sphere(price_map(came, wish, Context(watch=watch)), lies)


def _marks(lies: Orientations) -> str:
    """What was marked on the part, in words."""
    said = []
    if not lies.show.empty:
        said.append(f"Faces to keep clean: {_faces(lies.show)}.")
    if not lies.spare.empty:
        said.append(f"Faces that no support may touch: {_faces(lies.spare)}.")
    if lies.load_axis is not None:
        said.append(f"It will be pulled along {_way(lies.load_axis)}.")
    return " ".join(said)


def _faces(marked: MarkedFaces) -> str:
    ways = [_way(d) for d in marked.directions] + [f"the set {name}" for name in marked.face_sets]
    return words.listed(ways)


def _way(direction: tuple[float, float, float]) -> str:
    for k, axis in enumerate("xyz"):
        if abs(direction[k]) > 1 - 1e-9:
            return f"{'+' if direction[k] > 0 else '−'}{axis}"
    return "({})".format(", ".join(words.number(v, 2) for v in direction))


def front_chart(lies: Orientations) -> Front:
    """Every lie shown as a point: right what printing it costs, up all else."""
    some = shown(lies)
    across = [lie.price.printing for lie in some]
    up = [lie.price.total - lie.price.printing for lie in some]
    low_x, high_x = _span(across)
    high_y = max(max(up), 0.01) * 1.05
    xs = [round(LEFT + (RIGHT - LEFT) * (price - low_x) / (high_x - low_x), 2) for price in across]
    ys = [round(BOTTOM - (BOTTOM - TOP) * price / high_y, 2) for price in up]
    roles = [role(lie, lies) for lie in some]
    texts = [f"{number} {_BESIDE[shape]}".rstrip() for number, shape in enumerate(roles, 1)]
    labels = place_words(list(zip(xs, ys, texts, strict=True)), LEFT, TOP, RIGHT, BOTTOM)
    points = [
        OrientationPoint(number, x, y, shape, label.x, label.y, label.anchor, _BESIDE[shape])
        for number, (x, y, shape, label) in enumerate(zip(xs, ys, roles, labels, strict=True), 1)
    ]
    step_x = [t for t in _round_steps(low_x, high_x) if low_x <= t <= high_x]
    name = "spoilt surface, hand work and risk, ¤"
    return Front(
        tuple(points),
        tuple(
            (round(LEFT + (RIGHT - LEFT) * (t - low_x) / (high_x - low_x), 2), _price(t, high_x - low_x))
            for t in step_x
        ),
        tuple((round(BOTTOM - (BOTTOM - TOP) * t / high_y, 2), _price(t, high_y)) for t in ticks(high_y, 5)),
        name,
    )


def _span(values: list[float]) -> tuple[float, float]:
    """Range of an axis: a margin around the values, never narrow, never below nothing."""
    low, high = min(values), max(values)
    margin = max(0.08 * (high - low), 0.02 * high, 0.005)
    return max(0.0, low - margin), high + margin


def _round_steps(low: float, high: float) -> list[float]:
    steps = ticks(high - low, 6)
    step = steps[1] if len(steps) > 1 else high - low
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) for k in range(first, int(high / step + 1e-9) + 1)]


def _price(value: float, span: float) -> str:
    return words.number(value, 2 if span < 5 else 1) if value else "0"


def _cards(
    lies: Orientations, part: Part, laid_deg: tuple[float, float, float], limit: float, watch: Watch
) -> tuple[Card, ...]:
    """Two pictures of every lie: from the front with the bed, and from below."""
    from falsework.report.scene import plain_soup

    soup = plain_soup(part.vertices, part.faces)
    some = shown(lies)
    cards = []
    for k, lie in enumerate(some):
        watch.at("pictures of positions", k / len(some))
        # the part at hand is turned already: back, then on
        turn = turn_matrix(lie.turn_deg) @ turn_matrix(laid_deg).T
        cards.append(Card(k + 1, lie.label, _said(lie), _pictures(soup, turn, limit)))
    return tuple(cards)


def _said(lie: Orientation) -> str:
    turn = "not turned" if lie.turn_deg == _UNTURNED else f"turned by {turn_words(lie)}°"
    size = " × ".join(words.number(v, 0) for v in (lie.width_mm, lie.depth_mm, lie.height_mm))
    need = (
        "no support"
        if lie.needs_no_support
        else f"{words.mass(lie.support_g)} of support under {words.with_unit(lie.contact_mm2 / 100.0, 'cm²')}"
    )
    fits = "" if lie.fits else f"; {lie.misfit}"
    return f"{turn[:1].upper()}{turn[1:]}: {size}\u00a0mm, {words.duration(lie.time_s)}, {need}{fits}."


def _pictures(soup: Soup, turn: np.ndarray[Any, Any], limit: float) -> tuple[Picture, ...]:
    """The part so turned; faces past the limit that do not rest on the bed are hatched."""
    from falsework.report import pictures

    points = soup.points @ turn.T
    points[:, 2] -= points[:, 2].min()
    corners = points[soup.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.maximum(np.linalg.norm(across, axis=1), 1e-300)
    # half a degree of patience: faces at just the limit hold, whatever the rounding
    past = across[:, 2] < -math.sin(math.radians(min(limit + 0.5, 90.0))) * length
    low = corners[..., 2].max(axis=1) < 1e-3 * float(corners[..., 2].max()) + 1e-6
    laid = replace(
        soup,
        points=np.ascontiguousarray(points),
        normals=np.ascontiguousarray(soup.normals @ turn.T, dtype=np.float32),
        tag=(past & ~low).astype(np.int64),
    )
    tones = pictures.Tones(
        np.array([PART, PART]), np.array([0, 2], dtype=np.int64), np.array([PART, hatch_rgb(PART)])
    )
    return tuple(
        pictures.composed(pictures.draw_soups(laid, None, None, tones, view, _PIXELS), [])
        for view in (pictures.FRONT, pictures.BELOW_LEFT)
    )
