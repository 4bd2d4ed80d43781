"""Tags: none over another, all on the picture, leaders uncrossed on each side."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from falsework.report.labels import Anchor, place_tags

WIDTH, HEIGHT, MARGIN, SPACING = 600.0, 430.0, 24.0, 27.0
places = st.lists(st.tuples(st.floats(50, 550), st.floats(10, 420)), min_size=0, max_size=45, unique=True)


def placed(points):
    anchors = [Anchor(k + 1, x, y, k + 1) for k, (x, y) in enumerate(points)]
    return place_tags(anchors, WIDTH, HEIGHT, MARGIN, SPACING)


def crosses(a, b):
    def side(px, py, t):
        return (t.anchor_x - t.x) * (py - t.y) - (t.anchor_y - t.y) * (px - t.x)

    return (
        side(b.x, b.y, a) * side(b.anchor_x, b.anchor_y, a) < -1e-6
        and side(a.x, a.y, b) * side(a.anchor_x, a.anchor_y, b) < -1e-6
    )


@given(places)
def test_tags_do_not_overlap_and_stay_on_the_picture(points):
    tags = placed(points)
    for tag in tags:
        assert tag.x in (MARGIN, WIDTH - MARGIN)
        assert SPACING / 2 - 1e-6 <= tag.y <= HEIGHT - SPACING / 2 + 1e-6
    for a, b in combinations(tags, 2):
        assert a.x != b.x or abs(a.y - b.y) >= SPACING - 1e-6


@given(places)
def test_leaders_of_one_side_do_not_cross(points):
    for a, b in combinations(placed(points), 2):
        assert a.x != b.x or not crosses(a, b)


@given(places)
def test_the_first_by_rank_are_kept_and_point_where_they_should(points):
    tags = placed(points)
    room = 2 * int(HEIGHT // SPACING)
    assert [t.number for t in tags] == list(range(1, min(len(points), room) + 1))
    assert [(t.anchor_x, t.anchor_y) for t in tags] == points[: len(tags)]


def test_a_lone_tag_stands_level_with_its_anchor():
    (tag,) = placed([(100.0, 200.0)])
    assert (tag.x, tag.y) == (MARGIN, 200.0)
