"""Which way is told to be best: what a person must draw has to save more than a look at it costs."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from falsework.redrawing.changes.draft import ChangeKind
from falsework.redrawing.treating import beaten
from falsework.redrawing.words import best_of

LOOK = 0.05


@pytest.mark.parametrize(
    ("redraw", "best"),
    [(None, "as it is"), (1.2, "as it is"), (0.97, "as it is"), (0.951, "as it is"), (0.9, "redraw")],
)
def test_a_redraw_must_save_more_than_a_look_at_it(redraw: float | None, best: str) -> None:
    assert best_of({"as it is": 1.0, "redraw": redraw}, LOOK)[0] == best


def test_what_is_left_for_being_little_is_said() -> None:
    _, why = best_of({"as it is": 0.5, "redraw": 0.46}, LOOK)
    assert "0.04" in why and "look" in why


def test_turning_the_part_needs_nobody_to_draw() -> None:
    assert best_of({"as it is": 0.5, "another lie": 0.46, "redraw": 0.46}, LOOK)[0] == "another lie"


def test_the_cheapest_wins_where_it_saves_enough() -> None:
    best, why = best_of({"as it is": 5.0, "another lie": 4.0, "redraw": 3.0, "split": 3.01}, LOOK)
    assert best == "redraw" and "3.00" in why and "5.00" in why


@pytest.mark.parametrize(
    ("kind", "most", "at_hand", "said"),
    [
        (ChangeKind.RIBS, 2.0, None, ""),
        (ChangeKind.RIBS, 2.0, 1.0, ""),  # 1.6 of it counts
        (ChangeKind.RIBS, 2.0, 1.4, "nearly all"),
        (ChangeKind.RIBS, 0.2, 0.12, "not proved further"),  # 0.04 more at most
        (ChangeKind.FINS, 0.04, None, "less than it takes to look"),
        (ChangeKind.FINS, 0.06, None, ""),
    ],
)
def test_a_kind_that_can_win_by_no_more_than_noise_is_not_proved(
    kind: ChangeKind, most: float, at_hand: float | None, said: str
) -> None:
    best = at_hand and SimpleNamespace(kind=ChangeKind.CORBEL, saved_price=at_hand)
    why = beaten(kind, most, best, LOOK, drawn=False)  # type: ignore[arg-type]
    assert said in why and bool(said) == bool(why)
