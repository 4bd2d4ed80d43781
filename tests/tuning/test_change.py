"""Changes of level by hand: where a row steps, how clear that is, and what of a ledger belongs together."""

from __future__ import annotations

import math
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import t as student

from falsework.coupon.reading import ConditionKind
from falsework.tuning.change import CLEAR, FEWEST, SCATTER, WORTH, changes, step_in
from falsework.tuning.of_ledger import printed_days, taken_of
from falsework.tuning.stored import SCHEMA, can_be_read

FIRST = date(2026, 3, 2)
KIND = ConditionKind.OVERHANG


def test_a_step_has_the_chance_of_its_means_by_student_times_the_places() -> None:
    values = [0.1, -0.1, 0.0, 2.1, 1.9, 2.0]
    found = step_in(values)
    assert found is not None
    assert (found.after, found.before, found.since) == (3, pytest.approx(0.0), pytest.approx(2.0))
    pooled = math.sqrt((0.02 + 0.02) / 4)
    t = 2.0 / (pooled * math.sqrt(1 / 3 + 1 / 3))
    assert found.chance == pytest.approx(5 * 2 * student.sf(t, 4))
    assert sum(found.odds) == pytest.approx(1.0) and int(np.argmax(found.odds)) == 2 and len(found.odds) == 5


def test_what_is_known_of_the_scatter_counts_as_so_many_figures_more() -> None:
    values = [0.1, -0.1, 0.0, 2.1, 1.9, 2.0]
    found = step_in(values, 0.5, 8.0)
    assert found is not None
    within = 0.04 + 8.0 * 0.25
    t = math.sqrt(6.0 * (4 + 8) / within)  # what the step explains: 3 · 3 / 6 · 2²
    assert found.chance == pytest.approx(5 * 2 * student.sf(t, 12))


def test_few_figures_have_no_step_and_level_ones_no_clear_one() -> None:
    assert step_in([0.0] * (FEWEST - 1)) is None
    level = step_in([0.0, 0.1, -0.1, 0.05, -0.05])
    assert level is not None and level.chance > CLEAR and level.chance <= 1.0


def fitted(days, prints, eras=None):
    taken = [
        SimpleNamespace(print=name, era=era)
        for name, era in zip(prints, eras or [0] * len(days), strict=True)
    ]
    return SimpleNamespace(taken=taken, days=[FIRST + timedelta(days=d) for d in days])


def found(off, days, prints, eras=None):
    return changes(fitted(days, prints, eras), {(KIND, "finish"): dict(enumerate(off))})


def test_readings_of_one_print_are_one_figure() -> None:
    """Three prints of four readings each are too few, however many readings there are."""
    off, days = [0.0] * 4 + [3.0] * 4 + [3.0] * 4, [0] * 4 + [1] * 4 + [2] * 4
    assert found(off, days, ["a"] * 4 + ["b"] * 4 + ["c"] * 4) == ()
    (alone,) = found(off, days, [""] * 12)  # of no known print: each by itself
    assert (alone.last_before, alone.since) == (FIRST, FIRST + timedelta(days=1))


def test_a_change_is_told_between_days_with_its_size() -> None:
    days = list(range(8))
    off = [0.2, -0.2, 0.1, -0.1, 3.1, 2.9, 3.2, 2.8]
    (one,) = found(off, days, [f"p{d}" for d in days])
    assert (one.kind, one.what) == (KIND, "finish") and one.by == pytest.approx(3.0)
    assert (one.last_before, one.since) == (FIRST + timedelta(days=3), FIRST + timedelta(days=4))
    step = step_in(off, SCATTER, WORTH)
    assert step is not None and one.chance == step.chance < CLEAR


def test_within_a_day_and_before_an_event_no_change_is_told() -> None:
    off = [0.0] * 4 + [3.0] * 4
    assert found(off, [0] * 8, [f"p{k}" for k in range(8)]) == ()
    # the first four lie before an event that is known: what is left is level
    assert found(off, list(range(8)), [f"p{k}" for k in range(8)], [1] * 4 + [0] * 4) == ()
    assert found([0.0, 0.1] * 4, list(range(8)), [f"p{k}" for k in range(8)]) == ()


def read(day, print_id=None, coupon=None, printer="mole", by=""):
    reading = SimpleNamespace(printer=printer, graded_by=by)
    return SimpleNamespace(print_id=print_id, when=day, coupon=coupon, reading=reading)


def test_a_reading_counts_on_the_day_of_its_print_but_never_later_than_it_was_read() -> None:
    day = [FIRST + timedelta(days=d) for d in range(4)]
    prints = [SimpleNamespace(id=1, printed_on=day[1]), SimpleNamespace(id=2, printed_on=day[3])]
    assert printed_days([read(day[2]), read(day[2], 1), read(day[2], 2)], prints) == [day[2], day[1], day[2]]


def test_how_a_reading_was_taken() -> None:
    day = [FIRST + timedelta(days=d) for d in range(4)]
    recorded = [
        read(day[0], 7, by="ann"),
        read(day[1], None, "G7K"),
        read(day[1]),
        read(day[0], printer="gull"),
    ]
    events = [SimpleNamespace(printer="mole", happened_on=on) for on in (day[1], day[2], day[2])]
    taken = taken_of(recorded, [r.when for r in recorded], events)
    assert [one.print for one in taken] == ["7", f"G7K {day[1]}", "", ""]
    # on the day of an event a print counts as after it; two events of a day are one
    assert [one.era for one in taken] == [2, 1, 1, 0]
    assert taken[0].grader == "ann"


@pytest.mark.parametrize(
    ("text", "readable"),
    [
        (f'{{"schema": "{SCHEMA}"}}', True),
        ('{"schema": "falsework.fit/0"}', False),
        ("{}", False),
        ("[]", False),
        ("not json", False),
    ],
)
def test_whether_a_stored_fit_is_of_this_version(text: str, readable: bool) -> None:
    assert can_be_read(text) is readable
