"""The results of tuning as words and rows of tables, alike on the terminal and on the page."""

from __future__ import annotations

from falsework.coupon.reading import LetGo
from falsework.droop.estimate import Estimate
from falsework.ledger.exchange import invented_notice
from falsework.tuning.next_test import MINUTES_PER_CELL, WRONG_COSTS_MIN, Next
from falsework.tuning.process_file import numbered
from falsework.tuning.recommend import Advice, Disagreement, Recommendation

ADVICE_HEAD = ("setting", "set to", "model", "practice", "sure", "basis", "readings")
GAP_HEAD = ("layers", "gap mm", *(word.value for word in LetGo), "comes off", "closed or better", "")
ELSEWHERE_HEAD = ("with", "limit °", "clean bridge mm", "gap layers", "basis")
NEXT_HEAD = ("piece", "cells", "prints min", "grams", "saves min", "costs min", "settles")
NEXT_NOTE = (
    f"  saves: a wrong setting is taken to cost {WRONG_COSTS_MIN:.0f} min over the life of a process; "
    f"costs: printing, and {MINUTES_PER_CELL:g} min a cell to read it off."
)


def rests_on(r: Recommendation) -> str:
    """On what all of it rests, in one sentence."""
    pair = f"{r.material} on {r.printer}, process {r.process.name}"
    if not r.readings:
        return f"{pair}: no readings yet. What follows is common practice, uncalibrated."
    count = "1 reading" if r.readings == 1 else f"{r.readings} readings"
    return f"{pair}: from {count} of this printer and material."


def invented(r: Recommendation) -> str:
    """What has to be said where readings were made up; '' where none was."""
    said = [invented_notice(r.invented, r.readings)] if r.invented else []
    if r.invented_elsewhere:
        others = f"Invented readings of other printers or materials ({r.invented_elsewhere})"
        said.append(f"{others} count in the fit as well.")
    return " ".join(said)


def value(advice: Advice) -> str:
    """'57.2°', '3 layers', 'lines'."""
    if isinstance(advice.value, str):
        return advice.value
    number = f"{advice.value:g}"
    return number + ("°" if advice.unit == "°" else f" {advice.unit}" if advice.unit else "")


def interval(estimate: Estimate, digits: int = 1) -> str:
    """'57.2 (52.1 to 61.9)'."""
    return f"{estimate.value:.{digits}f} ({estimate.low:.{digits}f} to {estimate.high:.{digits}f})"


def model(advice: Advice) -> str:
    """The model's own figure; for a choice, what is as good so far as anyone can tell."""
    if advice.estimate is not None:
        return interval(advice.estimate)
    return f"as good: {', '.join(advice.as_good)}" if advice.as_good else "–"


def practice(advice: Advice) -> str:
    return "–" if advice.practice == "" else f"{advice.practice}"


def advice_rows(r: Recommendation) -> list[tuple[str, ...]]:
    return [
        (a.name, value(a), model(a), practice(a), f"{a.sure:.2f}", a.basis, numbered(a.rests_on) or "none")
        for a in r.advice
    ]


def gap_rows(r: Recommendation) -> list[tuple[str, ...]]:
    return [
        (
            str(g.layers),
            f"{g.gap_mm:.2f}",
            *(f"{g.let_go[word.value]:.2f}" for word in LetGo),
            interval(g.removable, 2),
            f"{sum(g.finish[2:]):.2f}",
            "recommended" if g.recommended else "",
        )
        for g in r.gaps
    ]


def elsewhere_rows(r: Recommendation) -> list[tuple[str, ...]]:
    return [
        (
            e.process,
            interval(e.limit_deg, 0),
            interval(e.bridge_mm, 0),
            interval(e.gap_layers),
            " / ".join(dict.fromkeys((e.limit_deg.basis, e.bridge_mm.basis, e.gap_layers.basis))),
        )
        for e in r.elsewhere
    ]


def disagreement(d: Disagreement) -> str:
    """What is in dispute, and the readings or the test piece that settle it."""
    if d.basis == "calibrated":
        return f"{d.what} The readings speak for the model."
    return f"{d.what} To settle it: {d.settled_by.value}, {d.at}."


def next_rows(found: Next) -> list[tuple[str, ...]]:
    return [
        (
            p.kind.value,
            str(len(p.cells)),
            f"{p.print_min:.0f}",
            f"{p.grams:.1f}",
            f"{p.gain_min:.0f}",
            f"{p.cost_min:.0f}",
            "; ".join(f"{g.question} {g.now:.2f} → {g.after:.2f}" for g in p.gains if g.after - g.now >= 0.01)
            or "nothing",
        )
        for p in found.proposals
    ]
