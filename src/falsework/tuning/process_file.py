"""The tuned process as a file, each tuned value with what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from falsework.process.toml import dump_process
from falsework.tuning.recommend import Advice, Recommendation, numbered

if TYPE_CHECKING:
    from falsework.ledger import Recorded


def process_file(recommendation: Recommendation, recorded: Sequence[Recorded], name: str = "") -> str:
    """TOML of the tuned process, called ``name``; its ``[evidence]`` table points back to the readings."""
    tuned = recommendation.tuned
    tuned = replace(tuned, name=name or f"{recommendation.process.name} tuned")
    by_id = {r.id: r for r in recorded}
    evidence = {
        advice.setting.removeprefix("structure."): evidence_of(advice, [by_id[k] for k in advice.rests_on])
        for advice in recommendation.advice
        if advice.setting
    }
    return dump_process(tuned, evidence)


def evidence_of(advice: Advice, behind: Sequence[Recorded]) -> dict[str, Any]:
    """What one advice rests on: basis, interval, readings and test pieces by number, first and last day."""
    told: dict[str, Any] = {"basis": advice.basis, "why": advice.why}
    if advice.estimate is not None:
        told["model"] = [
            round(v, 3) for v in (advice.estimate.value, advice.estimate.low, advice.estimate.high)
        ]
        told["unit"] = advice.unit
    told["sure"] = round(advice.sure, 2)
    if behind:
        told["readings"] = numbered(r.id for r in behind)
        coupons = dict.fromkeys(r.coupon for r in behind if r.coupon)
        if coupons:
            told["coupons"] = list(coupons)
        days = sorted(r.when for r in behind)
        told["from"], told["to"] = days[0].isoformat(), days[-1].isoformat()
        if any(r.reading.invented for r in behind):
            told["invented"] = "made up for a demonstration, never measured"
    return told
