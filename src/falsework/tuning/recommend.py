"""``recommend``: the settings that the readings speak for, each with an interval and what it rests on.

Where no reading of this printer and material bears on a setting, the recommendation is common practice, and
the model's own figure stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from falsework.coupon.conditions import clean_droop_mm
from falsework.coupon.reading import LET_GO_GRADES, ConditionKind
from falsework.coupon.value import CouponKind
from falsework.droop.estimate import Estimate
from falsework.process.builtin import builtin, builtin_names
from falsework.process.settings import Process
from falsework.tuning.survey import (
    AS_GOOD,
    BRIDGE_WITHIN,
    GAP_WITHIN,
    LIMIT_WITHIN_DEG,
    MOST_GAP_LAYERS,
    REMOVABLE,
    UNCALIBRATED,
    USUAL_LAYERS,
    Floats,
    SettingSurvey,
    SupportVariant,
    share_within,
    survey,
)
from falsework.watch import QUIET, Watch
from falsework.wording.figures import share

if TYPE_CHECKING:
    from falsework.ledger import Recorded
    from falsework.tuning.posterior import Posterior

_BETTER = 0.8  # probability that another make is better, before the one at hand is left for it
_DIFFERENT_DEG = 5.0  # from practice, before it is said; constructed
_MUCH_DOUBT = 0.42  # probability that a layer less would do, before it is said; constructed
_ENDS = (0.05, 0.5, 0.95)

Value = float | int | str


@dataclass(frozen=True)
class Advice:
    """One setting: what is recommended, and how sure that is.

    Attributes
    ----------
    name, value, unit : what it is called, the recommended value and its unit.
    setting : the setting of the process that carries it, as 'table.field'; '' where none does.
    set_to : what that setting is to be.
    estimate : the model's own figure with its 90 % interval; None for a choice between words.
    as_good : other values that are not worse so far as anyone can tell.
    practice : common practice; for the make of the support, what the process came with.
    sure : probability that the recommended value lies within ``within`` of what is right.
    basis : 'uncalibrated', 'extrapolated' or 'calibrated'.
    rests_on : ids of the readings behind it.
    why : one sentence.
    """

    name: str
    value: Value
    unit: str
    setting: str
    set_to: Value
    estimate: Estimate | None
    as_good: tuple[str, ...]
    practice: Value
    sure: float
    within: str
    basis: str
    rests_on: tuple[int, ...]
    why: str


@dataclass(frozen=True)
class GapOutcome:
    """What is expected of one gap that can be printed; ``removable``: that it comes off, in one go."""

    layers: int
    gap_mm: float
    let_go: dict[str, float]  # by the words of ``LET_GO_GRADES``
    finish: tuple[float, ...]  # of 1 to 5
    removable: Estimate
    recommended: bool


@dataclass(frozen=True)
class Elsewhere:
    """What the same printer is predicted to do with other layers, another nozzle or another material."""

    process: str
    what: str
    limit_deg: Estimate
    bridge_mm: Estimate
    gap_layers: Estimate


@dataclass(frozen=True)
class Disagreement:
    """Where the model and common practice part ways; the test piece that settles it, if readings have not."""

    what: str
    basis: str
    settled_by: CouponKind
    at: str  # the cells that matter


@dataclass(frozen=True)
class Recommendation:
    """Everything that tuning says about one printer × material × process."""

    printer: str
    material: str
    process: Process  # as it came in
    readings: int  # of this printer and material
    invented: int  # how many of them are made up
    invented_elsewhere: int  # of other printers or materials, which count in the fit as well
    advice: tuple[Advice, ...]
    gaps: tuple[GapOutcome, ...]
    layers_law: float  # probability that the gap counts in layers rather than in clearance
    laws_said: str
    disagreements: tuple[Disagreement, ...]
    elsewhere: tuple[Elsewhere, ...]

    def of(self, name: str) -> Advice:
        """The advice of that name; KeyError where there is none."""
        for advice in self.advice:
            if advice.name == name:
                return advice
        raise KeyError(name)

    @property
    def tuned(self) -> Process:
        """The process with every recommended setting in place."""
        changes: dict[str, Value] = {a.setting: a.set_to for a in self.advice if a.setting}
        built = {key.removeprefix("structure."): v for key, v in changes.items() if "." in key}
        own = {key: v for key, v in changes.items() if "." not in key}
        structure = replace(self.process.structure, air_gap_mm=0.0, **built)  # type: ignore[arg-type]
        return replace(self.process, structure=structure, **own)  # type: ignore[arg-type]


def recommend(
    posterior: Posterior,
    process: Process,
    *,
    printer: str = "",
    recorded: Sequence[Recorded] = (),
    found: SettingSurvey | None = None,
    watch: Watch = QUIET,
) -> Recommendation:
    """What to set for ``process`` on ``printer`` (default: the process's own), from a fitted posterior.

    ``recorded`` are the ledger's readings, to point back to; ``found`` a survey of the same posterior,
    process and printer, if there is one already.
    """
    printer = printer or process.printer.name
    plain = replace(process, reach_share=0.0)
    watch.at("recommending", 0.0)
    here = found or survey(posterior, process, printer)
    own = [r for r in recorded if (r.reading.printer, r.reading.material) == (printer, process.material.name)]
    advice = settings_from(here, own)
    watch.at("predicting elsewhere", 0.4)
    law = posterior.layers_law
    return Recommendation(
        printer=printer,
        material=process.material.name,
        process=process,
        readings=len(own),
        invented=sum(r.reading.invented for r in own),
        invented_elsewhere=sum(r.reading.invented for r in recorded) - sum(r.reading.invented for r in own),
        advice=advice,
        gaps=tuple(_outcome(here, n, n == advice[2].value) for n in range(1, MOST_GAP_LAYERS + 1)),
        layers_law=law,
        laws_said=_laws_said(law),
        disagreements=tuple(_disagreements(here, plain)),
        elsewhere=tuple(
            _elsewhere(posterior, other, printer, what, watch.part(0.4 + 0.1 * k, 0.5 + 0.1 * k))
            for k, (other, what) in enumerate(_others(process))
        ),
    )


def settings_from(here: SettingSurvey, own: Sequence[Recorded] = ()) -> tuple[Advice, ...]:
    """What to set, from a survey; ``own`` are the readings of that printer and material, to point back to."""
    behind = {kind: tuple(r.id for r in own if r.reading.condition.kind == kind) for kind in ConditionKind}
    found = (
        _limit(here, replace(here.process, reach_share=0.0), behind[ConditionKind.OVERHANG]),
        _bridge(here, behind[ConditionKind.BRIDGE]),
        _gap(here, behind[ConditionKind.SUPPORT]),
    )
    told = [
        replace(advice, why=advice.why + _from_others(behind, kind))
        for advice, kind in zip(found, _READ_AS, strict=True)
    ]
    return (*told, *_makes(here, own))


_READ_AS = {
    ConditionKind.OVERHANG: "slope",
    ConditionKind.BRIDGE: "bridge",
    ConditionKind.SUPPORT: "support",
}


def _from_others(behind: Mapping[ConditionKind, tuple[int, ...]], kind: ConditionKind) -> str:
    """Which readings bear on a setting for which nothing was read, by what all undersides share: air, cooling
    and how grades are given; '' where something was read for it, or nothing at all."""
    others = [
        f"of {_READ_AS[other]}s ({numbered(ids)})"
        for other, ids in behind.items()
        if ids and other is not kind
    ]
    if behind[kind] or not others:
        return ""
    return (
        f"; no {_READ_AS[kind]} was read, but readings {' and '.join(others)} bear on the model's figure by "
        "what all undersides share: air, cooling, and how grades are given"
    )


def numbered(ids: Iterable[int]) -> str:
    """'1–4, 9': numbers in rising order, runs joined."""
    ordered = sorted(ids)
    if not ordered:
        return ""
    breaks = [k for k, (a, b) in enumerate(pairwise(ordered), 1) if b != a + 1]
    runs = [(ordered[a], ordered[b - 1]) for a, b in pairwise([0, *breaks, len(ordered)])]
    return ", ".join(f"{a}" if a == b else f"{a}–{b}" for a, b in runs)


def estimate_of(draws: Floats, basis: str) -> Estimate:
    """Median and 90 % interval of draws."""
    low, middle, high = np.quantile(draws, _ENDS)
    return Estimate(float(middle), float(low), float(high), basis)


def _limit(here: SettingSurvey, plain: Process, behind: tuple[int, ...]) -> Advice:
    basis = here.basis[ConditionKind.OVERHANG]
    estimate = estimate_of(here.limit_deg, basis)
    practice = plain.limit_deg
    value = here.set_limit_deg
    share = math.tan(math.radians(value)) * plain.layer_height_mm / plain.line_width_mm
    why = "half of the slopes at this angle look closed, with visible sag; steeper ones look better"
    if basis == UNCALIBRATED:
        why = "common practice: a layer may reach past the one beneath by about half the line width"
    return Advice(
        name="limit angle",
        value=round(value, 1),
        unit="°",
        setting="reach_share",
        set_to=0.0 if basis == UNCALIBRATED else round(share, 4),
        estimate=estimate,
        as_good=(),
        practice=round(practice, 1),
        sure=share_within(here.limit_deg, value, LIMIT_WITHIN_DEG),
        within=f"{LIMIT_WITHIN_DEG:g}°",
        basis=basis,
        rests_on=behind,
        why=why,
    )


def _bridge(here: SettingSurvey, behind: tuple[int, ...]) -> Advice:
    estimate = estimate_of(here.bridge_mm, here.basis[ConditionKind.BRIDGE])
    clean, fan = clean_droop_mm(here.process), 100 * here.process.fan
    return Advice(
        name="longest clean bridge",
        value=round(estimate.value, 1),
        unit="mm",
        setting="",
        set_to="",
        estimate=estimate,
        as_good=(),
        practice="",
        sure=share_within(np.log(here.bridge_mm), math.log(here.set_bridge_mm), math.log1p(BRIDGE_WITHIN)),
        within=f"{100 * BRIDGE_WITHIN:.0f} %",
        basis=estimate.basis,
        rests_on=behind,
        why=f"a bridge of this span sags by {clean:g} mm at its middle, fan at {fan:.0f} %",
    )


def _gap(here: SettingSurvey, behind: tuple[int, ...]) -> Advice:
    basis = here.basis[ConditionKind.SUPPORT]
    estimate = estimate_of(here.gap_layers, basis)
    layers = here.set_layers
    why = (
        f"the printable gap that is expected to cost least: at which {100 * REMOVABLE:.0f} % of supports do "
        "not stick, as surely as is worth the finish"
    )
    if basis == UNCALIBRATED:
        why = "common practice: two layers"
    elif layers == MOST_GAP_LAYERS:
        why = f"no gap up to {MOST_GAP_LAYERS} layers is so surely enough; this is the largest that is tried"
    return Advice(
        name="air gap",
        value=layers,
        unit="layers",
        setting="structure.air_gap_layers",
        set_to=float(layers),
        estimate=estimate,
        as_good=(),
        practice=USUAL_LAYERS,
        sure=float(here.gap_right[:, layers - 1].mean()),
        within=GAP_WITHIN,
        basis=basis,
        rests_on=behind,
        why=why,
    )


_NAMES = {
    "interface_layers": ("interface layers", "layers"),
    "spacing_mm": ("spacing of the lines", "mm"),
    "weave": ("weave of the body", ""),
    "perimeter_lines": ("perimeter lines", ""),
}


def _makes(here: SettingSurvey, own: Sequence[Recorded]) -> Iterable[Advice]:
    """One advice for each setting of the support's make.

    What the process has stands unless another value is better, by what shows, with probability ``_BETTER``:
    then the one that is best on average is taken.
    """
    structure = here.process.structure
    for setting, (name, unit) in _NAMES.items():
        usual = getattr(structure, setting)
        columns = [k for k, make in enumerate(here.makes) if make.setting == setting]
        start = next(k for k in columns if here.makes[k].value == usual)
        good = here.made
        best = max(columns, key=lambda k: float(good[:, k].mean()))
        basis = here.basis[ConditionKind.SUPPORT]
        tried = {getattr(r.reading.condition, setting) for r in own} - {None}
        behind = tuple(r.id for r in own if getattr(r.reading.condition, setting) is not None)
        if len(tried) < 2:  # readings of one value alone say nothing about the others
            basis, behind = UNCALIBRATED, ()
        better = float((good[:, best] > good[:, start] + AS_GOOD).mean())
        moved = basis != UNCALIBRATED and better >= _BETTER
        chosen = best if moved else start
        near = [k for k in columns if good[:, k].mean() >= good[:, chosen].mean() - AS_GOOD and k != chosen]
        alike = good[:, columns].max(axis=1) - good[:, chosen] <= AS_GOOD
        why = "as the process has it; nothing read so far speaks clearly against it"
        if basis == UNCALIBRATED:
            why = "as the process has it; no other value has been tried"
        elif moved:
            why = f"{share(better)} likely clearly better than {_words(usual, unit)}"
        yield Advice(
            name=name,
            value=here.makes[chosen].value,
            unit=unit,
            setting=f"structure.{setting}",
            set_to=here.makes[chosen].value,
            estimate=None,
            as_good=tuple(here.makes[k].words for k in near),
            practice=usual,
            sure=float(alike.mean()),
            within="no difference that shows",
            basis=basis,
            rests_on=behind,
            why=why,
        )


def _words(value: Value, unit: str) -> str:
    return f"{SupportVariant('', value).words} {unit}".strip()


def _outcome(here: SettingSurvey, layers: int, recommended: bool) -> GapOutcome:
    at = here.at_layers(layers)
    let_go = here.let_go[:, at].mean(axis=0)
    finish = here.finish[:, at].mean(axis=0)
    share = here.removable[:, at]
    low, high = np.quantile(share, (0.05, 0.95))
    return GapOutcome(
        layers=layers,
        gap_mm=layers * here.process.layer_height_mm,
        let_go={word.value: float(p) for word, p in zip(LET_GO_GRADES, let_go, strict=True)},
        finish=tuple(float(p) for p in finish),
        removable=Estimate(float(share.mean()), float(low), float(high), here.basis[ConditionKind.SUPPORT]),
        recommended=recommended,
    )


def _laws_said(layers: float) -> str:
    winning, weight = ("the layers law", layers) if layers >= 0.5 else ("the clearance law", 1 - layers)
    if weight < 0.65:
        return (
            "The two laws of the gap are undecided: readings at another layer height would tell them apart."
        )
    sureness = "clearly" if weight >= 0.95 else "probably" if weight >= 0.8 else "by a little"
    return f"Of the two laws of the gap {winning} is ahead, {sureness}: {share(weight)} likely."


def _disagreements(here: SettingSurvey, plain: Process) -> Iterable[Disagreement]:
    gap = estimate_of(here.gap_layers, here.basis[ConditionKind.SUPPORT])
    usual, height = USUAL_LAYERS, plain.layer_height_mm
    enough = here.best_layers
    less = float((here.gap_layers <= usual - 1).mean())  # probability that practice wastes a layer
    if enough != usual or less > _MUCH_DOUBT:
        other = enough if enough != usual else usual - 1
        yield Disagreement(
            f"Air gap: practice says {usual} layers ({usual * height:.2f} mm); by the model's physics the "
            f"smallest gap that is enough is {gap.value:.1f} layers ({gap.value * height:.2f} mm), anywhere "
            f"from {gap.low:.1f} to {gap.high:.1f}.",
            gap.basis,
            CouponKind.GAP,
            f"cells at {min(other, usual)} and {max(other, usual)} layers",
        )
    limit = estimate_of(here.limit_deg, here.basis[ConditionKind.OVERHANG])
    rule = plain.limit_deg
    if abs(limit.value - rule) > _DIFFERENT_DEG:
        yield Disagreement(
            f"Limit angle: practice says {rule:.0f}°, the model {limit.value:.0f}°, "
            f"{limit.low:.0f} to {limit.high:.0f}.",
            limit.basis,
            CouponKind.OVERHANG,
            f"fins at {min(rule, limit.value):.0f}° and {max(rule, limit.value):.0f}°",
        )


def _others(process: Process) -> list[tuple[Process, str]]:
    """Finer and thicker layers, a wider nozzle, and the other built-in materials."""
    h, w, nozzle = process.layer_height_mm, process.line_width_mm, process.nozzle_mm
    fine, thick = round(0.5 * h, 3), round(min(1.5 * h, 0.8 * nozzle, w), 3)
    others = [(replace(process, layer_height_mm=fine, name=f"{fine:g} mm layers"), "layer height")]
    if thick > 1.1 * h:
        others.append((replace(process, layer_height_mm=thick, name=f"{thick:g} mm layers"), "layer height"))
    wide = replace(
        process,
        nozzle_mm=2 * nozzle,
        layer_height_mm=2 * h,
        first_layer_height_mm=2 * process.first_layer_height_mm,
        line_width_mm=2 * w,
        name=f"{2 * nozzle:g} mm nozzle, {2 * h:g} mm layers",
    )
    others.append((wide, "nozzle"))
    known = {process.material.name}
    for name in builtin_names():
        other = builtin(name)
        if other.material.name not in known:
            known.add(other.material.name)
            swapped = replace(
                process, material=other.material, fan=other.fan, room_temperature_c=other.room_temperature_c
            )
            others.append((replace(swapped, name=other.material.name), "material"))
    return others


def _elsewhere(posterior: Posterior, other: Process, printer: str, what: str, watch: Watch) -> Elsewhere:
    watch.at("predicting elsewhere", 0.0)
    there = survey(posterior, other, printer, draws=400)
    return Elsewhere(
        other.name,
        what,
        estimate_of(there.limit_deg, there.basis[ConditionKind.OVERHANG]),
        estimate_of(there.bridge_mm, there.basis[ConditionKind.BRIDGE]),
        estimate_of(there.gap_layers, there.basis[ConditionKind.SUPPORT]),
    )
