"""The generator on shapes whose supports are known in closed form."""

from __future__ import annotations

from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest
import shapely
import trimesh

from falsework.droop.laws import Laws
from falsework.errors import FalseworkError
from falsework.need.needmap import need_map
from falsework.process.settings import Process, Structure
from falsework.request.standing import Standing
from falsework.support.bulk import section_tolerance_mm
from falsework.support.generate import build_scheme, build_supports
from falsework.support.scheme import Role
from stacks import need_of, over_air, stack_of

PLAIN = Process(structure=Structure(form="curtain", foot_widening_mm=0.0))


def all_of(scheme):
    """(L,) everything that is support."""
    bands = np.array([scheme.body, scheme.cap, scheme.sole, scheme.foot])
    return shapely.union_all(bands, axis=0, grid_size=1e-6)  # bands share borders but for rounding


def table(leg_layers=30, top_layers=5, step_layers=0):
    """Two legs 20 mm apart under a plate; a step between them is half as wide as the span."""
    legs = shapely.box(0, 0, 5, 20) | shapely.box(25, 0, 30, 20)
    step = shapely.box(0, 0, 15, 20)
    return (
        [legs | step] * step_layers
        + [legs] * (leg_layers - step_layers)
        + [shapely.box(0, 0, 30, 20)] * top_layers
    )


def scheme_of(sections, standing=Standing.BED_OR_PART, process=PLAIN, layer_mm=0.2):
    stack = stack_of(sections, layer_mm)
    need = need_map(stack, Laws(process))
    return build_scheme(stack, need, [standing] * len(need.undersides), process)


def solid(scheme):
    return m3.Manifold(m3.Mesh64(scheme.vertices, scheme.faces.astype(np.uint64)))


def test_between_two_legs_the_support_fills_the_span_less_its_clearances() -> None:
    scheme = scheme_of(table())
    regions = all_of(scheme)
    clearance = 0.4 + section_tolerance_mm(PLAIN)
    # Exact in the layers; the overlap that joins strips must not show.
    np.testing.assert_allclose(shapely.area(regions[:28]), (20 - 2 * clearance) * 20, rtol=1e-6)
    assert (shapely.area(regions[28:]) == 0).all()
    assert scheme.gap.layers == 2 and scheme.gap.realised_mm == pytest.approx(0.4)
    assert len(scheme.pieces) == 1
    piece = scheme.pieces[0]
    assert piece.undersides == (1,) and piece.scar_mm2 == 0
    assert piece.contact_mm2 == pytest.approx((20 - 2 * clearance) * 20, rel=1e-6)
    assert piece.top_mm == pytest.approx(30 * 0.2 - 0.4)


@pytest.mark.parametrize(("layer_mm", "gap_mm"), [(0.2, 0.4), (0.9, 1.8)])
def test_the_gap_is_whole_layers(layer_mm, gap_mm) -> None:
    """Source: common practice, no source: about twice the layer height."""
    process = replace(
        PLAIN,
        layer_height_mm=layer_mm,
        first_layer_height_mm=layer_mm,
        line_width_mm=max(0.45, 1.2 * layer_mm),
        nozzle_mm=max(0.4, layer_mm),
    )
    sections = table(12, 3)
    stack = stack_of(sections, layer_mm)
    scheme = build_scheme(stack, need_of(over_air(sections)), [Standing.BED], process)
    underside_mm = 12 * layer_mm
    assert underside_mm - scheme.vertices[:, 2].max() == pytest.approx(gap_mm, abs=1e-9)


def test_bed_standing_keeps_off_what_lies_beneath_and_anywhere_stands_on_it() -> None:
    sections = table(step_layers=10)
    bed, anywhere = scheme_of(sections, Standing.BED), scheme_of(sections, Standing.BED_OR_PART)
    c = 0.4 + section_tolerance_mm(PLAIN)
    on_bed = (10 - 2 * c) * 20
    np.testing.assert_allclose(shapely.area(all_of(bed)[:28]), on_bed, rtol=1e-6)
    regions = all_of(anywhere)
    np.testing.assert_allclose(shapely.area(regions[:10]), on_bed, rtol=1e-6)
    # One layer of gap on the step (layer 10), half the side gap off its edge, then the full span.
    assert shapely.area(regions[10]) == pytest.approx((10 - c - 0.2) * 20, rel=1e-3)
    np.testing.assert_allclose(shapely.area(regions[11:28]), (20 - 2 * c) * 20, rtol=1e-3)
    assert sum(p.scar_mm2 for p in bed.pieces) == 0
    assert sum(p.scar_mm2 for p in anywhere.pieces) == pytest.approx((10 - c) * 20, rel=1e-2)
    assert shapely.area(anywhere.sole[11]) == pytest.approx((10 - c) * 20, rel=1e-2)
    assert shapely.area(bed.sole).sum() == 0


def test_roof_and_foot_are_where_they_belong() -> None:
    scheme = scheme_of(table())
    full = shapely.area(all_of(scheme))
    assert np.flatnonzero(shapely.area(scheme.cap)).tolist() == [26, 27]
    assert np.flatnonzero(shapely.area(scheme.foot)).tolist() == [0, 1]
    np.testing.assert_allclose(shapely.area(scheme.cap)[26:28], full[26:28], rtol=1e-6)
    assert np.flatnonzero(shapely.area(scheme.body)).tolist() == list(range(2, 26))


def test_the_foot_widens_but_stays_clear_of_the_part() -> None:
    sections = table()
    scheme = scheme_of(sections, process=Process(structure=Structure(form="curtain")))
    foot = scheme.foot[0]
    assert foot.bounds[1] == pytest.approx(-1.0) and foot.bounds[3] == pytest.approx(21.0)
    for section, region in zip(sections, all_of(scheme), strict=True):
        if not region.is_empty:
            assert 0.4 <= section.distance(region) <= 0.4 + 2 * section_tolerance_mm(PLAIN)


def test_supports_without_a_piece_are_those_of_the_others_alone() -> None:
    """Two tables side by side, as designed: the second one's pieces left out, and never built."""
    one, process = table(leg_layers=20), Process()
    both = [s | shapely.affinity.translate(s, 60.0) for s in one]
    stack = stack_of(both, 0.2)
    need = need_map(stack, Laws(process))
    assert len(need.undersides) == 2
    whole = build_supports(stack, need, [Standing.BED] * 2, process)
    mine = np.array([piece.undersides == (1,) for piece in whole.scheme.pieces])
    assert 0 < mine.sum() < len(mine)
    left, alone = (
        whole.only(mine).scheme,
        build_scheme(stack, need, [Standing.BED, Standing.LEAVE], process),
    )
    np.testing.assert_allclose(shapely.area(all_of(left)), shapely.area(all_of(alone)), atol=1e-6)
    assert [(p.number, p.undersides, p.why) for p in left.pieces] == [
        (p.number, p.undersides, p.why) for p in alone.pieces
    ]
    assert left.strands.lengths_mm.sum() == pytest.approx(alone.strands.lengths_mm.sum(), rel=1e-6)
    np.testing.assert_array_equal(np.unique(left.face_piece), np.unique(alone.face_piece))
    assert solid(left).volume() == pytest.approx(solid(alone).volume(), rel=1e-4)


def test_none_gets_nothing_and_the_mesh_is_empty() -> None:
    scheme = scheme_of(table(), Standing.LEAVE)
    assert scheme.pieces == () and len(scheme.strands.layer) == 0 and scheme.vertices.shape == (0, 3)


def test_standings_must_match() -> None:
    stack = stack_of(table())
    with pytest.raises(FalseworkError, match="0 given for 1"):
        build_scheme(stack, need_map(stack, Laws(PLAIN)), [], PLAIN)


def test_lines_stand_on_each_other_at_the_asked_spacing() -> None:
    strands = scheme_of(table()).strands
    lines = strands.role == Role.LINE
    y = strands.ends_mm[lines]
    np.testing.assert_allclose(y[:, 1], y[:, 3], atol=1e-9)
    places = np.unique(np.round(y[:, 1], 6))
    np.testing.assert_allclose(np.diff(places), 2.0)
    for place in places:
        here = np.abs(y[:, 1] - place) < 1e-6
        assert strands.layer[lines][here].tolist() == list(range(2, 26))
    roof = strands.ends_mm[strands.role == Role.CAP]
    np.testing.assert_allclose(roof[:, 0], roof[:, 2], atol=1e-9)  # across the lines


def test_a_grid_crosses_and_a_perimeter_closes() -> None:
    structure = replace(PLAIN.structure, weave="crossed", perimeter_lines=1)
    strands = scheme_of(table(), process=replace(PLAIN, structure=structure)).strands
    assert set(np.unique(strands.role)) >= {Role.LINE, Role.CROSS, Role.PERIMETER}
    closed = strands.ends_mm[(strands.role == Role.PERIMETER) & (strands.layer == 10)]
    np.testing.assert_allclose(closed[:, 2:], np.roll(closed[:, :2], -1, axis=0))


def test_lines_end_within_the_closed_lines_around_them_and_bite_into_the_innermost() -> None:
    def begins_mm(closed: int) -> float:
        structure = replace(PLAIN.structure, perimeter_lines=closed)
        strands = scheme_of(table(), process=replace(PLAIN, structure=structure)).strands
        lines = strands.ends_mm[(strands.role == Role.LINE) & (strands.layer == 15)]
        return float(lines[:, [0, 2]].min())

    further = [begins_mm(closed) - begins_mm(0) for closed in (1, 2)]
    assert further == pytest.approx([0.75 * PLAIN.line_width_mm, 1.75 * PLAIN.line_width_mm])


def test_a_thin_column_does_not_vanish() -> None:
    sections = [shapely.box(0, 0, 3, 3)] * 40 + [shapely.box(0, 0, 3, 3) | shapely.box(3, 0, 5, 3)] * 3
    scheme = scheme_of(sections)
    body = shapely.area(scheme.body)
    assert (body[2:36] > 0).all()
    for i in range(2, 36):
        assert (scheme.strands.layer == i).any()
    assert solid(scheme).volume() > 0


def test_strands_lie_in_their_regions() -> None:
    discs = [shapely.Point(0, 0).buffer(4 + 0.35 * i) for i in range(30)]
    scheme = scheme_of([shapely.Point(0, 0).buffer(4)] * 10 + discs)
    regions = all_of(scheme)
    strands = scheme.strands
    lines = shapely.linestrings(strands.ends_mm.reshape(-1, 2, 2))
    for role, bead in ((Role.LINE, 0.45), (Role.PERIMETER, 0.35), (Role.CAP, 0.0), (Role.FOOT, 0.0)):
        mine = strands.role == role
        widths = shapely.buffer(lines[mine], 0.5 * bead, cap_style="square") if bead else lines[mine]
        outside = shapely.difference(widths, shapely.buffer(regions[strands.layer[mine]], 0.06))
        assert shapely.area(outside).max(initial=0) < 1e-6 and shapely.length(outside).max(initial=0) < 1e-3


@pytest.mark.parametrize(("leg_layers", "top_layers"), [(1, 1), (1, 2), (2, 1), (3, 1)])
def test_a_part_of_fewer_layers_than_gap_and_interface(leg_layers, top_layers) -> None:
    structure = replace(PLAIN.structure, interface_layers=6, interface_layers_below=6)
    scheme = scheme_of(table(leg_layers, top_layers), process=replace(PLAIN, structure=structure))
    standing = leg_layers - 2  # two layers of gap
    assert (shapely.area(all_of(scheme)) > 0).sum() == max(standing, 0)


def cone(layers, slope):
    return [shapely.Point(0, 0).buffer(2.0 + slope * 0.2 * i, quad_segs=32) for i in range(layers)]


def sphere(radius, layer_mm=0.2):
    z = np.arange(0.5 * layer_mm, 2 * radius, layer_mm)
    r = np.sqrt(radius**2 - (z - radius) ** 2)
    return [shapely.Point(0, 0).buffer(s, quad_segs=32) for s in r]


def torus(major, minor, layer_mm=0.2):
    z = np.arange(0.5 * layer_mm, 2 * minor, layer_mm)
    w = np.sqrt(minor**2 - (z - minor) ** 2)
    ring = shapely.Point(0, 0)
    return [ring.buffer(major + s, quad_segs=32) - ring.buffer(major - s, quad_segs=32) for s in w]


@pytest.mark.parametrize(
    "sections", [cone(50, 1.6), sphere(10), torus(15, 6)], ids=["cone", "sphere", "torus"]
)
def test_swept_volume_agrees_with_columns(sections) -> None:
    """Brute force: every column of a grid walked from each strip to the part. Within 6 %, round outlines on
    the small side: simplified ones stray inwards by up to a third of a line width, less than holds."""
    from falsework.support.sweep import sweep_columns

    stack = stack_of(sections)
    need = need_map(stack, Laws(PLAIN))
    swept = sweep_columns(stack, need, [Standing.BED_OR_PART] * len(need.undersides), PLAIN).columns
    x0, y0, x1, y1 = shapely.total_bounds(stack.regions)
    x, y = (g.ravel() for g in np.meshgrid(np.arange(x0, x1, 0.25), np.arange(y0, y1, 0.25)))
    under, columns = np.zeros(len(x), dtype=bool), 0
    for i in range(stack.count - 2, -1, -1):
        for strip in need.regions[need.region_layer == i + 1]:
            under |= shapely.contains_xy(strip, x, y)
        under &= ~shapely.contains_xy(sections[i], x, y)
        columns += under.sum()
    assert columns > 1000
    assert shapely.area(swept).sum() == pytest.approx(columns * 0.25**2, rel=0.06)


@pytest.mark.parametrize(
    "mesh",
    [
        trimesh.creation.icosphere(subdivisions=4, radius=10),
        trimesh.creation.torus(12, 5),
        trimesh.boolean.union(
            [
                trimesh.creation.box(bounds=[[0, 0, 0], [30, 20, 2]]),
                trimesh.creation.box(bounds=[[0, 0, 0], [4, 20, 14]]),
                trimesh.creation.box(bounds=[[0, 0, 12], [30, 20, 14]]),
            ],
            engine="manifold",
        ),
    ],
    ids=["sphere", "torus", "shelf"],
)
@pytest.mark.parametrize("gap_layers", [1.0, 2.0])
def test_the_mesh_is_closed_and_keeps_off_the_part(mesh, gap_layers) -> None:
    from falsework.layers.slicing import layer_boundaries, stack_layers
    from falsework.part.part import Part

    vertices = mesh.vertices - [0, 0, mesh.vertices[:, 2].min()]
    part = Part("shape", np.ascontiguousarray(vertices), mesh.faces.astype(np.int32))
    stack = stack_layers(part, layer_boundaries(float(vertices[:, 2].max()), 0.2, 0.2))
    process = replace(PLAIN, structure=replace(PLAIN.structure, air_gap_layers=gap_layers))
    need = need_map(stack, Laws(process))
    scheme = build_scheme(stack, need, [Standing.BED_OR_PART] * len(need.undersides), process)
    support = solid(scheme)
    assert support.status() == m3.Error.NoError and support.volume() > 10
    closed = trimesh.Trimesh(scheme.vertices, scheme.faces, process=False)
    assert closed.is_watertight and closed.is_winding_consistent
    body = m3.Manifold(m3.Mesh64(part.vertices, part.faces.astype(np.uint64)))
    assert (support ^ body).volume() <= 1e-6 * support.volume()
    assert len(scheme.face_piece) == len(scheme.faces)
    assert set(scheme.face_piece) == set(range(len(scheme.pieces)))


def test_a_tall_support_of_lines_is_tied() -> None:
    scheme = scheme_of(table(leg_layers=200))
    piece = scheme.pieces[0]
    assert piece.remedy.startswith("lines tied every") and not piece.weak
    assert piece.slenderness <= PLAIN.structure.wall_slenderness
    assert (scheme.strands.role == Role.CROSS).any()


def test_costs_add_up_to_the_strands() -> None:
    from falsework.cost import Laying

    stack = stack_of(table(step_layers=10))
    scheme = scheme_of(table(step_layers=10))
    laying = Laying(PLAIN, PLAIN.support_speed_mm_s)
    volumes = laying.volumes_mm3(scheme.strands.lengths_mm, scheme.strands.layer, stack.heights_mm)
    assert sum(p.cost.volume_mm3 for p in scheme.pieces) == pytest.approx(volumes.sum())
    least_s = scheme.strands.lengths_mm.sum() / PLAIN.support_speed_mm_s
    assert least_s < sum(p.cost.time_s for p in scheme.pieces) < 3.0 * least_s
