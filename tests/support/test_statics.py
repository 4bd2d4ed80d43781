"""What holds a body about an edge: worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework import load_process
from falsework.droop.laws import Laws
from falsework.support.stability import part_bond_mpa
from falsework.support.statics import (
    DIRECTIONS,
    around,
    bonded_moments,
    breadths,
    hulls,
    moments,
    section_modulus,
)


def of(*regions):
    polygons = np.array(regions, dtype=object)
    return moments(polygons), hulls(polygons)


def test_a_rectangle_bears_a_third_of_its_area_times_its_breadth():
    """Stress σ ξ / b over 0 ≤ ξ ≤ b about one side: σ l b² / 3 = A b / 3."""
    sums, hull = of(shapely.box(100.0, 50.0, 104.0, 60.0))
    about = bonded_moments(2.0 * sums, hull)[0]
    assert about[0] == pytest.approx(2.0 * 40.0 * 4.0 / 3.0)  # towards +x
    assert about[DIRECTIONS // 4] == pytest.approx(2.0 * 40.0 * 10.0 / 3.0)  # towards +y
    assert about[DIRECTIONS // 2] == pytest.approx(about[0])
    assert breadths(hull)[0, [0, DIRECTIONS // 4]] == pytest.approx([4.0, 10.0])


def test_a_disc_about_its_rim():
    """(π r⁴ / 4 + π r² r²) / 2 r, about a tangent (parallel axes)."""
    r = 3.0
    sums, hull = of(shapely.Point(7.0, -2.0).buffer(r, quad_segs=128))
    assert bonded_moments(sums, hull)[0] == pytest.approx(5.0 / 8.0 * np.pi * r**3, rel=1e-3)


def test_an_edge_farther_out_has_the_longer_lever():
    """A small bond in the middle of a wide hull: ∫ ξ² dA over the whole breadth."""
    small = moments(np.array([shapely.box(-0.5, -0.5, 0.5, 0.5)], dtype=object))
    hull = hulls(np.array([shapely.box(-10.0, -10.0, 10.0, 10.0)], dtype=object))
    about = bonded_moments(small, hull)[0, 0]
    assert about == pytest.approx((1.0 / 12.0 + 100.0) / 20.0)


def test_nothing_bears_nothing():
    point = np.array([shapely.box(0, 0, 1e-12, 1e-12)], dtype=object)
    assert bonded_moments(moments(point), hulls(point))[0].max() == 0.0


def test_the_modulus_of_a_triangle_is_by_its_farthest_corner():
    """Of equal sides a: √3 a⁴ / 96 about any axis through its middle, corners a / √3 from it: a³ / 32."""
    sums, hull = of(shapely.Polygon([(50.0, 8.0), (56.0, 8.0), (53.0, 8.0 + 3.0 * np.sqrt(3.0))]))
    assert section_modulus(sums[0], hull[0]) == pytest.approx(6.0**3 / 32.0, rel=1e-3)


def test_the_modulus_of_a_disc_is_the_same_all_around():
    """I / c = π r³ / 4, wherever the disc lies."""
    sums, hull = of(shapely.Point(7.0, -2.0).buffer(3.0, quad_segs=128))
    assert section_modulus(sums[0], hull[0]) == pytest.approx(np.pi * 3.0**3 / 4.0, rel=1e-3)


def test_the_modulus_of_a_rectangle_is_that_of_its_weakest_axis():
    """(h b³ c² + b h³ s²) / 12 over (b c + h s) / 2, in the weakest direction: beside the narrow one."""
    wide, high = 4.0, 10.0
    sums, hull = of(shapely.box(100.0, 50.0, 100.0 + wide, 50.0 + high))
    c, s = np.abs(around()).T
    each = (high * wide**3 * c**2 + wide * high**3 * s**2) / 6.0 / (wide * c + high * s)
    assert section_modulus(sums[0], hull[0]) == pytest.approx(each.min()) and each.min() < each[0]


def test_a_lopsided_area_breaks_where_it_reaches_farthest():
    """A triangle of base 6 and height 9, over its middle only: I = b h³ / 36, c = 2 h / 3."""
    sums, hull = of(shapely.Polygon([(0, 0), (6, 0), (3, 9)]))
    along_y = DIRECTIONS // 4
    assert section_modulus(sums[0], hull[0]) <= 6.0 * 9.0**3 / 36.0 / 6.0 + 1e-9
    assert hull[0, along_y] == pytest.approx(9.0)


def test_the_bond_to_the_part_is_that_of_the_bond_model():
    """The same as counts when the support is taken off; each layer of gap takes most of what was left."""
    from dataclasses import replace

    from falsework.droop.bond import top_of

    pla = load_process("pla-0.4")

    def bond(layers: float) -> float:
        return part_bond_mpa(replace(pla, structure=replace(pla.structure, air_gap_below_layers=layers)))

    share = Laws(pla).bond_share(0.2, top_of(pla, pla.structure.interface_layers_below)).value
    assert bond(1.0) == pytest.approx(pla.material.weld_strength_mpa * share)
    assert bond(1.0) > 10.0 * bond(2.0) > 0.0
