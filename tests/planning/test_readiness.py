"""Nothing that starts in mid-air is left in silence: every part that may be copied, every standing."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from falsework import Plan, UndersideKind, load_process, plan
from falsework.part.demo import mooring_cleat
from falsework.planning.readiness import readiness
from falsework.wording.notices import NotStanding
from solids import box, merged, part_of

DATA = Path(__file__).parents[1] / "data"
SIZES = {"spot.obj": 0.5, "wuson.stl": 8.0}
PARTS = ("ant.ply", "nut.ply", "odri_upper_leg_metres.stl", "so101_gauge_tight.stl", "spot.obj", "wuson.stl")


@cache
def planned(name: str, standing: str) -> Plan:
    return plan(DATA / name, standing=standing, scale=SIZES.get(name, 1.0), release=False)


@pytest.mark.parametrize("standing", ["auto", "bed", "leave"])
@pytest.mark.parametrize("name", PARTS)
def test_each_island_is_carried_or_named(name, standing):
    made = planned(name, standing)
    islands = {u.number for u in made.undersides if u.kind is UndersideKind.ISLAND}
    assert islands <= {start.underside for start in made.starts}
    left = sorted({start.underside for start in made.starts if not start.carried})
    found = readiness(made)
    told = [reason.notice for reason in found.reasons if "island" in reason.notice.code]
    assert all(notice in made.warnings for notice in told)
    named: list[int] = []
    for notice in told:
        named += notice.undersides if notice.code == "islands-left" else [notice.underside]
        assert len(notice.at_mm) == 3 and notice.falls_mm > 0.0 and "falls" in notice.text
    assert sorted(named) == left
    if left:
        assert not found.ready
    chosen = {c.underside: c.chosen.value for c in made.choices}
    bare = sum(chosen[number] == "leave" for number in islands)
    assert made.alternatives[3].left_count >= bare
    assert made.alternatives[3].left_mm2 > 0.0 or not bare
    assert made.alternatives[0].left_count >= len(islands)


def test_a_part_too_large_or_with_a_weak_piece_is_not_ready():
    made = planned("so101_gauge_tight.stl", "auto")
    assert readiness(made).ready and readiness(made).headline == "ready to print"
    low = replace(load_process("pla-0.4"), printer=replace(made.process.printer, build_width_mm=11.0))
    codes = [
        r.notice.code for r in readiness(plan(DATA / "so101_gauge_tight.stl", low, release=False)).reasons
    ]
    assert "too-large" in codes


def test_what_a_weak_piece_carries_is_carried_otherwise_or_left():
    """The mooring cleat's horns: from the bed there is no room beside the part for a foot that stands. What
    is chosen instead costs hardly more than any one standing of all: estimates do not tell them apart."""
    made = plan(mooring_cleat(), "pla-0.4", release=False)
    assert not any(piece.weak for piece in made.pieces)
    for standing in ("leave", "bed-or-part"):
        asked = plan(mooring_cleat(), "pla-0.4", release=False, standing=standing)
        assert made.price.total <= 1.05 * asked.price.total


def test_what_would_not_stand_is_not_built_where_others_carry_the_same():
    """A roof over a plate with a bore: from the bed a needle through the bore meets it, and a broad piece
    beside the plate."""
    plate = [box((14.0, 20.0, 4.0), (x, 0.0, 0.0)) for x in (0.0, 16.0)]
    plate += [box((2.0, 9.0, 4.0), (14.0, y, 0.0)) for y in (0.0, 11.0)]
    roofed = merged(*plate, box((4.0, 20.0, 16.0), (0.0, 0.0, 4.0)), box((46.0, 20.0, 3.0), (0.0, 0.0, 20.0)))
    made = plan(part_of(*roofed), "pla-0.4", release=False, standing="bed")
    assert len(made.pieces) == 1 and not made.pieces[0].weak
    (note,) = (w for w in made.warnings if isinstance(w, NotStanding))
    assert (note.pieces, note.undersides) == (1, (1,)) and 1.0 < note.area_mm2 < 1.69  # bore less clearance
    (option,) = (o for o in made.choices[0].options if o.standing is made.choices[0].chosen)
    assert option.left_mm2 + option.contact_mm2 == pytest.approx(42.0 * 20.0, rel=0.01)
    assert option.left_mm2 == pytest.approx(26.0 * 20.0 - 2.0 * 2.0 + note.area_mm2, abs=1.0)
