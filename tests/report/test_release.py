"""How the supports come off, on paper: words for cuts and pulls, marks that are not colour alone."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from falsework.planning import plan
from falsework.release.value import Block, BreakingPlane, ReleaseState
from falsework.report import release_html
from falsework.report.release import NOTE, SHAPE, cut_words, release_of_plan, way_words
from falsework.report.scene import make_scene

pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(scope="module")
def table():
    from falsework.part.demo import demo_parts

    return plan(demo_parts()["table"]())


def _stuck(table, state: ReleaseState):
    """The table's plan as if its one piece came off in no straight direction."""
    cut = BreakingPlane((110.0, 100.0, 12.0), (1.0, 0.0, 0.0), 7)
    blocks = (Block((90.0, 100.0, 20.0), (-1.0, 0.0, 0.0)), Block((130.0, 100.0, 20.0), (0.8, 0.0, 0.6)))
    piece = replace(table.release.pieces[0], state=state, cuts=(cut,), blocks=blocks, pull_direction=None)
    return replace(table, release=replace(table.release, pieces=(piece,)))


def test_the_strip_tells_cuts_and_blocks_one_by_one(table) -> None:
    page = release_html(_stuck(table, ReleaseState.BREAK), ()).replace("\u00a0", " ")
    cut = page.index("Cut 1 of 1: upright, at x 110.0 mm, through 7 strands.")
    first = page.index("Then pull block 1, around x 90, y 100, z 20 mm, towards −x.")
    second = page.index("Then pull block 2, around x 130, y 100, z 20 mm, towards +x and up.")
    assert cut < first < second
    assert "No change that was tried helps." in page
    assert "http" not in page.replace("http-equiv", "")


@pytest.mark.parametrize("state", list(NOTE))
def test_what_stays_stuck_is_marked_by_word_and_shape_beside_colour(table, state) -> None:
    stuck = _stuck(table, state)
    section = release_of_plan(stuck, make_scene(stuck.geometry))
    assert section is not None and section.shapes == {1: SHAPE[state]} and section.notes == {1: NOTE[state]}
    assert f">{NOTE[state]}</text>" in release_html(stuck)


def test_cautions_are_on_the_page_and_the_same_plan_gives_the_same_bytes(table) -> None:
    page = release_html(table)
    assert page == release_html(table)
    for caution in table.release.cautions:
        assert caution.partition(": ")[2].split("'")[0][:40] in page


def test_without_supports_there_is_no_section(table) -> None:
    assert release_of_plan(replace(table, pieces=()), None) is None
    assert release_of_plan(replace(table, release=None), None) is None


@pytest.mark.parametrize(
    ("normal", "said"),
    [
        ((0.0, 0.0, 1.0), "level, at z 3.0 mm"),
        ((1.0, 0.0, 0.0), "upright, at x 1.0 mm"),
        ((0.0, -1.0, 0.0), "upright, at y 2.0 mm"),
        ((math.sqrt(0.5), -math.sqrt(0.5), 0.0), "upright, through x 1.0, y 2.0 mm, running at 45°"),
        ((0.6, 0.0, 0.8), "slanting, through x 1.0, y 2.0, z 3.0 mm"),
    ],
)
def test_a_cut_in_words(normal, said: str) -> None:
    assert cut_words(BreakingPlane((1.0, 2.0, 3.0), normal, 1)) == f"{said}, through 1 strand" or cut_words(
        BreakingPlane((1.0, 2.0, 3.0), normal, 1)
    ).startswith(said)


@pytest.mark.parametrize(
    ("way", "said"),
    [
        ((0.0, 0.0, -1.0), "down"),
        ((-1.0, 0.0, 0.0), "towards −x"),
        ((0.1, 0.7, 0.7), "towards +y and up"),
    ],
)
def test_a_pull_in_words(way, said: str) -> None:
    assert way_words(way) == said
