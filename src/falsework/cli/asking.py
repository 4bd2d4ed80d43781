"""Questions on the terminal about what a print looks like, with a way back from each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from falsework.coupon.reading import LET_GO_GRADES, LetGo
from falsework.coupon.words import FINISH, LET_GO
from falsework.ledger.tables import number_of

if TYPE_CHECKING:
    from falsework.ledger.looking import Spot

WAYS = "Enter leaves a question open; b goes back, s skips what is asked about, q ends, ? explains."
NOTE = "note"


class Back(Exception):
    """The person wants the question before."""


class Skip(Exception):
    """The person wants to leave out what is asked about."""


class Quit(Exception):
    """The person has had enough; what is recorded stays."""


@dataclass(frozen=True)
class Prompt:
    """One thing to ask: ``read`` turns the answer into a value, ValueError says why it cannot."""

    field: str
    text: str
    read: Callable[[str], Any]
    explained: Sequence[str] = ()
    shown: Callable[[Any], str] = str  # what was answered before, as it would be typed


def say(text: str = "") -> None:
    """One line to the person; stdout is left to the results."""
    click.echo(text, err=True)


def answer(text: str, shown: str = "") -> str:
    """One line from the person, without blanks; ``Back``, ``Skip`` and ``Quit`` where that is asked for."""
    prompt = f"{text} [{shown}]" if shown else text
    line = click.prompt(prompt, default="", show_default=False, prompt_suffix=": ", err=True).strip()
    match line.lower():
        case "b":
            raise Back
        case "s":
            raise Skip
        case "q":
            raise Quit
    return str(line)


def named(text: str, default: str) -> str:
    """A name, ``default`` at Enter."""
    return answer(text, default) or default


def questions(spot: Spot) -> list[Prompt]:
    """What to ask about one thing to look at, in the order in which a person meets it."""
    asked = {
        "let_go": Prompt("let_go", f"came off ({_LET_GO_SHORT})", let_go_of, _LET_GO_LONG),
        "finish": Prompt("finish", "underside, 1 to 5", finish_of, _FINISH_LONG),
        "droop_mm": _droop(spot),
        "clean_up_min": Prompt("clean_up_min", "minutes of clean-up", number_of),
    }
    return [asked[field] for field in spot.outcomes]


def _droop(spot: Spot) -> Prompt:
    nominal_mm = spot.nominal_mm
    if nominal_mm is None:
        hangs = "How far it hangs below its place at the lowest point, in mm."
        return Prompt("droop_mm", "sag, mm", number_of, (hangs,))
    why = (
        f"{spot.calipers[:1].upper()}{spot.calipers[1:]}.",
        f"They read {nominal_mm:.2f} mm where nothing has sagged; what is more is the sag.",
    )

    def droop(text: str) -> float:
        return round(number_of(text) - nominal_mm, 6)

    text = f"thickness, mm ({nominal_mm:.2f} if nothing sagged)"
    return Prompt("droop_mm", text, droop, why, lambda droop_mm: f"{nominal_mm + droop_mm:g}")


_LET_GO_SHORT = " ".join(f"{k} {way}" for k, way in enumerate(LET_GO_GRADES, 1))
_LET_GO_LONG = tuple(f"{k} {way:<8} {LET_GO[way]}" for k, way in enumerate(LET_GO_GRADES, 1))
_FINISH_LONG = tuple(f"{k} {words}" for k, words in FINISH.items())


def let_go_of(text: str) -> LetGo:
    """A way of letting go from its number, its word or the beginning of it."""
    ways = LET_GO_GRADES
    if text.isdecimal() and 1 <= int(text) <= len(ways):
        return ways[int(text) - 1]
    near = [way for way in ways if way.startswith(text.lower())]
    if len(near) != 1:
        raise ValueError(f"{text!r} is none of {_LET_GO_SHORT}")
    return near[0]


def finish_of(text: str) -> int:
    """A finish from its number."""
    if not (text.isascii() and text.isdecimal() and int(text) in FINISH):
        raise ValueError(f"{text!r} is not one of 1 to {max(FINISH)}")
    return int(text)


def ask(asked: Sequence[Prompt], before: dict[str, Any], explain: bool) -> dict[str, Any]:
    """The answers by field and a note; ``before`` holds what was answered earlier and stays at Enter.

    ``Back`` at the first question goes to whoever asked. The last question, for a note, is also the moment
    to go back before anything is recorded. ``Skip`` where nothing was answered.
    """
    answers = dict(before)
    k = 0
    while k <= len(asked):
        question = asked[k] if k < len(asked) else _NOTE_QUESTION
        if question is _NOTE_QUESTION and all(answers.get(each.field) is None for each in asked):
            raise Skip
        if explain and question.explained:
            explained(question)
        try:
            answers[question.field] = _value(question, answers.get(question.field))
        except Back:
            if k == 0:
                raise
            k -= 1
        else:
            k += 1
    return {**answers, NOTE: answers[NOTE] or ""}


_NUMBER = "A number; decimal comma or point."
_NOTE_QUESTION = Prompt(NOTE, "a note, or Enter to record", str)


def explained(question: Prompt) -> None:
    """The long form of a question."""
    usual = "Anything worth keeping; it is recorded then." if question is _NOTE_QUESTION else _NUMBER
    for line in question.explained or (usual,):
        say(f"      {line}")


def _value(question: Prompt, before: Any) -> Any:
    while True:
        text = answer(f"    {question.text}", "" if before in (None, "") else question.shown(before))
        if not text:
            return before
        if text == "?":
            explained(question)
        elif text == "-":
            return None
        else:
            try:
                return question.read(text)
            except ValueError as error:
                say(f"      {error}")
