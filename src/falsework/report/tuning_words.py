"""The results of tuning as words and rows of tables, alike on the terminal and on the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from falsework.coupon.reading import LET_GO_GRADES, ConditionKind
from falsework.coupon.value import CouponKind
from falsework.droop.estimate import Estimate
from falsework.ledger.exchange import invented_notice
from falsework.tuning.next_test import (
    MINUTES_PER_CELL,
    MINUTES_PER_PRINT,
    STILL_TELLS,
    WRONG_COSTS_MIN,
    Next,
)
from falsework.tuning.recommend import Advice, Disagreement, Recommendation, numbered
from falsework.tuning.survey import STICKING_COUNTS
from falsework.wording.figures import share

if TYPE_CHECKING:
    from falsework.ledger import Recorded
    from falsework.tuning.agreement import Agreement
    from falsework.tuning.results import Tuned

ADVICE_HEAD = ("setting", "set to", "model", "practice", "likely right", "basis", "readings")
GAP_HEAD = ("layers", "gap mm", *(word.value for word in LET_GO_GRADES), "comes off", "closed or better", "")
ELSEWHERE_HEAD = ("with", "limit °", "clean bridge mm", "gap layers", "basis")
NEXT_HEAD = ("piece", "cells", "prints min", "grams", "saves min", "costs min", "settles")
NEXT_NOTE = (
    f"  saves: a wrong setting is taken to cost {WRONG_COSTS_MIN:.0f} min over the life of a process, a gap "
    f"at which supports stick {STICKING_COUNTS * WRONG_COSTS_MIN:.0f}; costs: printing, "
    f"{MINUTES_PER_PRINT:.0f} min for the print itself, and {MINUTES_PER_CELL:g} min a cell to read it off. "
    "While a setting is not known, what makes it likelier right by "
    f"{1000 * STILL_TELLS:.0f} in 1000 is printed all the same."
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
    return f"equally good so far: {', '.join(advice.as_good)}" if advice.as_good else "–"


def practice(advice: Advice) -> str:
    return "–" if advice.practice == "" else f"{advice.practice}"


def advice_rows(r: Recommendation) -> list[tuple[str, ...]]:
    return [
        (a.name, value(a), model(a), practice(a), share(a.sure), a.basis, numbered(a.rests_on) or "none")
        for a in r.advice
    ]


def gap_rows(r: Recommendation) -> list[tuple[str, ...]]:
    return [
        (
            str(g.layers),
            f"{g.gap_mm:.2f}",
            *(share(g.let_go[word.value]) for word in LET_GO_GRADES),
            f"{share(g.removable.value)} ({share(g.removable.low)} to {share(g.removable.high)})",
            share(sum(g.finish[2:])),
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


_KIND_OF = {
    CouponKind.OVERHANG: ConditionKind.OVERHANG,
    CouponKind.BRIDGE: ConditionKind.BRIDGE,
    CouponKind.GAP: ConditionKind.SUPPORT,
}


def disagreement(d: Disagreement, agreed: Agreement) -> str:
    """What is in dispute, and the readings or the test piece that settle it."""
    if agreed.fails(_KIND_OF.get(d.settled_by, ConditionKind.SUPPORT)):
        return f"{d.what} The readings do not settle it: they disagree with the model too, see below."
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
            "; ".join(
                f"{g.question} {share(g.now)} → {share(g.after)}" for g in p.gains if g.after - g.now >= 0.01
            )
            or "nothing",
        )
        for p in found.proposals
    ]


def doubts(found: Tuned) -> list[str]:
    """What speaks against the fit, one sentence each: checks that fail, readings that contradict each other,
    outliers, changes that nobody wrote down."""
    agreed, recorded = found.agreement, found.fitted.recorded
    said = [
        f"{_SUBJECT[c.kind]}: the {c.of} of {c.readings} readings does not fit the model "
        f"(chance {_chance(c.chance)}). Nothing of it counts as known."
        for c in agreed.checks
        if not c.holds
    ]
    said += [
        f"Against all order: {c.says} ({_where(recorded[c.at[0]])}; {_where(recorded[c.at[1]])}). Were two "
        "cells mixed up? Look again; if both stand, print both once more."
        for c in agreed.contradictions
    ]
    said += [
        f"Hardly to be believed: {_where(recorded[o.at])} {o.says}, where {o.expected} is expected (chance "
        f"{_chance(o.chance)}). Look again, or print that cell once more."
        for o in agreed.outliers
    ]
    said += [
        f"Something seems to have changed between {c.last_before} and {c.since}: {c.what} "
        f"{'worse' if c.by > 0 else 'better'} since, by {abs(c.by):.1f} standard deviations (chance "
        f"{_chance(c.chance)}). If so, write it down, and what came before counts less: "
        f'falsework ledger event "nozzle replaced" --printer "{found.recommendation.printer}" --day {c.since}'
        for c in found.changes
    ]
    return said


_SUBJECT = {
    ConditionKind.OVERHANG: "Slopes",
    ConditionKind.BRIDGE: "Bridges",
    ConditionKind.SUPPORT: "Supports",
}
GRADER_HEAD = ("graded by", "readings", "finish against the others, grades", "supports hold, log bond")


def grader_rows(found: Tuned) -> list[tuple[str, ...]]:
    return [(g.name, str(g.readings), interval(g.finish, 2), interval(g.holds, 2)) for g in found.graders]


def grader_note(found: Tuned) -> str:
    """How those who graded differ, and what would tell it better; '' with fewer than two."""
    if not found.graders:
        return ""
    names = " and ".join(g.name for g in found.graders)
    differs = (
        "They differ, which is reckoned with."
        if any(g.differs for g in found.graders)
        else ("No difference can be told yet.")
    )
    return (
        f"{differs} A tray that each grades alone tells it best: let {names} record the next piece in turn, "
        "each with --by."
    )


def _where(recorded: Recorded) -> str:
    """'reading 12 (piece G97R, cell B, print 3)'."""
    told = [
        *([f"piece {recorded.coupon}"] if recorded.coupon else []),
        *([f"cell {recorded.cell}" if recorded.coupon else recorded.cell] if recorded.cell else []),
        *([f"print {recorded.print_id}"] if recorded.print_id is not None else []),
    ]
    return f"reading {recorded.id}" + (f" ({', '.join(told)})" if told else "")


def _chance(value: float) -> str:
    return "below 0.001" if value < 0.001 else f"{value:.3f}"
