"""Other choices are designed only where, at best, they could save something worth it."""

from __future__ import annotations

from types import SimpleNamespace as Given

import pytest

from falsework.planning import pipeline
from falsework.request.standing import AUTO


@pytest.mark.parametrize("standing, designed", [(AUTO, ["worth it"]), ("bed", [])])
def test_of_other_choices_only_those_are_designed_that_may_save_two_in_a_hundred(
    monkeypatch, standing, designed
) -> None:
    at_best = {"too dear": 8.83, "worth it": 8.81}  # where 9.00 is the best found without
    weak = Given(pieces=[Given(weak=True, undersides=(1,))], total=10.0)
    tried: list[str] = []

    def made(weighed, built, choices, context):
        tried.extend(choices)
        return [(Given(pieces=[], total=8.9), one) for one in choices]

    monkeypatch.setattr(
        pipeline, "_with_firm", lambda *how: [(weak, "now"), (Given(pieces=[], total=9.0), "firm")]
    )
    monkeypatch.setattr(pipeline, "_otherwise", lambda *how: list(at_best))
    monkeypatch.setattr(pipeline, "_at_best", lambda weighed, plan, built, choices, context: at_best[choices])
    monkeypatch.setattr(pipeline, "_tried", made)
    monkeypatch.setattr(pipeline, "_price", lambda plan: plan)
    chosen = pipeline._sound(Given(wish=Given(standing=standing)), Given(), Given())[1]
    assert tried == designed
    assert chosen == ("worth it" if designed else "firm")


def test_where_the_part_topples_nothing_is_too_dear_to_try() -> None:
    built = Given(stance=Given(topples=True))
    assert pipeline._at_best(Given(), Given(), built, (), Given()) == 0.0
