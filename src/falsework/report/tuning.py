"""What tuning found, as a page: what to set, the curves with their readings, the next test, the evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from falsework.coupon.conditions import clean_droop_mm, other_fan
from falsework.coupon.reading import LET_GO_GRADES, Condition, ConditionKind, LetGo
from falsework.planning.handling import job_of
from falsework.report import curves, paper, tuning_words
from falsework.tuning.process_file import evidence_of
from falsework.tuning.survey import CLOSED_FINISH
from falsework.wording import figures as words
from falsework.wording.cautions import CautionedTask, cautions

if TYPE_CHECKING:
    from falsework.ledger import Recorded
    from falsework.tuning.results import Tuned

FINISH = ("1 loops hang", "2 open", "3 closed", "4 even", "5 as a wall")
_NEAR = 0.02  # log distance in layer height and line width up to which a reading belongs to the curves


@dataclass(frozen=True)
class EvidenceRow:
    """One reading in the table of evidence."""

    id: int
    day: str
    piece: str
    kind: str
    tried: str
    read: str
    flags: str


@dataclass(frozen=True)
class ValueBasis:
    """What one value rests on."""

    name: str
    value: str
    basis: str
    readings: str
    coupons: str
    days: str
    why: str


def tuning_html(found: Tuned) -> str:
    """A self-contained page of what tuning found.

    Examples
    --------
    >>> import falsework
    >>> process = falsework.load_process("pla-0.4")
    >>> found = falsework.tune(falsework.fit_ledger(None, process), process)
    >>> falsework.tuning_html(found)[:15]
    '<!doctype html>'
    """
    r, here = found.recommendation, found.survey
    own = [
        row
        for row in found.fitted.recorded
        if (row.reading.printer, row.reading.material) == (r.printer, r.material)
    ]
    near = [row for row in own if _of_curves(row.reading.condition, here.conditions[0])]
    return paper.render(
        "tuning.html",
        r=r,
        next=found.next,
        agreed=found.agreement,
        doubts=tuning_words.doubts(found),
        graders=tuning_words.grader_rows(found),
        grader_note=tuning_words.grader_note(found),
        tw=tuning_words,
        words=words,
        fan=f"{100 * r.process.fan:.0f}",
        other_fan=f"{100 * other_fan(r.process):.0f}",
        let_go=_let_go(found, near),
        finish=_finish(found, near),
        overhang=_overhang(found, near),
        sag=_sag(found, near),
        c=curves,
        elsewhere_count=len(own) - len(near),
        evidence=_evidence(found),
        rows=[_row(row) for row in own],
        cautions=cautions(CautionedTask.PRINT, CautionedTask.TAKE_OFF, job=job_of(r.process)),
    )


def _of_curves(one: Condition, here: Condition) -> bool:
    """Whether a reading was printed with the strand of the curves."""
    return (
        abs(one.layer_height_mm / here.layer_height_mm - 1) <= _NEAR
        and abs(one.line_width_mm / here.line_width_mm - 1) <= _NEAR
    )


def _let_go(found: Tuned, near: Sequence[Recorded]) -> curves.Shares:
    here, gap = found.survey, found.recommendation.of("air gap")
    h = here.process.layer_height_mm
    grades = list(LET_GO_GRADES)
    readings = [
        (row.reading.condition.air_gap_mm / h, _grade(row.reading.let_go))
        for row in near
        if row.reading.let_go is not None and row.reading.condition.air_gap_mm is not None
    ]
    names = [grade.value for grade in grades]
    return curves.shares(here.gaps_layers, here.let_go, names, 2, readings, [(float(gap.value), "set to")])


def _grade(word: LetGo) -> int:
    """Where a reading is drawn: one that does not say which of two, as the better."""
    return LET_GO_GRADES.index(LetGo.TOUCH if word is LetGo.EARLY else word)


def _finish(found: Tuned, near: Sequence[Recorded]) -> curves.Shares:
    here, gap = found.survey, found.recommendation.of("air gap")
    h = here.process.layer_height_mm
    readings = [
        (row.reading.condition.air_gap_mm / h, row.reading.finish - 1)
        for row in near
        if row.reading.finish is not None and row.reading.condition.air_gap_mm is not None
    ]
    return curves.shares(
        here.gaps_layers, here.finish, FINISH, CLOSED_FINISH - 1, readings, [(float(gap.value), "set to")]
    )


def _overhang(found: Tuned, near: Sequence[Recorded]) -> curves.Shares:
    here, limit = found.survey, found.recommendation.of("limit angle")
    fan = here.process.fan
    readings = [
        (c.angle_deg, row.reading.finish - 1)
        for row in near
        if (c := row.reading.condition).angle_deg is not None
        and row.reading.finish is not None
        and abs(c.fan - fan) < 0.01
    ]
    shown = slice(7, None)  # below 30° nothing happens
    return curves.shares(
        here.angles_deg[shown],
        here.slope_finish[:, shown],
        FINISH,
        CLOSED_FINISH - 1,
        readings,
        [(float(limit.value), "set to")],
        "{:g}°",
    )


def _sag(found: Tuned, near: Sequence[Recorded]) -> curves.Sags:
    here, bridge = found.survey, found.recommendation.of("longest clean bridge")

    def read(fan: float) -> list[tuple[float, float]]:
        return [
            (c.span_mm, row.reading.droop_mm)
            for row in near
            if (c := row.reading.condition).kind == ConditionKind.BRIDGE
            and c.span_mm is not None
            and row.reading.droop_mm is not None
            and abs(c.fan - fan) < 0.01
        ]

    fan, other = here.process.fan, other_fan(here.process)
    return curves.sags(
        here.spans_mm,
        [
            (here.sag_mm, f"fan {100 * fan:.0f} %", read(fan)),
            (here.other_sag_mm, f"fan {100 * other:.0f} %", read(other)),
        ],
        clean_droop_mm(here.process),
        [(float(bridge.value), "longest clean")],
    )


def _evidence(found: Tuned) -> list[ValueBasis]:
    by_id = {row.id: row for row in found.fitted.recorded}
    told = []
    for advice in found.recommendation.advice:
        facts = evidence_of(advice, [by_id[k] for k in advice.rests_on])
        days = (facts.get("from", ""), facts.get("to", ""))
        told.append(
            ValueBasis(
                advice.name,
                tuning_words.value(advice),
                advice.basis,
                facts.get("readings", "none"),
                ", ".join(facts.get("coupons", [])) or "–",
                " to ".join(dict.fromkeys(filter(None, days))) or "–",
                words.sentence(advice.why),
            )
        )
    return told


def _row(row: Recorded) -> EvidenceRow:
    c, read = row.reading.condition, row.reading
    tried = {
        ConditionKind.OVERHANG: f"{c.angle_deg or 0:g}° from the vertical",
        ConditionKind.BRIDGE: f"{c.span_mm or 0:g} mm",
        ConditionKind.SUPPORT: (
            f"gap {c.air_gap_mm or 0:.3g} mm, {c.interface_layers} interface layers, {c.weave or 'parallel'} "
            f"{c.spacing_mm or 0:g} mm"
        ),
    }[ConditionKind(c.kind)]
    outcome = [
        *([f"came off: {read.let_go.value}"] if read.let_go is not None else []),
        *([f"finish {read.finish}"] if read.finish is not None else []),
        *([f"sag {read.droop_mm:.2f} mm"] if read.droop_mm is not None else []),
    ]
    strand = f"{c.line_width_mm:g} × {c.layer_height_mm:g} mm"
    return EvidenceRow(
        row.id,
        row.when.isoformat(),
        f"{row.coupon or '–'}{f', {row.cell}' if row.cell else ''}",
        c.kind.value,
        f"{tried}; strand {strand}, fan {100 * c.fan:.0f} %",
        ", ".join(outcome),
        "; ".join([*row.flags, *(["invented"] if read.invented else [])]),
    )
