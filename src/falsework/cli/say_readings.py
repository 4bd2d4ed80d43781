"""How readings, their history and photographs are told in the terminal."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from falsework.cli.say import say, table
from falsework.process.fields import spec_of

if TYPE_CHECKING:
    from falsework.coupon.reading import Condition
    from falsework.ledger import HistoryEntry, Photograph, Print, Recorded, StoredPlan


def condition(tried: Condition) -> str:
    """What was tried, in a few words."""
    usual = f"{tried.layer_height_mm:g} mm layers"
    match tried.kind:
        case "overhang":
            return f"overhang of {tried.angle_deg:.3g}°, {usual}"
        case "bridge":
            return f"bridge of {tried.span_mm:.3g} mm, {usual}, fan {100 * tried.fan:.0f} %"
    gap_mm = tried.air_gap_mm or 0.0
    layers = f"{gap_mm / tried.layer_height_mm:.3g}"
    told = (
        f"support, gap {gap_mm:g} mm ({layers} {'layer' if layers == '1' else 'layers'})",
        f"{tried.interface_layers or 'no'} interface {'layer' if tried.interface_layers == 1 else 'layers'}",
        f"strands {tried.weave}, {tried.spacing_mm:g} mm apart",
    )
    return ", ".join((*told, usual))


def readings(found: Sequence[Recorded]) -> None:
    """Readings as a table, one line each; what is doubtful beneath. What all have in common is its title, and
    what none has is left out."""
    if not found:
        say("There are no such readings.")
        return
    columns = {
        "no.": [str(r.id) for r in found],
        "day": [str(r.when) for r in found],
        "printer": [r.reading.printer for r in found],
        "material": [r.reading.material for r in found],
        "tried": [_tried(r.reading.condition) for r in found],
        "came off": [r.reading.let_go or "–" for r in found],
        "finish": [_figure(r.reading.finish) for r in found],
        "sag mm": [_figure(r.reading.droop_mm) for r in found],
        "min": [_figure(r.reading.clean_up_min) for r in found],
        "where": [" ".join(filter(None, (r.coupon, r.cell))) or "–" for r in found],
        "": [", ".join(word for word, is_so in _marks(r) if is_so) for r in found],
    }
    title = "Readings"
    for name, joint in (("printer", "of"), ("material", "in")):
        if len(set(columns[name])) == 1:
            title += f" {joint} {columns.pop(name)[0]}"
    told = {name: texts for name, texts in columns.items() if set(texts) - {"–", ""}}
    table(title, tuple(told), list(zip(*told.values(), strict=True)))
    for r in found:
        for flag in r.flags:
            say(f"flagged: reading {r.id}: {flag}")


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:g}"


def _marks(r: Recorded) -> tuple[tuple[str, bool], ...]:
    return (
        ("invented", r.reading.invented),
        ("withdrawn", r.withdrawn),
        ("changed", r.changes > 0 and not r.withdrawn),
        ("flagged", bool(r.flags)),
    )


def _tried(tried: Condition) -> str:
    match tried.kind:
        case "overhang":
            return f"overhang {tried.angle_deg:.3g}°"
        case "bridge":
            return f"bridge {tried.span_mm:.3g} mm"
    return f"gap {tried.air_gap_mm:.3g} mm, {tried.interface_layers} interface layers"


def prints(
    made: Sequence[Print],
    found: Sequence[Recorded],
    plans: Mapping[str, StoredPlan],
    labels: Mapping[int, str],
) -> None:
    """Prints as a table: what of, and how many readings there are."""
    if not made:
        say("There are no prints.")
        return
    rows = []
    for one in made:
        what = f"test piece {one.coupon}" if one.coupon else "–"
        what = plans[one.plan].part if one.plan else what
        count = sum(recorded.print_id == one.id for recorded in found)
        spool = labels[one.spool] if one.spool is not None else "–"
        mark = "invented" if one.invented else ""
        rows.append(
            (str(one.id), str(one.printed_on), what, one.printer, one.material, spool, str(count), mark)
        )
    table("Prints", ("no.", "day", "what", "printer", "material", "spool", "readings", ""), rows)


def reading_in_full(r: Recorded, shown: Sequence[Photograph]) -> None:
    """Every value of one reading with its unit and meaning."""
    say(f"Reading {r.id}, {r.when}: {condition(r.reading.condition)}")
    where = {"test piece": r.coupon, "cell": r.cell, "print": r.print_id, "gap made by": r.gap_method}
    for name, value in {**where, "note": r.note, "uid": r.uid}.items():
        if value:
            say(f"  {name:<22} {value}")
    for record in (r.reading, r.reading.condition):
        for field in dataclasses.fields(record):
            value = getattr(record, field.name)
            if value is not None and field.name != "condition":
                spec = spec_of(field)
                told = ("yes" if value else "no") if isinstance(value, bool) else f"{value}"
                say(f"  {field.name:<22} {f'{told} {spec.unit}':<16} {spec.help}")
    for word, is_so in _marks(r):
        if is_so:
            say(f"  {word}")
    for flag in r.flags:
        say(f"flagged: {flag}")
    photographs(shown)


def history(number: int, steps: Sequence[HistoryEntry]) -> None:
    """What happened to a reading: each step, and what it changed."""
    say(f"Reading {number}: {condition(steps[-1].reading.condition)}")
    before: dict[str, object] = {}
    for step in steps:
        told = _told(step)
        changes = [
            f"{name}: {_word(before.get(name))} → {_word(value)}"
            for name, value in told.items()
            if step.number > 1 and value != before.get(name)
        ]
        outcome = [f"{name} {_word(told[name])}" for name in _OUTCOMES if told[name] is not None]
        why = f" ({step.reason})" if step.reason else ""
        say(f"{step.number:3}. {step.recorded_at[:16].replace('T', ' ')} UTC  {step.act}{why}")
        for line in changes if step.number > 1 else [", ".join(outcome)]:
            say(f"       {line}")
        before = told


_OUTCOMES = ("let_go", "finish", "droop_mm", "clean_up_min")


def _told(step: HistoryEntry) -> dict[str, object]:
    told = dataclasses.asdict(step.reading)
    told |= told.pop("condition")
    return {**told, "measured_on": step.when, "gap_method": step.gap_method, "note": step.note}


def _word(value: object) -> str:
    return "open" if value is None or value == "" else f"{value}"


def photographs(shown: Sequence[Photograph]) -> None:
    """The photographs and what they show."""
    if not shown:
        return
    rows = []
    for one in shown:
        what = f"reading {one.reading}" if one.reading is not None else f"test piece {one.coupon}"
        if one.print_id is not None:
            what = f"print {one.print_id}"
        rows.append((str(one.attachment), what, one.name, f"{one.size / 1e6:.1f}", one.digest[:12], one.note))
    table("Photographs", ("no.", "shows", "file", "MB", "digest", "note"), rows)
