"""Positions in words: the cells of the table, and why one is recommended."""

from __future__ import annotations

from dataclasses import replace

import pytest

from falsework.objective import Price
from falsework.orientation.value import Orientation, OrientationProof, Orientations
from falsework.orientation.words import (
    comes_off,
    ready,
    role,
    rows,
    shown,
    stands,
    turn_text,
    turn_words,
    why,
)
from falsework.request.marks import NO_FACES, MarkedFaces
from falsework.request.weights import Weights
from falsework.wording.figures import plain
from falsework.wording.notices import Earlier

PROOF = OrientationProof(2, 2, 0, 3, 0, 0, 250.0, 4.0, True, 0.0, True)
LIE = Orientation(
    *("a", (0.0, 0.0, 1.0), (0.0, 0.0, 0.0), True, False, "bed"),
    *(100.0, 100.0, 40.0, 0.0, 0.0, 0.0, 250.0, 20.0, 30.0, 20.0, 0.0, 0.25),
    *(36.0, 40.0, 30.0, 12.34, 3600.0, 2.0, 300.0, 0.0, Price(time=9.0)),
    PROOF,
)
OTHER = replace(LIE, label="b", turn_deg=(90.0, 0.0, -12.345678), price=Price(time=7.0), support_g=1.0)


def lies(best: Orientation = OTHER, now: Orientation = LIE, **changes) -> Orientations:
    found = Orientations(
        *("part", "digest", "pla-0.4", Weights(), NO_FACES, None, best, (best,), now, 100, 3, 128, 0.0)
    )
    return replace(found, **changes)


def proved(**changes) -> Orientation:
    return replace(LIE, proof=replace(PROOF, **changes))


BARE = replace(LIE, proof=None)


@pytest.mark.parametrize(
    ("lie", "said"),
    [
        (BARE, "–"),
        (proved(), "yes"),
        (proved(stands=False), "no"),
        (proved(rim_mm=4.0), "with a rim of 4.0 mm"),
        (proved(rim_mm=4.0, stands=False), "with a rim of 4.0 mm"),
    ],
)
def test_whether_it_stands(lie, said):
    assert plain(stands(lie)) == said


@pytest.mark.parametrize(
    ("lie", "said"),
    [
        (BARE, "–"),
        (proved(pieces=0), "no support"),
        (proved(), "all 3"),
        (proved(hard=2), "2 of 3 hard"),
    ],
)
def test_how_its_supports_come_off(lie, said):
    assert comes_off(lie) == said


def test_whether_it_may_be_printed():
    assert [ready(lie) for lie in (LIE, proved(ready=False), BARE)] == ["yes", "no", "–"]
    assert ready(replace(LIE, fits=False)) == "does not fit"


def test_turns_for_plans_have_every_digit_and_for_people_a_tenth():
    assert (
        turn_text(OTHER) == "90,0,-12.3457" and plain(turn_words(OTHER)).replace("−", "-") == "90, 0, -12.3"
    )
    assert turn_text(replace(LIE, turn_deg=(-0.00001, 180.0, 0.5))) == "0,180,0.5"


def test_today_is_shown_last_unless_it_is_among_the_best():
    assert shown(lies()) == [OTHER, LIE]
    assert shown(lies(front=(LIE, OTHER))) == [LIE, OTHER]
    assert [role(lie, lies()) for lie in (OTHER, LIE, BARE)] == ["recommended", "today", "other"]
    assert role(LIE, lies(best=LIE)) == "recommended"


def test_without_a_plan_a_row_has_the_figures_of_columns_alone():
    full, bare = rows(lies(now=BARE))
    assert full[2] == "7.00" and bare[2:6] == ("–",) * 4
    assert plain(bare[9]) == plain(full[9]) and full[11] == "–"
    assert plain(rows(lies(load_axis=(0.0, 0.0, 1.0)))[0][11]) == "25 %"


def test_why_one_is_recommended():
    said = plain(why(lies()))
    assert said.startswith("Turned by 90, 0, ") and "its supports take 1.0 g" in said
    assert "a total of 7.00; as it came its supports take 2.0 g" in said and said.endswith("a total of 9.00")
    assert plain(why(lies(best=LIE))).startswith("The position it came in is best: its supports take 2.0 g")
    refused = proved(ready=False, why_not=(Earlier("it may fall"),))
    assert plain(why(lies(best=refused, now=refused))).startswith(
        "No better position than it came in was found"
    )
    assert plain(why(lies(best=refused, now=refused))).endswith(
        "not ready to print all the same: it may fall"
    )
    assert why(lies(best=BARE, now=BARE)) == "It stays as it came"


def test_what_changes_beside_the_price_is_said():
    falls = proved(stands=False)
    assert "; it stands, and as it came it may fall" in why(lies(now=falls))
    assert why(lies(best=replace(OTHER, proof=falls.proof))).endswith("; it may fall")
    assert "fall" not in why(lies())
    loaded = why(lies(best=replace(OTHER, across_layers=0.5), load_axis=(0.0, 0.0, 1.0)))
    assert plain(loaded).endswith("; 50 % of the load across the layers instead of 25 %")
    front = MarkedFaces(directions=((1.0, 0.0, 0.0),))
    cleaner = replace(OTHER, price=Price(time=7.0, show=0.5))
    worse = replace(LIE, price=Price(time=9.0, show=1.0))
    assert "faces to keep clean are marked less" in why(lies(best=cleaner, now=worse, show=front))
    assert "marked less" not in why(lies(best=worse, now=cleaner, show=front))
    assert "marked less" not in why(lies(show=front)) and "marked less" not in why(lies())
    small = replace(BARE, fits=False, misfits=(Earlier("too high"),))
    assert why(lies(now=small)).endswith("; as it came it does not fit (too high)")


def test_what_is_not_carried_is_not_said_to_need_no_support():
    assert "it needs no support" in why(lies(best=replace(OTHER, proof=replace(PROOF, pieces=0))))
    bare = replace(OTHER, proof=replace(PROOF, pieces=0, bare=1))
    assert "nothing carries what starts in mid-air" in why(lies(best=bare))


def test_what_the_figures_rest_on():
    assert plain(lies().error).startswith("searched on the whole mesh by 128 × 128 columns")
    thinned = plain(lies(thinned_mm=0.05, device="gpu").error)
    assert thinned.startswith("searched on a graphics processor on a mesh thinned within 0.05 mm")
    assert "failed: done without it" in lies(device="cpu after gpu failed").error
    assert "the mesh is open" not in lies().error
    open_mesh = lies(best=replace(OTHER, uneven_share=0.02)).error
    assert "up to 2 % of the columns leave it unevenly" in plain(open_mesh)
    assert "the mesh is open" not in lies(best=replace(OTHER, uneven_share=0.001)).error
