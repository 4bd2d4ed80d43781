"""What the commands print: short tables and sentences, framed on a terminal and plain in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from falsework.wording import figures, terms

if TYPE_CHECKING:
    from falsework.cost.cost import Cost
    from falsework.coupon.reading import Condition
    from falsework.coupon.value import Coupon
    from falsework.droop.estimate import Estimate
    from falsework.need.underside import Underside
    from falsework.orientation.value import Orientations
    from falsework.planning.value import Inspection, LayerSummary, PartSummary, Plan
    from falsework.process.settings import Process
    from falsework.release.value import Release, Remedy

_MOST_UNDERSIDES = 8


def say(text: str = "") -> None:
    """One line on stdout, with ordinary spaces: who searches a pipe types no others."""
    click.echo(figures.plain(text))


def table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A table; columns of numbers are set right, words left."""
    right = [all(_is_figure(row[k]) for row in rows) for k in range(len(head))]
    say()
    if sys.stdout.isatty():
        from rich import box
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        framed = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, title_style="bold")
        for name, flush in zip(head, right, strict=True):
            framed.add_column(name, justify="right" if flush else "left")
        for row in rows:
            framed.add_row(*(Text(figures.plain(cell)) for cell in row))
        Console().print(framed)
        return
    widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
    say(title)
    for line in (head, *rows):
        cells = (
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(line, widths, right, strict=True)
        )
        say("  " + "  ".join(cells).rstrip())


def part_lines(part: PartSummary, layers: LayerSummary, limit_deg: float, layer_height_mm: float) -> None:
    """Size, health and layers of the part."""
    shape = "closed" if part.closed else "open"
    bodies = figures.counted(part.bodies, "body", "bodies")
    say(
        f"{part.name}: {figures.size(part.size_mm)}, {figures.volume(part.volume_mm3)}, "
        f"{figures.counted(part.triangles, 'triangle')}, {shape}, {bodies}"
    )
    for finding in part.findings:
        mark = "! " if finding.serious else ""
        say(f"  {mark}{figures.finding(finding.count, finding.what, finding.done)}")
    if not part.findings:
        say("  nothing had to be healed")
    say(
        f"{figures.counted(layers.count, 'layer')} of {figures.given_unit(layer_height_mm, 'mm')}; "
        f"undersides print unaided up to {figures.with_unit(limit_deg, '°', 0)} from the vertical"
    )


def inspection(result: Inspection) -> None:
    """Everything that ``inspect`` shows."""
    part_lines(result.part, result.layers, result.limit_deg, result.process.layer_height_mm)
    _undersides(result.undersides, None, result.rests_on)
    warnings([notice.text for notice in result.warnings])


def plan(result: Plan) -> None:
    """Everything that ``plan`` shows before it says what was written."""
    part_lines(result.part, result.layers, result.limit_deg, result.process.layer_height_mm)
    if result.lies is not None:
        say(f"position on the bed: {figures.sentence(result.lies.why)}")
    _undersides(result.undersides, {c.underside: c.chosen.value for c in result.choices}, result.rests_on)
    if result.undersides:
        _standings(result)
    _cost(result)
    _readiness(result)
    if result.pieces and result.release is not None:
        say(f"  How they come off: {result.release.verdict}")
    warnings([notice.text for notice in result.warnings])


def lies(found: Orientations) -> None:
    """The recommended lie and why, then every way to lie beside it."""
    from falsework.orientation import HEAD, rows

    if found.recommended.needs_no_support:
        say(f"{found.part} can be printed without any support.")
        say(figures.sentence(found.why))
    else:
        say(f"{found.part}: {figures.sentence(found.why)}")
    every = rows(found)
    # a column that says nothing about any of them is left out
    telling = [k for k in range(len(HEAD)) if {row[k] for row in every} != {"–"}]
    table(
        "Positions on the bed, cheapest first",
        [HEAD[k] for k in telling],
        [[row[k] for k in telling] for row in every],
    )
    say(f"  {found.searched} directions looked at; in {found.supportless} of them it needs no support.")
    say(f"  Turns are degrees about x, then y, then z. {figures.sentence(found.error)}")


def release(found: Release) -> None:
    """The pieces as a numbered strip in the order of removal; those that never leave come last."""
    say(found.verdict)
    by_number = {piece.number: piece for piece in found.pieces}
    strip = [by_number[n] for n in found.order if by_number[n].order]
    for piece in strip:
        say(f"{piece.order:3}. piece {piece.number}, {piece.state.value}: {piece.why}")
    for piece in found.pieces:
        if not piece.order:
            say(f"  –  piece {piece.number}, {piece.state.value}: {piece.why}")
    warnings(found.cautions)


def coupons(pieces: Sequence[Coupon]) -> None:
    """The test pieces side by side: what each tries and would take."""
    from falsework.coupon.guide import TRIES

    head = ("piece", "cells", "left out", "prints", "minutes", "grams", "tries")
    rows = [
        (
            piece.kind.value,
            str(len(piece.cells)),
            str(len(piece.left_out)),
            str(len(piece.batches)),
            figures.number(piece.minutes, 0),
            figures.number(piece.grams, 1),
            TRIES[piece.kind],
        )
        for piece in pieces
    ]
    table("Test pieces for this process, within the limits", head, rows)


def letters_lacking(process: Process) -> None:
    """Which letters of the names on a sheet no font here has, and what to do; nothing where all are there."""
    from falsework.report.names import lacking

    if missing := lacking(process.printer.name + process.material.name + process.name):
        say(
            f"No font here has {missing}: sheet.pdf shows ? for them. Print sheet.html from a browser that "
            "has them, or install a font (Chinese, Japanese and Korean: pip install 'falsework[cjk]')"
        )


def coupon(piece: Coupon) -> None:
    """What a test piece tries and takes, and what was left out of it; not which cell tries what."""
    from falsework.coupon.guide import TITLES, TRIES, differing

    ordered = sorted(piece.cells, key=lambda cell: _by_size(cell.condition))
    own, alike = differing([cell.condition for cell in ordered])
    say(f"{TITLES[piece.kind]} {piece.code}: tries {TRIES[piece.kind]}.")
    say(
        f"  {figures.counted(len(piece.cells), 'cell')}, {_takes(piece.minutes, piece.grams)} "
        f"(seed {piece.seed})"
    )
    for batch in piece.batches if len(piece.batches) > 1 else ():
        takes = _takes(batch.minutes, batch.grams)
        say(f"  print-{batch.name}.3mf, with the fan at {figures.share(batch.fan)}: {takes}")
    table("What its cells try", ("cell",), [(words,) for words in own])
    if alike:
        say(f"  all: {alike}")
    if piece.left_out:
        table("Left out", ("cell", "why"), [(one.what, one.why) for one in piece.left_out])
    say()
    for note in piece.notes:
        say(f"- {note}")


def _by_size(condition: Condition) -> tuple[float, ...]:
    return (
        -condition.fan,
        condition.angle_deg or 0.0,
        condition.span_mm or 0.0,
        condition.air_gap_mm or 0.0,
        condition.spacing_mm or 0.0,
    )


def remedies(found: Sequence[Remedy]) -> None:
    """What to change so that the supports come off, best first."""
    say()
    say("What to change, best first:" if found else "No change that was tried helps.")
    for place, remedy in enumerate(found, 1):
        say(f"{place:3}. {remedy.change}: {remedy.effect}")


def warnings(texts: Sequence[str]) -> None:
    """Cautions, one per line."""
    if texts:
        say()
    for text in texts:
        say(f"caution: {text}")


def _undersides(undersides: Sequence[Underside], chosen: dict[int, str] | None, rests_on: str) -> None:
    if not undersides:
        say()
        say("Nothing is printed over air: no supports are needed.")
        return
    shown = undersides[:_MOST_UNDERSIDES]
    head = [
        "no.",
        "kind",
        "area mm²",
        "angle °",
        "at height mm",
        "sag without support mm",
        "sag on support mm",
    ]
    rows = [
        [
            str(u.number),
            u.kind.value,
            figures.number(u.area_mm2, 1),
            figures.number(u.angle_deg, 0),
            figures.number(u.height_mm, 1),
            f"falls {figures.number(u.falls_mm)}" if u.falls_mm is not None else _interval(u.droop_mm),
            _interval(u.supported_droop_mm),
        ]
        for u in shown
    ]
    if chosen is not None:
        head.append("support")
        for row, underside in zip(rows, shown, strict=True):
            row.append(chosen[underside.number])
    more = len(undersides) - len(shown)
    title = f"Undersides, worst first ({len(undersides)}{f', the first {len(shown)} shown' if more else ''})"
    table(title, head, rows)
    bases = sorted({u.droop_mm.basis for u in undersides})
    rests = "; ".join(terms.BASIS.get(basis, basis) for basis in bases)
    read = f" ({rests_on})" if rests_on else ""
    say(f"  Sag is predicted, with 90 % intervals, {rests}{read}.")


def _readiness(result: Plan) -> None:
    """Whether it may be printed as it is; if not, why, and what would help."""
    from falsework.planning.readiness import readiness
    from falsework.process.forces import LEAST_TOPPLE_SAFETY

    stance = result.stance
    if stance is not None:
        say(
            f"  First layer {figures.area(stance.first_layer_mm2)}; the part stands with a safety of "
            f"{min(stance.safety, 100.0):.1f}{' or more' if stance.safety > 100.0 else ''} "
            f"(at least {LEAST_TOPPLE_SAFETY:g} is asked for)"
        )
    found = readiness(result)
    say()
    say(figures.sentence(found.headline))
    for reason in found.reasons:
        say(f"  ! {figures.plain(reason.notice.text)}")
        for remedy in reason.remedies:
            say(f"      {figures.plain(remedy.text)}")


def _standings(result: Plan) -> None:
    head = [
        "supports start",
        "filament g",
        "time",
        "price",
        "left without mm²",
        "carried mm²",
        "marked by feet mm²",
        "total",
    ]
    rows = [
        [
            a.name,
            figures.number(a.cost.mass_g, 1),
            figures.duration(a.cost.time_s),
            figures.number(a.cost.price, 2),
            f"{figures.number(a.left_mm2, 0)} ({a.left_count})",
            figures.number(a.contact_mm2, 0),
            figures.number(a.scar_mm2, 0),
            figures.number(a.price.total, 2),
        ]
        for a in result.alternatives
    ]
    table("Where supports start, side by side (estimates)", head, rows)


def _cost(result: Plan) -> None:
    head = ["", "filament g", "filament m", "time", "price"]
    rows = [
        _cost_row("part", result.part_cost),
        _cost_row("supports", result.support_cost),
        _cost_row("together", result.part_cost + result.support_cost),
    ]
    table("Cost as built", head, rows)
    say(f"  Total price, by which everything is chosen: {figures.price(result.price.total)}")
    if result.pieces:
        gap = result.gap
        say(
            f"  {figures.counted(len(result.pieces), 'piece')} of support; air gap "
            f"{figures.given_unit(gap.realised_mm, 'mm')} ({figures.counted(gap.layers, 'layer')}, asked for "
            f"{figures.given_unit(gap.asked_mm, 'mm')})"
        )


def _cost_row(name: str, cost: Cost) -> list[str]:
    return [
        name,
        figures.number(cost.mass_g, 1),
        figures.number(cost.filament_mm / 1000, 2),
        figures.duration(cost.time_s),
        figures.number(cost.price, 2),
    ]


def _takes(minutes: float, grams: float) -> str:
    return f"{figures.duration(60.0 * minutes)}, {figures.mass(grams)}"


def _interval(estimate: Estimate) -> str:
    return f"{figures.number(estimate.value, 2)} ({figures.span(estimate.low, estimate.high, 2)})"


def _is_figure(cell: str) -> bool:
    return cell[:1].isdigit() or cell[:1] in ("-", figures.MINUS)
