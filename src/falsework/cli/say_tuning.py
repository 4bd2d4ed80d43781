"""What ``falsework tune`` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING

from falsework.cli.say import say, table, warnings
from falsework.report import tuning_words as words

if TYPE_CHECKING:
    from falsework.tuning.results import Tuned


def tuned(found: Tuned) -> None:
    """Settings with their evidence, outcomes by gap, laws, what else is predicted, and the next test."""
    r = found.recommendation
    say(words.rests_on(r))
    if notice := words.invented(r):
        say(notice)
    table("What to set", words.ADVICE_HEAD, words.advice_rows(r))
    say("  likely right: probability; the model's figures are medians with 90 % intervals.")
    table("Every gap that can be printed", words.GAP_HEAD, words.gap_rows(r))
    say(f"  {r.laws_said}")
    table("What it predicts elsewhere", words.ELSEWHERE_HEAD, words.elsewhere_rows(r))
    warnings([*words.doubts(found), *(words.disagreement(d, found.agreement) for d in r.disagreements)])
    if found.graders:
        table("Who graded", words.GRADER_HEAD, words.grader_rows(found))
        say(f"  {words.grader_note(found)}")
    say()
    say(f"Next: {found.next.advice}")
    if found.next.proposals:
        table("Test pieces, the most useful first", words.NEXT_HEAD, words.next_rows(found.next))
        say(words.NEXT_NOTE)
