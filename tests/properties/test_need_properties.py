"""What must hold for the undersides of any stack."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, scale, translate

from falsework.droop.estimate import estimates
from falsework.droop.laws import Laws
from falsework.need.needmap import need_map
from falsework.need.strips import DUST_SHARE, biased_reach_mm
from falsework.need.underside import UndersideKind
from falsework.process.settings import Process
from stacks import stack_of

PROCESS = Process()


@st.composite
def sections(draw):
    """Lumpy bodies: a few discs and boxes a layer, drifting and growing from layer to layer."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count, layers = draw(st.integers(1, 4)), draw(st.integers(2, 12))
    x, y, size = rng.uniform(-8, 8, count), rng.uniform(-8, 8, count), rng.uniform(1, 6, count)
    drift = rng.normal(0, 0.5, (2, count))
    swell = rng.normal(0.1, 0.4, count)
    out = []
    for i in range(layers):
        radius = np.maximum(size + swell * i, 0.3)
        shapes = [
            shapely.Point(x[k] + drift[0, k] * i, y[k] + drift[1, k] * i).buffer(radius[k], quad_segs=6)
            if k % 2
            else shapely.box(x[k], y[k], x[k] + radius[k], y[k] + radius[k] + drift[0, k] * i)
            for k in range(count)
        ]
        section = shapely.union_all([s for s in shapes if s.is_valid and s.area > 0])
        if rng.uniform() < 0.3:
            section = section - shapely.Point(*rng.uniform(-6, 6, 2)).buffer(rng.uniform(0.5, 3), quad_segs=4)
        out.append(section)
    return out


@settings(max_examples=30, deadline=None)
@given(sections())
def test_strips_lie_in_their_layer_over_air_and_cover_what_is_loose(sections):
    need = need_map(stack_of(sections), Laws(PROCESS))
    hold, dust = biased_reach_mm(PROCESS.reach_mm), DUST_SHARE * PROCESS.line_width_mm**2
    for i in range(1, len(sections)):
        mine = shapely.union_all(need.regions[need.region_layer == i])
        assert shapely.area(need.regions[need.region_layer == i]).sum() == pytest.approx(mine.area)
        assert mine.difference(sections[i]).area < 1e-6
        assert mine.intersection(sections[i - 1]).area < 1e-6
        # what no strip covers is held: within the reach, or one and a half times that at mitred corners
        far = sections[i] - sections[i - 1].buffer(1.5 * hold, quad_segs=32) - mine
        assert all(p.area <= dust or 2 * p.area <= 0.002 * p.length + dust for p in shapely.get_parts(far))


@settings(max_examples=30, deadline=None)
@given(sections())
def test_figures_are_sane(sections):
    need = need_map(stack_of(sections), Laws(PROCESS))
    total = sum(u.area_mm2 for u in need.undersides)
    assert total == pytest.approx(shapely.area(need.regions).sum())
    ranks = [
        (u.kind is UndersideKind.HOLDS, u.kind is not UndersideKind.ISLAND, -u.risk) for u in need.undersides
    ]
    assert ranks == sorted(ranks)
    assert sum(u.kind is UndersideKind.HOLDS for u in need.undersides) <= 1
    assert set(need.region_underside) == set(range(len(need.undersides)))
    for k, u in enumerate(need.undersides):
        assert u.number == k + 1
        for e in (u.droop_mm, u.supported_droop_mm):
            assert 0 <= e.low <= e.value <= e.high < np.inf
        assert u.supported_droop_mm.value <= u.droop_mm.value
        assert 0 <= u.bridge_share <= 1 + 1e-12 and 0 < u.angle_deg <= 90
        assert 0 <= u.free_length_mm < np.inf and 0 <= u.extent_mm < np.inf
        assert (u.span_mm > 0) == (u.kind is UndersideKind.BRIDGE)
        assert u.layers[0] <= u.layers[1]


def area_of(need):
    return float(shapely.area(need.regions).sum())


def areas_about(sections):
    """Least and greatest area over air of lines a hundredth wider and narrower, with 1 % + 0.05 mm² to
    either side: a strip may lie just at a threshold, where rounding decides whether all of it counts."""
    areas = [
        area_of(need_map(stack_of(sections), Laws(replace(PROCESS, line_width_mm=f * PROCESS.line_width_mm))))
        for f in (0.99, 1.0, 1.01)
    ]
    return 0.99 * min(areas) - 0.05, 1.01 * max(areas) + 0.05


@settings(max_examples=15, deadline=None)
@given(sections(), st.floats(0, 360), st.floats(-300, 300))
def test_turning_and_moving_changes_nothing(sections, turn, shift):

    def moved(g):
        return translate(rotate(g, turn, origin=(0, 0)), shift, -0.5 * shift)

    low, high = areas_about(sections)
    assert low <= area_of(need_map(stack_of([moved(s) for s in sections]), Laws(PROCESS))) <= high


@settings(max_examples=15, deadline=None)
@given(sections(), st.sampled_from([2.0, 4.0]))
def test_everything_scales(sections, factor):
    """A part, its lines and its layers made larger together: areas grow by the square.

    Not smaller: below a reach of 0.2 mm the bias is a fixed 2 µm.
    """
    big = replace(
        PROCESS,
        nozzle_mm=factor * PROCESS.nozzle_mm,
        line_width_mm=factor * PROCESS.line_width_mm,
        layer_height_mm=factor * PROCESS.layer_height_mm,
        first_layer_height_mm=factor * PROCESS.first_layer_height_mm,
    )
    low, high = areas_about(sections)
    grown = [scale(s, factor, factor, origin=(0, 0)) for s in sections]
    assert low <= area_of(need_map(stack_of(grown, factor * 0.2), Laws(big))) / factor**2 <= high


@settings(max_examples=15, deadline=None)
@given(sections(), st.floats(0, 0.9))
def test_less_fan_never_needs_less(sections, fan):
    """The loose area grows as the reach shrinks; strips round it up, so compare layer by layer by cover."""
    full, less = (
        need_map(stack_of(sections), Laws(PROCESS)),
        need_map(stack_of(sections), Laws(replace(PROCESS, fan=fan))),
    )
    assert shapely.area(less.regions).sum() >= shapely.area(full.regions).sum() * 0.97 - 0.05


def ledge_droop(laws, free_mm):
    return estimates(laws.overhang_droops(np.array([free_mm])), ["uncalibrated"])[0]


@settings(max_examples=200, deadline=None)
@given(
    st.floats(0.01, 400),
    st.floats(1.001, 3),
    st.floats(0, 1),
    st.sampled_from([(0.3, 0.1, 0.25), (0.45, 0.2, 0.4), (1.4, 0.9, 1.2)]),
)
def test_droop_grows_with_span_and_reach_and_with_less_fan(length, factor, fan, size):
    width, height, nozzle = size
    process = replace(PROCESS, line_width_mm=width, layer_height_mm=height, nozzle_mm=nozzle, fan=fan)
    laws, windy = Laws(process), Laws(replace(process, fan=1.0))
    for law in (Laws.bridge_droop, ledge_droop):
        short, long = law(laws, length), law(laws, length * factor)
        assert short.low < short.value < short.high
        for end in ("low", "value", "high"):
            assert getattr(short, end) < getattr(long, end)
        # how much the fan does is uncertain too, so medians at nearly the same fan may cross by a little
        assert law(windy, length).value <= short.value * 1.01
        held, longer = laws.supported_droops([short, long], 2 * height)
        assert held.low <= held.value <= held.high
        assert held.value <= longer.value and held.value <= short.value
