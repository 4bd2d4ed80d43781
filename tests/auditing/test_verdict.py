"""From findings to an answer: what follows from what, what is told together, and how it is said."""

from __future__ import annotations

import pytest

from falsework.auditing.value import Decision, Finding, FindingLevel, Place
from falsework.auditing.verdict import FOLLOWS, MOST_GROUPS, answer, ranked


def finding(kind: str, level: FindingLevel, at: tuple[float, float] | None = None, layer: int = 5) -> Finding:
    place = None
    if at is not None:
        x, y = at
        place = Place(layer, 0.2 * layer, at, (x - 1, y - 1, x + 1, y + 1), (10 * layer, 10 * layer + 5))
    return Finding(0, kind, level, f"{kind} is met", "look", place=place)


def test_what_hangs_over_a_support_that_is_missing_follows_from_it_and_what_hangs_elsewhere_does_not() -> (
    None
):
    cause = finding("support off the bed", FindingLevel.RUIN, (50.0, 50.0))
    over, apart = (
        finding("on nothing", FindingLevel.RUIN, at, layer)
        for at, layer in (((53.0, 50.0), 90), ((90.0, 50.0), 6))
    )
    found = ranked([over, apart, cause])
    assert [f.follows for f in found if f.kind == "on nothing"] == ["", "support off the bed"]
    assert [f.level for f in found] == [FindingLevel.RUIN, FindingLevel.RUIN, FindingLevel.NOTE]
    assert found[0].kind == "support off the bed" and [f.number for f in found] == [1, 2, 3]


def test_from_a_cause_without_a_place_everything_follows() -> None:
    found = ranked(
        [finding("floats", FindingLevel.FAULT, (5.0, 5.0)), finding("underfed", FindingLevel.RUIN)]
    )
    assert [(f.kind, f.follows) for f in found] == [("underfed", ""), ("floats", "underfed")]


def test_no_finding_follows_from_itself() -> None:
    found = ranked(
        [finding("support shifted", FindingLevel.FAULT), finding("support shifted", FindingLevel.FAULT)]
    )
    assert [f.follows for f in found] == ["", ""]


@pytest.mark.parametrize(
    "kinds",
    [("outline", "floats", "skin"), ("on nothing", "ploughs", "laid twice", "floats"), tuple(FOLLOWS)],
)
def test_findings_do_not_explain_each_other_away(kinds: tuple[str, ...]) -> None:
    found = {f.kind: f for f in ranked([finding(kind, FindingLevel.FAULT) for kind in kinds])}
    for f in found.values():
        seen = [f.kind]
        while found[seen[-1]].follows:
            seen.append(found[seen[-1]].follows)
            assert len(set(seen)) == len(seen)
        assert found[seen[-1]].level is FindingLevel.FAULT


def test_what_may_show_does_not_explain_what_will_not_come_out() -> None:
    found = ranked([finding("interface", FindingLevel.CAUTION), finding("gap", FindingLevel.FAULT)])
    assert [(f.kind, f.follows) for f in found] == [("gap", ""), ("interface", "")]


@pytest.mark.parametrize(
    ("levels", "decision", "begins"),
    [
        ((), Decision.PRINT, "Print it: no problem found."),
        (
            (FindingLevel.CAUTION,),
            Decision.PRINT,
            "Print it: no problem found that spoils it, though one thing may show.",
        ),
        ((FindingLevel.FAULT,), Decision.LOOK, "Look at this before you print: "),
        ((FindingLevel.FAULT, FindingLevel.FAULT), Decision.LOOK, "Look at these two before you print: "),
        ((FindingLevel.CAUTION, FindingLevel.RUIN), Decision.DO_NOT, "Do not print this: "),
        ((FindingLevel.FAULT,) * 7, Decision.LOOK, "Look at these 7 things before you print: "),
    ],
)
def test_the_first_line(levels, decision, begins) -> None:
    found = ranked([finding(f"kind {k}", level) for k, level in enumerate(levels)])
    said = answer(found, as_planned=False)
    assert said.decision is decision and said.says.startswith(begins)
    assert len(said.groups) <= MOST_GROUPS
    assert sum(len(g.findings) for g in said.groups) + said.folded == len(found)
