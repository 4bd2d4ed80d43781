"""Pictures: the right faces are coloured, sheets are the same twice, the scale bar tells the truth."""

from __future__ import annotations

import base64
import io
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from falsework.report import pictures
from falsework.report.colour import TICKS_MM, droop_rgb, scale_position
from falsework.report.scene import make_scene
from plans import bracket_plan


@pytest.fixture(scope="module")
def plan():
    return bracket_plan()


@pytest.fixture(scope="module")
def scene(plan):
    return make_scene(plan.geometry)


def pixels(picture):
    return np.asarray(
        Image.open(io.BytesIO(base64.b64decode(picture.href.split(",")[1]))).convert("RGB")
    ).astype(int)


def area_of(soup, tag):
    a, b, c = (soup.corners[soup.tag == tag][:, k] for k in range(3))
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()


def test_the_arm_alone_is_tagged_and_nothing_is_lost(scene):
    assert area_of(scene.part, 0) == pytest.approx(800.0, abs=1e-6)  # 40 × 20 mm beneath the arm, exactly
    # post 10 × 25 and arm 50 × 5 seen from front and back, 20 mm deep around an outline of 160 mm
    assert area_of(scene.part, -1) + 800.0 == pytest.approx(2 * 500.0 + 160.0 * 20.0, abs=1e-6)


def test_cutting_faces_keeps_their_normals(scene):
    a, b, c = (scene.part.corners[:, k] for k in range(3))
    flat = np.cross(b - a, c - a)
    flat /= np.linalg.norm(flat, axis=1, keepdims=True)
    np.testing.assert_allclose(scene.part.normals, np.repeat(flat[:, None], 3, axis=1), atol=1e-12)


def test_the_underside_is_seen_from_below_and_not_from_above(scene, plan):
    below = pictures.draw_picture(scene, plan.undersides, pictures.BELOW)
    above = pictures.draw_picture(scene, plan.undersides, pictures.ABOVE_RIGHT)
    assert [t.number for t in below.tags] == [1]
    assert above.tags == ()
    dark = (
        pixels(below)[..., 2] > pixels(below)[..., 0] + 30
    ).mean()  # blue: the only blue thing is a big droop
    assert dark > 0.6  # four fifths of what is seen from below, less the margins
    assert (pixels(above)[..., 2] > pixels(above)[..., 0] + 30).mean() == 0.0


def test_supports_are_drawn_and_show_through_the_part(scene, plan):
    bare = pixels(pictures.draw_picture(scene, plan.undersides, pictures.FRONT))
    held = pixels(pictures.draw_picture(scene, plan.undersides, pictures.FRONT, supports=True))
    red = held[..., 0] - held[..., 2] > 45
    assert not (bare[..., 0] - bare[..., 2] > 45).any()
    # blocks of 10 and 15 mm by 24.6 mm on a sheet of 50 × 30 mm
    assert red.mean() == pytest.approx(25.0 * 24.6 / 1500.0, rel=0.05)
    oblique = pixels(pictures.draw_picture(scene, plan.undersides, pictures.ABOVE_RIGHT, supports=True))
    faint = oblique[..., 0] - oblique[..., 2]
    assert ((faint > 20) & (faint < 40)).sum() > 1000


def test_the_scale_bar_and_the_bed_line_tell_the_truth(scene, plan):
    front = pictures.draw_picture(scene, plan.undersides, pictures.FRONT)
    part_units = front.image[2] - 2 * pictures._BORDER / 3.0
    assert front.scale_units / front.scale_mm == pytest.approx(part_units / 50.0, rel=0.005)
    top = front.image[1] + pictures._BORDER / 3.0
    assert front.bed_y - top == pytest.approx(30.0 * front.scale_units / front.scale_mm, rel=0.005)
    assert pictures.draw_picture(scene, plan.undersides, pictures.BELOW).bed_y is None


def test_the_same_scene_gives_the_same_bytes(scene, plan):
    once = pictures.draw_picture(scene, plan.undersides, pictures.BELOW_LEFT, supports=True)
    again = pictures.draw_picture(
        make_scene(plan.geometry), plan.undersides, pictures.BELOW_LEFT, supports=True
    )
    assert once.href == again.href


def test_views_are_right_handed():
    for view in (
        pictures.FRONT,
        pictures.BELOW,
        pictures.BELOW_LEFT,
        pictures.BELOW_BACK,
        pictures.ABOVE_RIGHT,
    ):
        np.testing.assert_allclose(view.axes @ view.axes.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(view.axes) == pytest.approx(1.0)
        assert (view.axes[2, 2] < 0) == view.below


def test_the_droop_scale_darkens_steadily_and_is_clipped():
    def lightness(rgb):
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in rgb]
        return float(np.dot([0.2126, 0.7152, 0.0722], linear))

    steps = [lightness(droop_rgb(0.05 * 100 ** (k / 64))) for k in range(65)]
    assert all(a > b for a, b in pairwise(steps))
    assert scale_position(0.0) == scale_position(TICKS_MM[0]) == 0.0
    assert scale_position(50.0) == scale_position(TICKS_MM[-1]) == scale_position(float("inf")) == 1.0


@pytest.mark.parametrize(("most", "bar"), [(90.0, 50.0), (20.0, 20.0), (4.9, 2.0), (0.3, 0.2), (1.0, 1.0)])
def test_scale_bars_are_round(most, bar):
    assert pictures._round_length(most) == pytest.approx(bar)
