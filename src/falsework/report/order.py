"""The work order: one self-contained HTML page from which a part's print is decided."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from falsework.cost.cost import Cost
from falsework.need.underside import Underside, UndersideKind
from falsework.objective.price import Price
from falsework.planning.handling import job_of
from falsework.planning.value import Plan
from falsework.process.derived import Gap
from falsework.process.forces import LEAST_BUCKLING_SAFETY, LEAST_TOPPLE_SAFETY
from falsework.process.schema import TABLES, get, rows_of
from falsework.report import paper
from falsework.report.colour import LEAST_MM, MOST_MM, SUPPORT, TICKS_MM, css, droop_rgb, scale_position
from falsework.report.orientations import orientations_of_plan
from falsework.report.verdict import factor, left_alone, verdict
from falsework.request.standing import Standing
from falsework.stance.value import Stance
from falsework.support.standing import Option
from falsework.watch import QUIET, Watch
from falsework.wording import figures as words
from falsework.wording import terms
from falsework.wording.cautions import CautionedTask, cautions
from falsework.wording.heading import UNTITLED, Heading

_MOST_BYTES = 5_000_000  # of the whole page; beyond it the solid view is left out
_PIXELS = (1.5, 1.2, 1.2)  # per drawing unit: the first picture of a set is shown wide
_ROWS_SHOWN = 30  # undersides in the open table; the rest are folded away


@dataclass(frozen=True)
class _UndersideRow:
    """One underside as the table shows it."""

    number: int
    kind: str
    kind_word: str
    area: str
    height: str
    angle: str
    length: str
    droop: str
    droop_interval: str
    carried: str
    carried_interval: str
    decision: str
    supported: bool
    price: str
    why: str
    fill: str


def _row(u: Underside, decision: Standing, option: Option | None, why: str) -> _UndersideRow:
    if u.kind is UndersideKind.BRIDGE:
        length = f"{words.with_unit(u.span_mm, 'mm')} span"
    else:
        length = f"{words.with_unit(u.free_length_mm, 'mm')} free"
    supported = decision is not Standing.LEAVE
    return _UndersideRow(
        u.number,
        str(u.kind),
        terms.KIND[u.kind],
        words.with_unit(u.area_mm2, "mm²"),
        words.with_unit(u.height_mm, "mm", 1),
        words.with_unit(u.angle_deg, "°", 0),
        length,
        *left_alone(u),
        words.with_unit(u.supported_droop_mm.value, "mm"),
        words.interval(u.supported_droop_mm, "mm"),
        terms.DECISION[decision],
        supported,
        words.price(option.cost.price) if option is not None and supported else "–",
        why,
        css(droop_rgb(u.droop_mm.value)),
    )


def _rows(plan: Plan) -> list[_UndersideRow]:
    choices = {c.underside: c for c in plan.choices}
    rows = []
    for u in plan.undersides:
        choice = choices.get(u.number)
        if choice is None:
            rows.append(_row(u, Standing.LEAVE, None, ""))
            continue
        option = next((o for o in choice.options if o.standing is choice.chosen), None)
        rows.append(_row(u, choice.chosen, option, choice.why))
    return rows


def _cost_cells(cost: Cost) -> tuple[str, ...]:
    return (
        words.with_unit(cost.volume_mm3 / 1000.0, "cm³"),
        words.with_unit(cost.filament_mm / 1000.0, "m"),
        words.mass(cost.mass_g),
        words.duration(cost.time_s),
        words.price(cost.price),
    )


def _figures(plan: Plan) -> list[tuple[str, str, str]]:
    """Key figures: name, value, remark."""
    total = plan.part_cost + plan.support_cost
    kinds = [
        words.counted(n, *_kind_words(kind))
        for kind in (
            UndersideKind.ISLAND,
            UndersideKind.CANTILEVER,
            UndersideKind.BRIDGE,
            UndersideKind.HOLDS,
        )
        if (n := sum(u.kind is kind for u in plan.undersides))
    ]
    chosen = {c.underside: c.chosen for c in plan.choices}
    left = [u for u in plan.undersides if chosen.get(u.number, Standing.LEAVE) is Standing.LEAVE]
    extra = plan.support_cost
    figures = [
        ("Machine time", words.duration(total.time_s), f"of which support {words.duration(extra.time_s)}"),
        ("Filament", words.mass(total.mass_g), f"of which support {words.mass(extra.mass_g)}"),
        (
            "Total price", words.price(plan.price.total),
            f"of which filament and machine time {words.price(total.price)}",
        ),
        ("Undersides", str(len(plan.undersides)), words.listed(kinds or ["nothing is printed over air"])),
        (
            "Supported", f"{len(plan.undersides) - len(left)} of {len(plan.undersides)}",
            f"in {words.counted(len(plan.pieces), 'piece')}" if plan.pieces else "no support is built",
        ),
    ]  # fmt: skip
    if left:
        worst = max(left, key=lambda u: u.droop_mm.value)
        value, interval = left_alone(worst)
        remark = interval if worst.falls_mm is not None else f"90\u00a0%: {interval}"
        figures.append(("Greatest sag left", value, f"number {worst.number}; {remark}"))
    if plan.stance is not None:
        figures += _stance_figures(plan.stance)
    return figures


def _stance_figures(stance: Stance) -> list[tuple[str, str, str]]:
    """How the part itself stands."""
    bits = words.counted(stance.bits, "bit")
    printed = words.with_unit(stance.printable_mm2, "mm²")
    held = f", held by {words.counted(len(stance.held_by), 'piece')} of support" if stance.held_by else ""
    return [
        ("First layer", words.with_unit(stance.first_layer_mm2, "mm²"), f"in {bits}; {printed} of it prints"),
        (
            "Stands with a safety of", factor(stance.safety),
            f"least at {words.with_unit(stance.height_mm, 'mm', 1)}; {LEAST_TOPPLE_SAFETY:g} or more is asked"
            f" for{held}",
        ),
    ]  # fmt: skip


def _kind_words(kind: UndersideKind) -> tuple[str, str]:
    return {
        UndersideKind.HOLDS: ("that prints unaided", "that print unaided"),
        UndersideKind.BRIDGE: ("bridge", "bridges"),
        UndersideKind.CANTILEVER: ("cantilever", "cantilevers"),
        UndersideKind.ISLAND: ("island", "islands"),
    }[kind]


def _arrival(plan: Plan) -> list[tuple[str, str, bool]]:
    """What was found in the mesh: name, what was done, whether it is serious."""
    rows = []
    for f in plan.part.findings:
        where = ""
        if f.where_mm is not None:
            x, y, z = (words.number(v, 1) for v in f.where_mm)
            where = f", first at x\u00a0{x}, y\u00a0{y}, z\u00a0{z}\u00a0mm"
        rows.append((f"{f.what}: {f.count}{where}", f.done or "left as it is", f.serious))
    return rows


def _gap(gap: Gap) -> tuple[str, str, str]:
    return (
        words.with_unit(gap.asked_mm, "mm"),
        words.counted(gap.layers, "layer"),
        words.with_unit(gap.realised_mm, "mm"),
    )


def _build(plan: Plan) -> list[tuple[str, str]]:
    s = plan.process.structure
    edge = f"{words.counted(s.perimeter_lines, 'closed line')} around it" if s.perimeter_lines else "none"
    foot = (
        f"{words.with_unit(s.foot_widening_mm, 'mm')} wider than the body, "
        f"{words.counted(s.foot_layers, 'layer')} high"
        if s.foot_layers and s.foot_widening_mm
        else "no wider than the body"
    )
    return [
        (
            "Body",
            f"{terms.WEAVE[s.weave]}, {words.with_unit(s.spacing_mm, 'mm')} apart, at {s.line_angle_deg:g}°",
        ),
        ("Interface layers on top", words.counted(s.interface_layers, "layer")),
        ("Interface layers on the part", words.counted(s.interface_layers_below, "layer")),
        ("Perimeter", edge),
        ("Foot on the bed", foot),
        ("Clearance sideways", words.with_unit(s.side_gap_mm, "mm")),
    ]


def _pieces(plan: Plan) -> list[tuple[Any, ...]]:
    return [
        (
            p.number,
            ", ".join(map(str, p.undersides)) or "–",
            f"{words.number(p.bottom_mm, 1)} to {words.with_unit(p.top_mm, 'mm', 1)}",
            words.with_unit(p.contact_mm2, "mm²"),
            words.with_unit(p.foot_mm2, "mm²"),
            words.with_unit(p.scar_mm2, "mm²"),
            f"{words.number(p.slenderness, 0)}:1",
            f"{factor(p.buckling_safety)} ×",
            f"{factor(p.topple_safety)} ×",
            words.mass(p.cost.mass_g),
            p.why or "–",
            p.remedy or ("" if p.weak else "none needed"),
            p.weak,
        )
        for p in plan.pieces
    ]


def _alternatives(plan: Plan) -> list[tuple[str, bool, tuple[str, ...]]]:
    names = {
        "leave": "no support",
        "bed": "all that can, from the bed",
        "bed-or-part": "all, from bed or part",
        "chosen": "chosen",
    }
    return [
        (
            names.get(a.name, a.name),
            a.name == "chosen",
            (
                words.mass(a.cost.mass_g),
                words.duration(a.cost.time_s),
                words.price(a.cost.price),
                words.counted(a.left_count, "underside"),
                words.with_unit(a.left_mm2, "mm²"),
                words.with_unit(a.contact_mm2, "mm²"),
                words.with_unit(a.scar_mm2, "mm²"),
                words.price(a.price.total),
            ),
        )
        for a in plan.alternatives
    ]


def _settings(plan: Plan) -> list[tuple[str, list[tuple[str, str, str, str]]]]:
    """Every setting by table: name, value with unit, help, source."""
    tables = []
    for table in TABLES:
        rows = []
        for row in rows_of(table):
            value = get(plan.process, row)
            text = str(value) if row.type == "str" else f"{value:g}"
            unit = f"{words.PRICE_UNIT} {row.unit}" if row.unit.startswith("per ") else row.unit
            rows.append((row.field, f"{text}\u00a0{unit}" if unit else text, row.help, row.source))
        tables.append((table, rows))
    return tables


def _legend() -> tuple[list[tuple[float, str]], list[tuple[float, str]]]:
    """Steps of the colour scale (position 0..1, colour) and its ticks (position, words)."""
    steps = [(k / 32, css(droop_rgb(LEAST_MM * (MOST_MM / LEAST_MM) ** (k / 32)))) for k in range(33)]
    return steps, [(scale_position(t), f"{t:g}") for t in TICKS_MM]


def _figure_sets(plan: Plan, watch: Watch) -> tuple[list[Any], list[Any], Any, Any, Any]:
    """Pictures of undersides and of supports, the section on release, the chart and the solid view.

    Without geometry there are no pictures."""
    from falsework.report.chart import make_chart
    from falsework.report.release import release_of_plan

    if plan.geometry is None:
        return [], [], release_of_plan(plan, None), make_chart(plan, None), None
    from falsework.report import pictures
    from falsework.report.scene import make_scene
    from falsework.report.solid import pack

    watch.at("pictures", 0.0)
    scene = make_scene(plan.geometry)
    under = []
    for k, view in enumerate((pictures.BELOW_LEFT, pictures.BELOW_BACK, pictures.BELOW)):
        watch.at("pictures", 0.2 + 0.1 * k)
        under.append(pictures.draw_picture(scene, plan.undersides, view, pixels=_PIXELS[k]))
    standing = []
    for k, view in enumerate((pictures.ABOVE_RIGHT, pictures.BELOW_LEFT, pictures.FRONT)):
        watch.at("pictures", 0.5 + 0.1 * k)
        standing.append(pictures.draw_picture(scene, plan.undersides, view, supports=True, pixels=_PIXELS[k]))
    watch.at("solid view", 0.85)
    return under, standing, release_of_plan(plan, scene), make_chart(plan, scene), pack(scene, plan)


def _bases(undersides: Iterable[Underside]) -> list[str]:
    found = {u.droop_mm.basis for u in undersides} | {u.supported_droop_mm.basis for u in undersides}
    return [terms.BASIS.get(basis, basis) for basis in sorted(found)]


def _terms(price: Price) -> str:
    """The terms of the one price that are not nothing, in a line."""
    some = ((name, getattr(price, term)) for term, name in terms.PRICE.items())
    return words.listed([f"{name} {words.price(value)}" for name, value in some if value > 0])


def report_html(plan: Plan, watch: Watch = QUIET, notice: str = "", heading: Heading = UNTITLED) -> str:
    """The work order of one plan as a single HTML page without any address outside itself.

    ``notice`` stands beneath its title, then the heading's note to the operator.

    The same plan gives the same bytes. Without ``plan.geometry`` there are no pictures and the page says so.
    The solid view is left out where the page would pass 5 MB.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> falsework.report_html(falsework.plan(table(), release=False))[:15]
    '<!doctype html>'
    """
    under, standing, released, chart, solid = _figure_sets(plan, watch.part(0.0, 0.7))
    script = paper.page_file("solid.js")
    job = job_of(plan.process, plan.part.turn_deg, plan.release)
    rows = _rows(plan)
    legend_steps, legend_ticks = _legend()
    total = plan.part_cost + plan.support_cost
    size = " × ".join(words.number(v, 1) for v in plan.part.size_mm)
    context: dict[str, Any] = {
        "plan": plan,
        "notice": notice,
        "heading": heading,
        "title": heading.named(plan.part.name),
        "terms": _terms(plan.price),
        "lies": orientations_of_plan(plan, watch.part(0.7, 0.95)),
        "released": released,
        "shapes": {u.number: str(u.kind) for u in plan.undersides},
        "size": f"{size}\u00a0mm",
        "sheet": plan.part.digest[:12],
        "verdict": verdict(plan),
        "least_buckling": f"{LEAST_BUCKLING_SAFETY:g}",
        "least_topple": f"{LEAST_TOPPLE_SAFETY:g}",
        "figures": _figures(plan),
        "arrival": _arrival(plan),
        "volume": words.with_unit(plan.part.volume_mm3 / 1000.0, "cm³"),
        "turn": [f"{t:g}°" for t in plan.part.turn_deg],
        "stitch": words.with_unit(plan.layers.widest_stitch_mm, "mm"),
        "limit": words.with_unit(plan.limit_deg, "°", 0),
        "reach": words.with_unit(plan.reach_mm, "mm"),
        "layer_height": words.with_unit(plan.process.layer_height_mm, "mm"),
        "under": under,
        "standing": standing,
        "chart": chart,
        "rows": rows,
        "shown": _ROWS_SHOWN,
        "kinds": [(str(k), terms.KIND[k], terms.KIND_MEANING[k]) for k in UndersideKind],
        "legend_steps": legend_steps,
        "legend_ticks": legend_ticks,
        "support_tone": css(SUPPORT),
        "alternatives": _alternatives(plan),
        "gap": _gap(plan.gap),
        "gap_below": _gap(plan.gap_below),
        "build": _build(plan),
        "pieces": _pieces(plan),
        "costs": [
            ("part", _cost_cells(plan.part_cost)),
            ("support, as built", _cost_cells(plan.support_cost)),
            ("together", _cost_cells(total)),
        ],
        "weights": plan.weights,
        "settings": _settings(plan),
        "bases": _bases(plan.undersides),
        "cautions": cautions(CautionedTask.PRINT, CautionedTask.TAKE_OFF, CautionedTask.USE, job=job),
        "words": words,
    }

    def render(with_solid: bool, why_not: str = "") -> str:
        shown = solid if with_solid else None
        return paper.render("order.html", script if shown else "", **context, solid=shown, why_not=why_not)

    watch.at("page", 0.95)
    if solid is None:
        return render(False)
    if not solid.data:
        return render(False, solid.why_not)
    text = render(True)
    if len(text.encode("utf-8", "replace")) > _MOST_BYTES:
        text = render(False, "The solid view is left out: with it this page would pass 5 MB.")
    return text
