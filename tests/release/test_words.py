"""What is said of each piece and of all, word for word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from falsework.droop.estimate import Estimate
from falsework.release.state import ReleaseState
from falsework.release.value import Block, BreakingPlane, PieceRelease, Release, Tool
from falsework.release.words import verdict
from falsework.wording.cautions import RULES
from falsework.wording.figures import plain

UP = (0.0, 0.0, 1.0)
PIECE = PieceRelease(
    number=3,
    state=ReleaseState.BY_HAND,
    pull_direction=UP,
    arrow_from_mm=(0.0, 0.0, 0.0),
    order=1,
    round=1,
    after=(),
    free_share=0.5,
    tool_share=0.5,
    hand_share=0.5,
    pick_share=0.25,
    contact_mm2=10.0,
    bond_n=Estimate(8.0, 4.0, 12.0),
    bed_hold_n=Estimate(0.0, 0.0, 0.0),
    neck_mm2=18.0,
    neck_n=540.0,
    tears=False,
    cuts=(),
    blocks=(),
)
CUT, BLOCK = BreakingPlane(UP, UP, 5), Block(UP, UP)
FIRM = Estimate(151.0, 100.0, 200.0)
HELD = Estimate(20.0, 10.0, 30.0)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Pull it by hand straight up; about 8.0 N (4.0 to 12 N) holds it."),
        (
            {"state": ReleaseState.BY_TOOL, "after": (1,), "pull_direction": (0.0, 0.0, -1.0)},
            "Pull it with the tool straight down once piece 1 is out; about 8.0 N (4.0 to 12 N) holds it.",
        ),
        (
            {"after": (1, 2), "bed_hold_n": HELD},
            "It comes along with the part once about 20 N (10 to 30 N) lets its foot go. "
            "Pull it by hand straight up once pieces 1 and 2 are out; about 8.0 N (4.0 to 12 N) holds it.",
        ),
        (
            {"tears": True},
            "Pull it by hand straight up; about 8.0 N (4.0 to 12 N) holds it; the part may tear: its "
            "weakest section near "
            "the contact, 18.0 mm², bears 540 N.",
        ),
        (
            {"state": ReleaseState.STAYS, "bed_hold_n": HELD},
            "The part lifts straight off it; it probably stays: the bed holds it with about 20 N (10 to "
            "30 N), the part with about 8.0 N (4.0 to 12 N).",
        ),
        (
            {"state": ReleaseState.STAYS, "bed_hold_n": Estimate(20.0, 13.0, 30.0)},
            "The part lifts straight off it; it stays: the bed holds it with about 20 N (13 to 30 N), the "
            "part with about 8.0 N (4.0 to 12 N).",
        ),
        (
            {"state": ReleaseState.BREAK, "cuts": (CUT,), "blocks": (BLOCK, BLOCK), "pull_direction": None},
            "It leaves in no straight direction as a whole; 1 cut, 5 strands, into 2 blocks free it.",
        ),
        (
            {
                "state": ReleaseState.BREAK,
                "cuts": (replace(CUT, strands=0),) * 2,
                "blocks": (BLOCK,) * 4,
                "bond_n": FIRM,
            },
            "As a whole it holds with more than the 150 N of a pull with the tool; 2 cuts into 4 blocks "
            "free it.",
        ),
        (
            {"state": ReleaseState.BREAK, "cuts": (CUT,), "blocks": (BLOCK, BLOCK)},
            "It leaves in no straight direction as a whole; 1 cut, 5 strands, into 2 blocks free it.",
        ),
        (
            {"state": ReleaseState.DIG, "bond_n": FIRM},
            "As a whole it holds with more than the 150 N of a pull with the tool, and no few cuts free it: "
            "cut it away bit by bit.",
        ),
        (
            {"state": ReleaseState.DIG},
            "It would leave straight up, but neither fingers nor the tool get hold of it; a 2 × 2 mm pick "
            "reaches 25 % of its surface.",
        ),
        (
            {"state": ReleaseState.DIG, "pull_direction": None, "bond_n": FIRM},
            "It leaves in no straight direction, nor in a few blocks; a 2 × 2 mm pick reaches 25 % of its "
            "surface, the rest may stay for ever.",
        ),
        (
            {"state": ReleaseState.TRAPPED, "pull_direction": None},
            "The part closes it in: no opening of 2 × 2 mm leads to it, so it stays for ever.",
        ),
    ],
)
def test_why(changes, said: str) -> None:
    assert plain(replace(PIECE, **changes).why) == said


@pytest.mark.parametrize(
    ("state", "tears", "fails"),
    [
        (ReleaseState.STAYS, False, False),
        (ReleaseState.STAYS, True, True),
        (ReleaseState.BY_HAND, False, False),
        (ReleaseState.BY_TOOL, False, False),
        (ReleaseState.BREAK, False, True),
        (ReleaseState.DIG, False, True),
        (ReleaseState.TRAPPED, False, True),
    ],
)
def test_what_fails(state, tears, fails) -> None:
    piece = replace(PIECE, state=state, tears=tears)
    assert piece.fails == fails
    assert Release((piece, PIECE), (3,), Tool(), 50).failing == ((piece,) if fails else ())


def test_what_to_mind_is_said_where_there_is_something_to_take_off() -> None:
    assert Release((), (), Tool(), 50).cautions == ()
    (*cautions, rules) = Release((PIECE,), (3,), Tool(), 50).cautions
    assert cautions and rules in RULES


@pytest.mark.parametrize(
    ("states", "torn", "said"),
    [
        (("stays on the bed",), (), "The one piece stays on the bed."),
        (("comes with a tool",), (1,), "The one piece comes with a tool; piece 1 may tear the part."),
        (("comes by hand",) * 3, (), "All 3 pieces come by hand."),
        (
            ("stays on the bed",) * 2,
            (1, 2),
            "All 2 pieces stay on the bed; pieces 1 and 2 may tear the part.",
        ),
        (
            ("comes by hand", "stays on the bed", "stays on the bed"),
            (),
            "Of 3 pieces 2 stay on the bed, 1 comes by hand.",
        ),
        (
            ("comes with a tool", "comes with a tool", "cannot be removed"),
            (),
            "Of 3 pieces 2 come with a tool, 1 cannot be removed.",
        ),
        (
            ("break up first", "pick out in bits"),
            (2,),
            "Of 2 pieces 1 must be broken up first, 1 must be picked out in bits; piece 2 may tear the part.",
        ),
    ],
)
def test_verdict(states, torn, said: str) -> None:
    pieces = [
        replace(PIECE, number=k, state=ReleaseState(state), tears=k in torn)
        for k, state in enumerate(states, 1)
    ]
    assert plain(verdict(pieces)) == said
