"""Every limit of the checks from both sides: what is just within is taken without a word, what is just beyond
is refused or flagged in these words."""

from __future__ import annotations

import datetime
from dataclasses import replace

import pytest

from falsework.coupon.reading import Condition, LetGo, Reading
from falsework.ledger.checks import doubts, faults, wrong_name, wrong_note
from falsework.ledger.rows import Entry
from ledger.samples import BRIDGE, DAY, SUPPORT, reading, tried

TODAY = datetime.date(2024, 6, 1)


def said(given: Reading, **more) -> list[str]:
    return list(faults(Entry(given, **more), TODAY))


@pytest.mark.parametrize(
    ("given", "flag"),
    [
        (reading(let_go=LetGo.FELL, finish=4), None),
        (reading(let_go=LetGo.HAND, finish=5), None),
        (reading(let_go=LetGo.FELL, finish=5), "the support fell off early, yet the underside is as a wall"),
        (reading(let_go=LetGo.FUSED, finish=3), None),
        (reading(let_go=LetGo.HAND, finish=4), None),
        (reading(let_go=LetGo.FUSED, finish=4), "the support was fused, yet the underside is clean"),
        (reading(BRIDGE, finish=5, droop_mm=0.5), None),
        (reading(BRIDGE, finish=5, droop_mm=0.51), "finish 5, yet it sagged by 0.51 mm"),
        (reading(BRIDGE, finish=4, droop_mm=1.0), None),
        (reading(BRIDGE, finish=4, droop_mm=1.01), "finish 4, yet it sagged by 1.01 mm"),
        (reading(tried(BRIDGE, layer_height_mm=0.3), finish=4, droop_mm=1.2), None),  # four layers
        (
            reading(tried(BRIDGE, layer_height_mm=0.3), finish=4, droop_mm=1.21),
            "finish 4, yet it sagged by 1.21 mm",
        ),
        (reading(BRIDGE, finish=1, droop_mm=0.01), None),
        (reading(BRIDGE, finish=1, droop_mm=0.0), "finish 1, yet it did not sag"),
        (reading(BRIDGE, finish=2, droop_mm=0.0), None),
        (reading(BRIDGE, droop_mm=-0.1), None),
        (reading(BRIDGE, droop_mm=-0.11), "it stands 0.11 mm above its place"),
        (reading(droop_mm=0.6), None),
        (reading(droop_mm=0.61), "it sagged by 0.61 mm, but the support was 0.4 mm below"),
        (reading(let_go=LetGo.FELL, droop_mm=0.61), None),
        (reading(tried(BRIDGE, line_width_mm=1.0), finish=3), None),
        (
            reading(tried(BRIDGE, line_width_mm=1.01), finish=3),
            "a line of 1.01 mm is unusual for a 0.4 mm nozzle",
        ),
        (reading(tried(BRIDGE, line_width_mm=0.24), finish=3), None),
        (
            reading(tried(BRIDGE, line_width_mm=0.23), finish=3),
            "a line of 0.23 mm is unusual for a 0.4 mm nozzle",
        ),
    ],
)
def test_doubts(given: Reading, flag: str | None) -> None:
    assert doubts(Entry(given)) == (() if flag is None else (flag,))


@pytest.mark.parametrize(
    ("condition", "fault"),
    [
        (tried(SUPPORT, layer_height_mm=0.4), None),
        (
            tried(SUPPORT, layer_height_mm=0.42, air_gap_mm=0.42),
            "layer_height_mm 0.42 is more than the 0.4 mm nozzle is wide: that cannot be laid down",
        ),
        (
            tried(SUPPORT, layer_height_mm=0.4, line_width_mm=0.35),
            "layer_height_mm 0.4 is more than the 0.35 mm line is wide: that cannot be laid down",
        ),
        (tried(SUPPORT, air_gap_mm=0.406), None),
        (
            tried(SUPPORT, air_gap_mm=0.408),
            "air_gap_mm 0.408 is 2.04 layers of 0.2 mm: only whole layers can be printed; say in "
            "gap_method how it was made, or correct it",
        ),
        (tried(SUPPORT, layer_height_mm=0.35, air_gap_mm=0.3565), None),  # two hundredths of a thick layer
        (
            tried(SUPPORT, layer_height_mm=0.35, air_gap_mm=0.358),
            "air_gap_mm 0.358 is 1.02 layers of 0.35 mm: only whole layers can be printed; say in "
            "gap_method how it was made, or correct it",
        ),
        (
            tried(SUPPORT, angle_deg=40.0),
            "angle_deg does not belong to a reading of kind support",
        ),
    ],
)
def test_what_cannot_be_printed(condition: Condition, fault: str | None) -> None:
    assert said(reading(condition)) == ([] if fault is None else [fault])


def test_a_gap_between_layers_with_a_word_on_how_it_was_made() -> None:
    assert said(reading(tried(SUPPORT, air_gap_mm=0.3)), gap_method="one layer of 0.1 mm under the gap") == []


def test_days_and_air() -> None:
    assert said(reading(), measured_on=TODAY) == []
    assert said(reading(), measured_on=TODAY + datetime.timedelta(1)) == [
        "measured_on 2024-06-02 lies in the future (today is 2024-06-01)"
    ]
    assert said(reading(), measured_on=datetime.date(2000, 1, 1)) == []
    assert said(reading(), measured_on=datetime.date(1999, 12, 31)) == [
        "measured_on 1999-12-31 cannot be right: give a day from 2000-01-01 on"
    ]
    for air_mm in (0.0, 5000.0):
        assert said(reading(), air_beneath_mm=air_mm, measured_on=DAY) == []
    for air_mm in (-0.1, 5000.1):
        assert said(reading(), air_beneath_mm=air_mm) == [
            f"air_beneath_mm {air_mm} is out of range: 0 to 5000 mm"
        ]
    assert said(reading(BRIDGE, droop_mm=8.0), air_beneath_mm=8.0) == []


def test_what_a_reading_of_a_kind_has() -> None:
    assert said(reading(BRIDGE, let_go=LetGo.HAND)) == [
        "let_go says how a support came off, but a reading of kind bridge has none"
    ]
    assert said(reading(let_go=LetGo.HAND)) == []
    nothing = replace(reading(), finish=None)
    assert said(nothing) == ["no outcome is given: one of let_go, finish, droop_mm, clean_up_min is needed"]


def test_names_and_notes() -> None:
    assert wrong_name("x" * 200) is None and wrong_note("x" * 4000) is None
    assert wrong_name("x" * 201) == "is 201 characters long: the most is 200"
    assert wrong_note("x" * 4001) == "is 4001 characters long: the most is 4000"
    assert wrong_name(" x") == "' x' has blanks around it"
    assert wrong_note("one line\n\tand one") is None and wrong_note("\x07") is not None
