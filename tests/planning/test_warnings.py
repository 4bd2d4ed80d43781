"""What a plan warns of, in whole sentences."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely

from falsework.part.part import Health, MeshFinding
from falsework.planning import plan
from falsework.planning.warnings import part_warnings, release_warnings
from falsework.process import load_process
from falsework.release import ReleaseState
from falsework.wording.figures import plain
from release.scenes import box as block
from release.scenes import judged, piece
from solids import box, merged, part_of
from stacks import stack_of

PROCESS = load_process("pla-0.4")


def test_a_wall_thinner_than_a_line_is_said() -> None:
    walls = merged(box((20.0, 10.0, 10.0)), box((0.3, 10.0, 10.0), (30.0, 0.0, 0.0)))
    said, topples = plan(part_of(*walls), PROCESS).warnings
    assert topples.code == "topples"  # 0.3 mm of foot under 10 mm of wall
    assert plain(said.text) == (
        "about 1 % of the part is narrower than a line (0.45 mm) and may not be printed, "
        "first near x 125.0, y 110.0, z 0.1 mm"
    )


def test_one_finding_is_not_counted() -> None:
    health = Health(
        (MeshFinding("hole", 2, "closed", serious=True), MeshFinding("unit guessed", 1, "mm", serious=True))
    )
    part = replace(part_of(*box()), health=health)
    stack = stack_of([shapely.box(0, 0, 10, 10)] * 50)
    said = [notice.text for notice in part_warnings(part, stack, PROCESS)]
    assert said == ["2 × hole: closed", "unit guessed: mm"]


@pytest.mark.parametrize(
    ("states", "said"),
    [
        ([ReleaseState.DIG], ["piece 1 of the support must be picked out in bits, and some of it may stay"]),
        (
            [ReleaseState.DIG, ReleaseState.TRAPPED, ReleaseState.DIG, ReleaseState.DIG],
            [
                "piece 2 of the support cannot be removed: it stays in the part",
                "pieces 1, 3 and 4 of the support must be picked out in bits, and some of them may stay",
            ],
        ),
        ([ReleaseState.STAYS], []),
    ],
)
def test_pieces_that_stay_are_said_once(states: list[ReleaseState], said: list[str]) -> None:
    release = judged(block((0, 0, 10), (9, 9, 12)), [block((2, 2, 0), (6, 6, 9.6))], [piece()])
    one = release.pieces[0]
    pieces = tuple(replace(one, number=k, state=state, tears=False) for k, state in enumerate(states, 1))
    built = tuple(piece(number=k) for k in range(1, len(states) + 1))
    whole = plan(part_of(*box((20.0, 8.0, 3.0), (0.0, 0.0, 10.0))), PROCESS, release=False)
    told = release_warnings(replace(release, pieces=pieces), built, whole.choices, whole.undersides)
    assert [notice.text.split(":")[0] for notice in told] == [text.split(":")[0] for text in said]
