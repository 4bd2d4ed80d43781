"""Words of earlier plans for what becomes of a piece."""

from falsework.auditing.value import FindingLevel
from falsework.release.state import ReleaseState


def test_words_of_earlier_plans_and_audits_are_read() -> None:
    assert (ReleaseState("dig out"), ReleaseState("trapped")) == (ReleaseState.DIG, ReleaseState.TRAPPED)
    assert ReleaseState("pick out in bits") is ReleaseState.DIG
    assert FindingLevel("ruin") is FindingLevel("stop") is FindingLevel.RUIN
