"""What must hold for the supports of any part."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.process.settings import Process, Structure
from falsework.request.standing import Standing
from falsework.support.generate import build_scheme
from stacks import need_of, over_air, stack_of

_BLOB = st.tuples(
    st.floats(-8, 8), st.floats(-8, 8), st.floats(1.5, 6), st.integers(0, 20), st.integers(1, 12)
)


def sections_of(blobs) -> list[shapely.Geometry]:
    """Layers of discs that start and end at random, on a post."""
    layers = [[shapely.Point(0, 0).buffer(1.5, quad_segs=6)] for _ in range(34)]
    for x, y, radius, first, count in blobs:
        for i in range(first, first + count):
            layers[i].append(shapely.Point(x, y).buffer(radius, quad_segs=6))
    return [shapely.union_all(discs) for discs in layers]


@settings(max_examples=25, deadline=None)
@given(
    st.lists(_BLOB, min_size=1, max_size=4),
    st.sampled_from([Standing.BED, Standing.BED_OR_PART]),
    st.sampled_from(["designed", "curtain"]),
)
def test_everything_carries_and_nothing_touches(blobs, standing, form) -> None:
    sections = sections_of(blobs)
    process = Process(structure=Structure(form=form))
    stack = stack_of(sections)
    strips = [(i, region, 0) for i, region, _ in over_air(sections) if region.area > 0.1]
    need = need_of(strips)
    scheme = build_scheme(stack, need, [standing] * len(need.undersides), process)
    assert all(piece.undersides for piece in scheme.pieces)
    # on a grid: borders of bands that meet within 1e-15 mm may make GEOS fill a hole
    bands = np.array([scheme.body, scheme.cap, scheme.sole, scheme.foot])
    everything = shapely.union_all(bands, axis=0, grid_size=1e-6)
    side, gap, gap_below = process.structure.side_gap_mm, scheme.gap.layers, scheme.gap_below.layers
    for i, region in enumerate(everything):
        if region.is_empty:
            continue
        # outlines of supports stray by 0.02 mm, the four chords of a quarter of its clearance by 0.008 mm
        assert region.distance(sections[i]) > side - 0.03
        for k in range(1, gap + 1):
            if i + k < len(sections):
                assert region.intersection(sections[i + k]).area < 0.02 * max(1.0, region.length)
        for k in range(1, min(gap_below, i) + 1):
            assert region.intersection(sections[i - k]).area < 0.02 * max(1.0, region.length)
        if i == 0:
            continue
        beneath = [everything[i - 1].buffer(need.reach_mm), sections[i - 1].buffer(side + need.reach_mm)]
        beneath += [s.buffer(need.reach_mm) for s in sections[max(0, i - 1 - gap_below) : i - 1]]
        hanging = region.difference(shapely.union_all(beneath).buffer(0.03))
        assert hanging.area < 1e-2
        if standing is Standing.BED:
            beneath = shapely.union_all(sections[:i]).buffer(-0.05)
            assert region.intersection(beneath).area < 0.02 * max(1.0, region.length)


@settings(max_examples=10, deadline=None)
@given(st.lists(_BLOB, min_size=1, max_size=3))
def test_same_input_same_bytes(blobs) -> None:
    sections = sections_of(blobs)
    stack, need = stack_of(sections), need_of(over_air(sections))
    first, second = (
        build_scheme(stack, need, [Standing.BED_OR_PART] * len(need.undersides), Process()) for _ in range(2)
    )
    assert first.vertices.tobytes() == second.vertices.tobytes()
    assert first.faces.tobytes() == second.faces.tobytes()
    assert first.strands.ends_mm.tobytes() == second.strands.ends_mm.tobytes()
    assert first.pieces == second.pieces
