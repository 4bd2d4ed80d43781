"""The settings sheet: every choice as a number, for people whose own slicing program builds the supports.

Programs name and measure the same things differently, so the sheet says what is meant, in terms of the trade,
gives angles from the vertical and from the horizontal, spacings also as densities, and why each was chosen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from falsework.cost.cost import Cost
from falsework.droop.estimate import Estimate
from falsework.droop.supported import lane_spacing_mm
from falsework.need.underside import Underside, UndersideKind
from falsework.planning.handling import job_of
from falsework.planning.value import Plan
from falsework.process.derived import Gap
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.support.design import WIDE_NAME
from falsework.support.standing import Choice
from falsework.wording.cautions import RULES, CautionedTask, cautions
from falsework.wording.figures import duration, given, mass, numbered, sentence
from falsework.wording.heading import UNTITLED, Heading
from falsework.wording.terms import BASIS

_STANDING_WORDS = {
    Standing.LEAVE: "no support",
    Standing.BED: "support from the bed only",
    Standing.BED_OR_PART: "support from the bed or the part",
}


def settings_sheet(plan: Plan, heading: Heading = UNTITLED) -> str:
    """Markdown text: tables of settings, bridges and undersides, then cautions; same plan, same text.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> falsework.settings_sheet(falsework.plan(table(), release=False)).splitlines()[0]
    '# Settings sheet: table'
    """
    blocks = [
        f"# Settings sheet: {_plain(heading.named(plan.part.name))}",
        *([f"Note to the operator: **{_plain(heading.note)}**"] if heading.note.strip() else []),
        _opening(plan),
        "## Where supports start",
        *_standing_sentences(plan),
        "## How supports are built",
        _table(("choice", "value", "unit", "why"), _structure_rows(plan)),
        *_typed(plan),
        "## How everything is printed",
        _table(("choice", "value", "unit", "why"), _printing_rows(plan.process)),
        "## Bridges",
        *_bridges(plan),
        "## Undersides and what was decided",
        *_undersides(plan),
        "## What to know of these numbers",
        "\n".join(f"- {_plain(text)}" for text in _cautions(plan)),
        "## Before you print, and when you take supports off",
        "\n".join(f"- {_plain(sentence(text))}" for text in _dangers(plan)),
    ]
    return "\n\n".join(blocks) + "\n"


def _opening(plan: Plan) -> str:
    x, y, z = (given(v, 2) for v in plan.part.size_mm)
    turned = "as it came in its file"
    if any(plan.part.turn_deg):
        a, b, c = (given(v, 4) for v in plan.part.turn_deg)
        turned = f"turned by {a}° about x, then {b}° about y, then {c}° about z"
    if plan.lies is not None:
        turned += (
            ", which is the best position found" if any(plan.part.turn_deg) else ", the best position found"
        )
    size = "" if plan.part.scale == 1 else f", scaled by {given(plan.part.scale)}"
    return (
        f"Part: {_plain(plan.part.name)}, {x} × {y} × {z} mm, {turned}{size}. "
        f"Process: {_plain(plan.process.name)}, material {_plain(plan.process.material.name)}, "
        f"machine {_plain(plan.process.printer.name)}.\n\n"
        "Use this sheet when your own slicing program builds the supports: find the setting that means "
        "the same and enter the number. If you print the supports of `print.3mf` instead, enter only the "
        "table 'How everything is printed', and let your program add no supports of its own."
    )


def _standing_sentences(plan: Plan) -> list[str]:
    by_standing = {
        standing: [c.underside for c in plan.choices if c.chosen is standing] for standing in Standing
    }
    bed, anywhere, none = (by_standing[s] for s in (Standing.BED, Standing.BED_OR_PART, Standing.LEAVE))
    holding = {u.number for u in plan.undersides if u.kind is UndersideKind.HOLDS}
    alone = [number for number in none if number not in holding]
    if not bed and not anywhere:
        sentences = ["**No supports.** Switch supports off."]
    elif anywhere:
        sentences = [
            "**Supports may stand on the bed and on the part.** "
            f"On the part they are wanted only under {numbered('underside', anywhere)}."
        ]
        if bed:
            sentences.append(f"Under {numbered('underside', bed)} they should stand on the bed only.")
    else:
        sentences = [f"**Supports stand on the bed only**, under {numbered('underside', bed)}."]
    if alone and (bed or anywhere):
        sentences.append(
            f"Keep supports away from {numbered('underside', alone)}: a program that goes by the limit angle "
            "alone would put some there."
        )
    return sentences


def _limit_source(plan: Plan) -> str:
    if plan.process.reach_share:
        return "set in this process"
    return "common practice, no source: about 45° at layers half as high as wide"


def _structure_rows(plan: Plan) -> list[tuple[str, str, str, str]]:
    process, structure = plan.process, plan.process.structure
    density = min(1.0, process.line_width_mm / structure.spacing_mm)
    grid = structure.weave == "crossed"
    each = ", each of the two sets" if grid else ""
    return [
        (
            "limit angle, measured from the vertical",
            given(plan.limit_deg, 1),
            "°",
            "a wall is 0°, a flat underside 90°; up to the limit undersides print unaided: "
            f"a layer may reach {given(plan.reach_mm, 3)} mm past the one beneath "
            f"({_limit_source(plan)})",
        ),
        (
            "limit angle, measured from the horizontal",
            given(90 - plan.limit_deg, 1),
            "°",
            "the same limit for programs that count a flat underside as 0°",
        ),
        *_gap_rows("air gap on top, between support and the underside", plan.gap, _gap_why(plan.gap)),
        *_gap_rows(
            "air gap below, between the part and a support that stands on it",
            plan.gap_below,
            "smaller than on top, for nothing sags onto it; it only has to let go",
        ),
        (
            "sideways clearance between support and part",
            given(structure.side_gap_mm),
            "mm",
            "keeps the support from welding to walls beside it",
        ),
        (
            "interface layers on top",
            str(structure.interface_layers),
            "layers",
            "strands side by side: the part's first layer lies flat on them (common practice)"
            if structure.interface_layers
            else "none: the part rests on the support's lines",
        ),
        (
            "interface layers below",
            str(structure.interface_layers_below),
            "layers",
            "spread the load where the support stands on the part"
            if structure.interface_layers_below
            else "none: lines stand on the part directly",
        ),
        (
            "spacing of interface lines",
            given(process.line_width_mm),
            "mm",
            "one line width, which is a density of 100 %",
        ),
        (
            "weave of the support's body",
            structure.weave,
            "",
            "strands in two directions brace each other, take twice the filament and hold on (our own choice)"
            if grid
            else "strands all one way: its walls snap off one by one (our own choice)",
        ),
        (
            f"spacing of the body's lines{each}",
            given(structure.spacing_mm),
            "mm",
            "centre to centre; what lies on the body has to bridge this distance",
        ),
        (
            f"the same as a density{each}",
            given(100 * density, 1),
            "%",
            f"line width over spacing: {given(process.line_width_mm)} / {given(structure.spacing_mm)}",
        ),
        *(_both_sets(density) if grid else ()),
        (
            "direction of the body's lines",
            given(structure.line_angle_deg),
            "°",
            "from x towards y" + ("; the second set lies across" if grid else ""),
        ),
        (
            "closed lines around the support",
            str(structure.perimeter_lines),
            "lines",
            "hold it together and make it harder to remove (common practice)"
            if structure.perimeter_lines
            else "none: the lines come away one by one",
        ),
        (
            "widening of the foot on the bed",
            given(structure.foot_widening_mm),
            "mm",
            f"over {structure.foot_layers} layers; holds narrow supports to the bed",
        ),
    ]


def _both_sets(density: float) -> list[tuple[str, str, str, str]]:
    value = given(100 * min(1.0, 2 * density), 1)
    return [
        ("the same as a density, both sets together", value, "%", "for programs that count both sets as one")
    ]


def _gap_rows(what: str, gap: Gap, why: str) -> list[tuple[str, str, str, str]]:
    realised = "whole layers that come nearest; this is what the printed gap will be"
    return [
        (f"{what}: asked for", given(gap.asked_mm, 3), "mm", why),
        (f"{what}: as printed", str(gap.layers), "layers", realised),
        (f"{what}: as printed", given(gap.realised_mm, 3), "mm", "the same in millimetres"),
    ]


def _gap_why(gap: Gap) -> str:
    why = "a smaller gap looks cleaner but fuses, a larger one releases but sags (common practice)"
    if abs(gap.asked_mm - gap.realised_mm) > 1e-6:
        why += "; the layer height does not divide what was asked for"
    return why


def _printing_rows(process: Process) -> list[tuple[str, str, str, str]]:
    printer, material = process.printer, process.material
    return [
        ("nozzle bore", given(process.nozzle_mm), "mm", "line widths are laid with it"),
        ("layer height", given(process.layer_height_mm), "mm", "gaps are whole multiples of it"),
        (
            "height of the first layer",
            given(process.first_layer_height_mm),
            "mm",
            "all heights start from it",
        ),
        ("line width", given(process.line_width_mm), "mm", "sets how far a layer may reach past the last"),
        ("closed lines around the part", str(process.wall_lines), "lines", "as priced"),
        ("solid layers above and below", str(process.solid_layers), "layers", "as priced"),
        ("fill of the part's inside", given(100 * process.fill), "%", "as priced"),
        ("cooling fan", given(100 * process.fan), "%", "the sag of overhangs and bridges rests on it"),
        ("nozzle temperature", given(material.nozzle_temperature_c), "°C", f"for {_plain(material.name)}"),
        ("bed temperature", given(material.bed_temperature_c), "°C", f"for {_plain(material.name)}"),
        ("air around the part", given(process.room_temperature_c), "°C", "assumed for the cooling"),
        ("speed of walls", given(process.wall_speed_mm_s), "mm/s", "as priced"),
        ("speed of fill", given(process.fill_speed_mm_s), "mm/s", "as priced"),
        ("speed over air", given(process.bridge_speed_mm_s), "mm/s", "assumed for sag over bridges"),
        ("speed of supports", given(process.support_speed_mm_s), "mm/s", "as priced"),
        ("speed of the first layer", given(process.first_layer_speed_mm_s), "mm/s", "as priced"),
        ("speed of moves without extrusion", given(printer.travel_speed_mm_s), "mm/s", "as priced"),
    ]


def _bridges(plan: Plan) -> list[str]:
    bridges = [u for u in plan.undersides if u.kind is UndersideKind.BRIDGE]
    if not bridges:
        return ["There is no bridge."]
    chosen = {c.underside: c.chosen for c in plan.choices}
    rows = [
        (
            str(u.number),
            given(u.span_mm, 1),
            given(u.span_direction_deg, 1),
            given(u.height_mm, 2),
            _interval(u.droop_mm),
            _STANDING_WORDS[chosen.get(u.number, Standing.LEAVE)],
        )
        for u in bridges
    ]
    return [
        "Lay the strands of a bridge along its span, from anchor to anchor: they are shortest that way and "
        "sag least. Directions count from x towards y. Print at "
        f"{given(plan.process.bridge_speed_mm_s)} mm/s, fan at {given(100 * plan.process.fan)} %.",
        _table(
            (
                "underside",
                "span, mm",
                "direction of strands, °",
                "at height, mm",
                "sag without support, mm",
                "decision",
            ),
            rows,
        ),
    ]


def _undersides(plan: Plan) -> list[str]:
    choices = {c.underside: c for c in plan.choices}
    listed = [u for u in plan.undersides if u.kind is not UndersideKind.HOLDS]
    holding = len(plan.undersides) - len(listed)
    blocks = []
    if listed:
        blocks += [
            "Worst first. Positions are those of the part on the bed; angles count from the vertical; "
            "sag is the middle value with a 90 % interval.",
            _table(
                (
                    *(
                        "underside",
                        "kind",
                        "area, mm²",
                        "angle, °",
                        "at x, y, z, mm",
                        "sag without support, mm",
                    ),
                    *("sag on support, mm", "decision", "why"),
                ),
                [_underside_row(u, choices) for u in listed],
            ),
        ]
    else:
        blocks.append("No underside needs a decision.")
    if holding:
        blocks.append(
            f"Not listed: {holding} more that reach past the limit by so little that they print unaided."
        )
    return blocks


def _underside_row(underside: Underside, choices: Mapping[int, Choice]) -> tuple[str, ...]:
    choice = choices.get(underside.number)
    return (
        str(underside.number),
        underside.kind.value,
        given(underside.area_mm2, 1),
        given(underside.angle_deg, 0),
        ", ".join(given(v, 1) for v in underside.center_mm),
        _interval(underside.droop_mm),
        _interval(underside.supported_droop_mm),
        _STANDING_WORDS[choice.chosen if choice else Standing.LEAVE],
        choice.why if choice else "",
    )


def _typed(plan: Plan) -> list[str]:
    """What of the designed supports another program can build, and what that saves; estimates."""
    structure = plan.process.structure
    if structure.form != "designed" or not any(piece.others for piece in plan.pieces):
        return []
    built = plan.support_cost
    usual, wide = (_as_if(plan, name) for name in ("curtain", WIDE_NAME))
    spacing = lane_spacing_mm(plan.process)
    density = min(1.0, plan.process.line_width_mm / spacing)
    rows = [
        ("with the numbers above", f"{given(structure.spacing_mm)} mm", *_takes(usual)),
        (
            "with wider spacing",
            f"{given(spacing, 1)} mm, a density of {given(100 * density, 1)} %",
            *_takes(wide),
        ),
        ("as in print.3mf", "not to be typed in", *_takes(built)),
    ]
    return [
        "## What of the supports in print.3mf can be typed in",
        "The supports of `print.3mf` narrow downwards into posts and lean past the part. Shapes cannot be "
        "typed in; the spacing of the body's lines can, up to what the interface layers on top still "
        "bridge. Keep the interface layers then, and closed lines off: around narrow supports they cost "
        "more time than the spacing saves.",
        _table(("supports", "spacing of the body's lines", "filament, about", "time, about"), rows),
    ]


def _as_if(plan: Plan, name: str) -> Cost:
    """What all pieces would take if they were built so; as they are where nothing else was reckoned."""
    return sum((next((o.cost for o in p.others if o.structure == name), p.cost) for p in plan.pieces), Cost())


def _takes(cost: Cost) -> tuple[str, str]:
    return mass(cost.mass_g), duration(cost.time_s)


def _cautions(plan: Plan) -> Iterable[str]:
    yield from (notice.text for notice in plan.warnings)
    by_remedy: dict[str, list[int]] = {}
    for piece in plan.pieces:
        if piece.remedy and piece.undersides:
            by_remedy.setdefault(piece.remedy, []).extend(piece.undersides)
    for remedy, undersides in by_remedy.items():
        under = numbered("underside", sorted(set(undersides)))
        yield (
            f"To stand by themselves, the supports of print.3mf under {under} got more "
            f"than the numbers above say: {remedy}. Supports of your own program need something like it."
        )
    bases = sorted({u.droop_mm.basis for u in plan.undersides})
    for basis in bases:
        yield f"Sag is predicted, not measured. It is {BASIS.get(basis, basis)}."
    if plan.rests_on:
        yield f"Read so far: {plan.rests_on}."
    yield "Other programs round gaps, widths and heights in their own way: check the layers before printing."
    yield "Cost and time were computed with the numbers of this sheet; another speed or fill changes them."


def _dangers(plan: Plan) -> Iterable[str]:
    job = job_of(plan.process, plan.part.turn_deg, plan.release)
    tasks = (CautionedTask.PRINT, *((CautionedTask.TAKE_OFF,) if plan.pieces else ()), CautionedTask.USE)
    return (*(caution.line for caution in cautions(*tasks, job=job)), RULES)


def _interval(estimate: Estimate) -> str:
    return f"{given(estimate.value, 2)} ({given(estimate.low, 2)} to {given(estimate.high, 2)})"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(_plain(cell) for cell in line) + " |" for line in lines)


def _plain(text: str) -> str:
    """Text that no Markdown reader takes for markup or for the end of a cell."""
    text = " ".join(text.split())
    return "".join("\\" + c if c in "\\|<>*_`[]#" else c for c in text)
