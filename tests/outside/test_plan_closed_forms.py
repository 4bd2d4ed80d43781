"""The whole plan against closed forms, common practice, the 3MF standard and two libraries.

Each test names its source. Solids are made by manifold3d, so no file and no healing stands between the
drawing and the plan, except where files are the point.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import lib3mf
import manifold3d as m3
import numpy as np
import pytest
import shapely

from falsework import FalseworkError, Plan, UndersideKind, load_process, plan, write_3mf
from falsework.part.demo import demo_parts
from falsework.part.part import Part
from falsework.process import override
from falsework.support.bulk import section_tolerance_mm

DATA = Path(__file__).parents[1] / "data"
MESHES = tuple(sorted(p.name for p in DATA.iterdir() if p.suffix != ".md"))
BARE_FOOT = override(
    load_process("pla-0.4"), {"structure.form": "curtain", "structure.foot_widening_mm": "0"}
)
SIDE_MM = 0.4 + section_tolerance_mm(BARE_FOOT)  # side gap asked for, and what sections may be simplified by


def block(low, high) -> m3.Manifold:
    return m3.Manifold.cube(np.subtract(high, low).tolist()).translate(list(low))


def drawn(solid: m3.Manifold) -> Part:
    mesh = solid.to_mesh64()
    vertices = np.ascontiguousarray(mesh.vert_properties[:, :3], dtype=np.float64)
    return Part("drawn", vertices, mesh.tri_verts.astype(np.int32))


def two_walls(span_mm: float = 30.0, under_mm: float = 16.0) -> m3.Manifold:
    """A slab 4 mm thick and 20 mm deep on two walls 5 mm thick."""
    far = 5.0 + span_mm
    walls = block((0, 0, 0), (5, 20, under_mm)) + block((far, 0, 0), (far + 5, 20, under_mm))
    return walls + block((0, 0, under_mm), (far + 5, 20, under_mm + 4))


def leaning(degrees: float, height_mm: float) -> m3.Manifold:
    """A wall 10 mm thick and 30 mm long that leans over by an angle from the vertical."""
    shear = [[1, 0, math.tan(math.radians(degrees)), 0], [0, 1, 0, 0], [0, 0, 1, 0]]
    return m3.Manifold.cube([10.0, 30.0, height_mm]).transform(shear)


def support_volume_mm3(result: Plan) -> float:
    """Volume of the ground that supports stand on, with the air between their lines."""
    scheme, stack = result.geometry.scheme, result.geometry.stack
    regions = shapely.union_all(np.array([scheme.body, scheme.cap, scheme.sole, scheme.foot]), axis=0)
    return float(shapely.area(regions) @ np.diff(stack.z_mm))


# --- closed forms -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 30.0])
@pytest.mark.parametrize("span_mm", [7.5, 30.0])
def test_a_slab_on_two_walls_bridges_exactly_the_clear_span(span_mm: float, turn_deg: float) -> None:
    """Closed form: span = distance between the walls, area = span × depth. Tolerance: rounding of a turn."""
    result = plan(drawn(two_walls(span_mm)), turn_deg=(0.0, 0.0, turn_deg), standing="leave", release=False)
    (under,) = result.undersides
    assert under.kind is UndersideKind.BRIDGE
    assert under.span_mm == pytest.approx(span_mm, abs=1e-5)
    assert under.area_mm2 == pytest.approx(20.0 * span_mm, rel=1e-5)
    assert under.height_mm == pytest.approx(16.0, abs=1e-9)
    assert under.angle_deg == pytest.approx(90.0)
    assert abs((under.span_direction_deg - turn_deg + 90.0) % 180.0 - 90.0) < 0.5
    assert result.pieces == () and result.support_cost.mass_g == 0.0


@pytest.mark.parametrize("standing", ["bed", "bed-or-part"])
def test_support_between_two_walls_fills_the_cavity_less_its_gaps(standing: str) -> None:
    """Closed form: (30 − 2 side gaps) × 20 × (16 − air gap). Tolerance 1e-6: joints of strips."""
    result = plan(drawn(two_walls()), BARE_FOOT, standing=standing, release=False)
    assert support_volume_mm3(result) == pytest.approx((30 - 2 * SIDE_MM) * 20 * (16 - 0.4), rel=1e-6)
    (piece,) = result.pieces
    assert piece.scar_mm2 == 0.0
    assert piece.foot_mm2 == pytest.approx((30 - 2 * SIDE_MM) * 20, rel=1e-6)


def test_over_a_shelf_bed_only_leaves_what_anywhere_carries() -> None:
    """Closed form: a shelf 15 mm wide and 6 mm high takes half of a cavity 30 mm wide.

    Bed only: the 15 mm beside the shelf less a side gap at both ends, over the whole height less the air gap.
    Anywhere: the same up to the shelf; one layer of gap above it, where the support may come within half
    the side gap (0.2 mm) of the shelf's edge; from there the whole cavity. Tolerance 1e-6: joints of strips.
    """
    solid = drawn(two_walls() + block((0, 0, 0), (20, 20, 6)))
    bed, anywhere = (plan(solid, BARE_FOOT, standing=s, release=False) for s in ("bed", "bed-or-part"))
    assert anywhere.gap_below.realised_mm == pytest.approx(0.2)
    beside = 15 - 2 * SIDE_MM
    assert support_volume_mm3(bed) == pytest.approx(beside * 20 * 15.6, rel=1e-6)
    layers = beside * 6.0 + (15 - SIDE_MM - 0.2) * 0.2 + (30 - 2 * SIDE_MM) * (15.6 - 6.2)
    assert support_volume_mm3(anywhere) == pytest.approx(layers * 20, rel=1e-6)
    assert sum(p.scar_mm2 for p in bed.pieces) == 0.0
    assert sum(p.scar_mm2 for p in anywhere.pieces) == pytest.approx((15 - SIDE_MM) * 20, rel=1e-6)
    # What is chosen by: columns without gaps, sampled; tolerance 1 % as stated by the sampler.
    for result in (bed, anywhere):
        (choice,) = result.choices
        none, on_bed, on_all = choice.options
        assert (none.left_mm2, on_bed.left_mm2) == pytest.approx((600.0, 300.0), rel=0.01)
        assert on_all.left_mm2 == pytest.approx(0.0, abs=1e-6)
        assert on_all.scar_mm2 == pytest.approx(300.0, rel=0.01)


# --- common practice --------------------------------------------------------------------------------------


def with_limit(degrees: float):
    """Lines 0.4 mm wide at the layer height that puts the limit at an angle from the vertical.

    Half the line width is the reach; at 45° the layer is half as high as the line is wide.
    """
    height = f"{0.2 / math.tan(math.radians(degrees)):.12g}"
    changed = {"line_width_mm": "0.4", "layer_height_mm": height, "first_layer_height_mm": height}
    return override(load_process("pla-0.4"), changed)


@pytest.mark.parametrize(
    ("limit_deg", "lean_deg", "needs"),
    [
        (45.0, 30.0, False),
        (45.0, 44.5, False),
        (45.0, 45.0, False),
        (45.0, 46.0, True),
        (45.0, 60.0, True),
        (30.0, 29.5, False),
        (30.0, 31.0, True),
        (60.0, 59.5, False),
        (60.0, 61.0, True),
    ],
)
def test_a_leaning_wall_on_either_side_of_the_limit(limit_deg: float, lean_deg: float, needs: bool) -> None:
    """Common practice, no source: overhangs to 45° from the vertical print without support.

    30° and 60° tell an angle from the vertical from one from the horizontal, which agree at 45°.
    """
    process = with_limit(limit_deg)
    solid = drawn(leaning(lean_deg, 60 * process.layer_height_mm))
    result = plan(solid, process, standing="bed-or-part", release=False)
    assert result.limit_deg == pytest.approx(limit_deg, abs=1e-6)
    counted = [u for u in result.undersides if u.kind is not UndersideKind.HOLDS]
    assert len(counted) == len(result.undersides) == needs
    if needs:
        assert counted[0].angle_deg == pytest.approx(lean_deg, abs=0.05)
    else:
        assert result.pieces == () and sum(result.layers.need_mm2) == 0.0


@pytest.mark.parametrize(
    ("name", "layer_mm", "gap_mm"), [("pla-0.4", 0.2, 0.4), ("pla-1.2", 0.9, 1.8), ("pla-0.25", 0.1, 0.2)]
)
def test_the_air_gap_is_twice_the_layer_height_in_the_mesh(name: str, layer_mm: float, gap_mm: float) -> None:
    """Common practice, no source: 0.2 → 0.4 mm and 0.9 → 1.8 mm. Tolerance: rounding of whole layers."""
    changed = {"layer_height_mm": str(layer_mm), "first_layer_height_mm": str(layer_mm)}
    process = override(load_process(name), changed)
    under_mm = 20 * layer_mm
    result = plan(drawn(two_walls(30.0, under_mm)), process, standing="bed-or-part", release=False)
    assert result.gap.asked_mm == result.gap.realised_mm == pytest.approx(gap_mm, abs=1e-12)
    assert result.gap.layers == 2
    top_mm = result.geometry.scheme.vertices[:, 2].max()
    assert under_mm - top_mm == pytest.approx(gap_mm, abs=1e-9)
    assert result.pieces[0].top_mm == pytest.approx(under_mm - gap_mm, abs=1e-9)


# --- 3MF Core Specification, read by the consortium's own library -------------------------------------------


def float32_arrays(mesh) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) vertices and (m, 3) faces of a mesh object of lib3mf."""
    # A list of ctypes structures; one by one they would take seconds for the gull.
    corners, triangles = mesh.GetVertices(), mesh.GetTriangleIndices()
    vertices = np.frombuffer((type(corners[0]) * len(corners))(*corners), np.float32).reshape(-1, 3)
    faces = np.frombuffer((type(triangles[0]) * len(triangles))(*triangles), np.uint32).reshape(-1, 3)
    return vertices, faces.astype(np.int64)


@pytest.mark.parametrize("name", sorted(demo_parts().keys() - {"lamp bracket"}))  # which takes longest
def test_lib3mf_reads_every_demo_part_and_gives_the_same_meshes(name: str, tmp_path: Path) -> None:
    """3MF Core Specification, in the reader's strict mode.

    Faces exactly, corners within the 5e-6 mm of the decimals written and the step of a 32-bit float.
    """
    result = plan(demo_parts()[name](), release=False)
    write_3mf(tmp_path / "print.3mf", result)
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(tmp_path / "print.3mf"))
    assert [reader.GetWarning(k) for k in range(reader.GetWarningCount())] == []
    objects, found = model.GetMeshObjects(), []
    while objects.MoveNext():
        found.append(objects.GetCurrentMeshObject())
    part, scheme = result.geometry.part, result.geometry.scheme
    expected = [part.vertices[part.faces]]
    expected += [scheme.vertices[scheme.faces[scheme.face_piece == k]] for k in range(len(result.pieces))]
    assert len(found) == len(expected)
    assert found[0].IsManifoldAndOriented()
    for mesh, corners in zip(found, expected, strict=True):
        vertices, faces = float32_arrays(mesh)
        assert faces.shape == (len(corners), 3)
        np.testing.assert_allclose(vertices[faces], corners, rtol=1.2e-7, atol=5.1e-6)


# --- every mesh of tests/data -------------------------------------------------------------------------------


@cache
def planned(name: str) -> Plan | FalseworkError:
    try:
        return plan(DATA / name, standing="bed-or-part", release=False)
    except FalseworkError as error:
        return error


@pytest.mark.parametrize("name", MESHES)
def test_every_mesh_gives_a_plan_that_reads_back_or_one_clear_sentence(name: str) -> None:
    result = planned(name)
    if isinstance(result, FalseworkError):
        assert name in str(result) and result.cure and "\n" not in str(result)
        return
    text = result.to_json()
    again = Plan.from_json(text)
    assert again == result
    assert again.to_json() == text
    assert result.part_cost.mass_g > 0 and result.layers.count > 0
    assert all(math.isfinite(u.droop_mm.value) and u.area_mm2 > 0 for u in result.undersides)


def test_supports_and_part_have_nothing_in_common() -> None:
    """manifold3d: the solid intersection of every shell of support with the part is empty.

    Shells of support overlap each other on purpose, so they are taken one by one. No tolerance.
    """
    judged = []
    for name in MESHES:
        result = planned(name)
        if isinstance(result, FalseworkError) or not result.pieces:
            continue
        geometry = result.geometry
        part = m3.Manifold(m3.Mesh64(geometry.part.vertices, geometry.part.faces.astype(np.uint64)))
        if part.status() != m3.Error.NoError:
            continue
        scheme = geometry.scheme
        support = m3.Manifold(m3.Mesh64(scheme.vertices, scheme.faces.astype(np.uint64)))
        assert support.status() == m3.Error.NoError, name
        shells = support.decompose()
        assert min(shell.volume() for shell in shells) > 0, name
        assert sum((shell ^ part).volume() for shell in shells) == 0.0, name
        judged.append(name)
    assert len(judged) >= 5, judged


# --- the same bytes -----------------------------------------------------------------------------------------


def test_plan_json_has_the_same_bytes_whatever_the_threads_and_the_hashes() -> None:
    """Two processes with other numbers of threads, other hash seeds and another locale."""
    code = (
        "import sys\nfrom falsework import plan\n"
        f"sys.stdout.buffer.write(plan({str(DATA / 'odri_upper_leg_metres.stl')!r}).to_json().encode())"
    )
    outputs = []
    for threads, seed, locale in (("1", "1", "C"), ("2", "2", "C.UTF-8")):
        environment = {
            **os.environ,
            "OPENBLAS_NUM_THREADS": threads,
            "OMP_NUM_THREADS": threads,
            "NUMBA_NUM_THREADS": threads,
            "PYTHONHASHSEED": seed,
            "LC_ALL": locale,
        }
        done = subprocess.run(
            [sys.executable, "-c", code], env=environment, capture_output=True, timeout=300, check=True
        )
        outputs.append(done.stdout)
    assert outputs[0] == outputs[1]
    read = Plan.from_json(outputs[0].decode())
    here = plan(DATA / "odri_upper_leg_metres.stl")
    assert read == here
