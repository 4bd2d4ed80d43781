"""Readings that contradict each other, by hand: which can be compared, by how much, and in what words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework.coupon.reading import Condition, ConditionKind, LetGo, Reading
from falsework.tuning.agreement import (
    _against_order,
    _comparable,
    _contradiction,
    _disorder,
    _ReadOutcome,
    _told,
    _unlikely,
)

BASE = Condition(ConditionKind.OVERHANG, 0.4, 0.2, 0.45, 210.0, 1.0, 45.0)
SLOPE = replace(BASE, angle_deg=50.0)
BRIDGE = replace(BASE, kind=ConditionKind.BRIDGE, span_mm=25.0)
GAP = replace(BASE, kind=ConditionKind.SUPPORT, air_gap_mm=0.2, span_mm=20.0)


def outcome(kind: ConditionKind, of: str, read: list[float], made: list[list[float]]) -> _ReadOutcome:
    count = len(read)
    same = np.full(count, 0.5)
    logs = np.zeros((len(made), count))
    return _ReadOutcome(
        kind, of, list(range(count)), np.array(read), np.array(made), logs, logs, same, same, same
    )


def test_what_differs_in_one_thing_alone_is_compared_the_easier_first() -> None:
    steep, fanless = replace(SLOPE, angle_deg=60.0), replace(SLOPE, angle_deg=55.0, fan=0.3)
    assert _comparable([steep, SLOPE, fanless, SLOPE], ConditionKind.OVERHANG).tolist() == [[1, 0], [3, 0]]
    assert _comparable([fanless, SLOPE], ConditionKind.OVERHANG).shape == (0, 2)
    wider = replace(GAP, air_gap_mm=0.4, span_mm=22.0)  # a support's span does not matter for that
    assert _comparable([wider, GAP], ConditionKind.SUPPORT).tolist() == [[1, 0]]
    longer = replace(BRIDGE, span_mm=30.0)
    assert _comparable([BRIDGE, longer], ConditionKind.BRIDGE).tolist() == [[0, 1]]


def test_steps_the_wrong_way_add_up() -> None:
    pairs = np.array([[0, 1], [1, 2], [0, 2]])
    values = np.array([1.0, 3.0, 2.5])
    assert _disorder(values, pairs, 1.0) == pytest.approx(0.5)
    assert _disorder(values, pairs, -1.0) == pytest.approx(2.0 + 1.5)


@pytest.mark.parametrize(
    ("condition", "of", "easy", "hard", "words"),
    [
        (SLOPE, "finish", {"finish": 2}, {"finish": 4}, "angle 50° has finish 2, 60° finish 4"),
        (
            BRIDGE,
            "droop",
            {"droop_mm": 0.8},
            {"droop_mm": 0.1},
            "span 50 mm sagged by 0.8 mm, 60 mm by 0.1 mm",
        ),
        (
            *(GAP, "let-go", {"let_go": LetGo.HAND}, {"let_go": LetGo.FUSED}),
            f"a gap of 50 mm came off {LetGo.HAND.value}, the larger one of 60 mm {LetGo.FUSED.value}",
        ),
    ],
)
def test_both_are_named_with_what_was_read(condition, of, easy, hard, words) -> None:
    name = {"overhang": "angle_deg", "bridge": "span_mm", "support": "air_gap_mm"}[condition.kind.value]
    a, b = (
        Reading("mole", "PLA", replace(condition, **{name: at}), **read)
        for at, read in ((50.0, easy), (60.0, hard))
    )
    assert _contradiction(a, b, outcome(condition.kind, of, [0.0, 0.0], [[0.0, 0.0]])) == words


def test_the_worst_pairs_are_told_first_and_only_where_the_order_is_in_doubt() -> None:
    conditions = [replace(SLOPE, angle_deg=a) for a in (40.0, 50.0, 60.0)]
    readings = [Reading("mole", "PLA", c, finish=f) for c, f in zip(conditions, (1, 3, 4), strict=True)]
    seen = outcome(ConditionKind.OVERHANG, "finish", [-1.0, -3.0, -4.0], [[0.0, 0.0, 0.0]])
    pairs = _comparable(conditions, ConditionKind.OVERHANG)
    assert [told.at for told in _told(seen, pairs, readings, True)][:2] == [(0, 2), (0, 1)]
    assert _told(seen, pairs, readings, False) == []
    fine = outcome(ConditionKind.OVERHANG, "finish", [1.0, 2.0, 3.0], [[0.0, 0.0, 0.0]])
    assert _told(fine, pairs, readings, True) == []


def test_order_is_judged_against_what_the_model_makes_up() -> None:
    pairs = np.array([[0, 1]])
    made = [[0.0, 1.0]] * 99
    assert _against_order(outcome(ConditionKind.BRIDGE, "droop", [2.0, 0.0], made), pairs) < 0.05
    assert _against_order(outcome(ConditionKind.BRIDGE, "droop", [0.0, 2.0], made), pairs) > 0.5
    # a larger gap lets go more easily: the other way round
    assert (
        _against_order(outcome(ConditionKind.SUPPORT, "let-go", [0.0, 2.0], [[1.0, 0.0]] * 99), pairs) < 0.05
    )
    assert _against_order(outcome(ConditionKind.SUPPORT, "finish", [2.0, 0.0], made), pairs) == 1.0


def test_readings_as_a_whole_are_as_unlikely_as_those_made_up_that_are_worse() -> None:
    seen = outcome(ConditionKind.BRIDGE, "droop", [0.0, 0.0], [[0.0, 0.0]] * 4)
    seen = replace(
        seen,
        log=np.array([[-3.0, -3.0]] * 4),
        log_made=np.array([[-4.0, -4.0], [-1.0, -1.0], [-1.0, -1.0], [-1.0, 0.0]]),
    )
    assert _unlikely(seen) == pytest.approx((1 + 1) / (1 + 4))
