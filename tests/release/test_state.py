"""Words of earlier plans for what becomes of a piece."""

from falsework.auditing.value import Level
from falsework.release.state import State


def test_words_of_earlier_plans_and_audits_are_read() -> None:
    assert (State("dig out"), State("trapped")) == (State.DIG, State.TRAPPED)
    assert State("pick out in bits") is State.DIG
    assert Level("ruin") is Level("stop") is Level.RUIN
