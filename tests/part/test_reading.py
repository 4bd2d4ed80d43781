"""Reading every format, units and their guesses, and real meshes with their quirks."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import lib3mf
import numpy as np
import pytest
import trimesh

from falsework.errors import Cancelled, PartError
from falsework.part import read_part
from falsework.part.units import guess_unit
from falsework.watch import Watch
from solids import box
from stl_bytes import binary_stl, text_stl

DATA = Path(__file__).parents[1] / "data"
SIZE = (40.0, 30.0, 20.0)


@pytest.fixture
def corners():
    vertices, faces = box(SIZE)
    return vertices[faces]


def said(part, what):
    return [f for f in part.health.findings if f.what == what]


def write(path, content):
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def is_the_box(part):
    return part.health.clean and part.size_mm == pytest.approx(SIZE, rel=1e-6)


@pytest.mark.parametrize("header", [b"plain", b"solid like a text file, facet normal"])
def test_binary_stl_is_known_by_its_size(tmp_path, corners, header):
    part = read_part(write(tmp_path / "a.stl", binary_stl(corners, header)))
    assert is_the_box(part) and part.name == "a" and part.volume_mm3 == 24000


def test_text_stl_of_two_solids_names_its_sets(tmp_path, corners):
    text = text_stl(corners, "left") + text_stl(corners + np.array([50, 0, 0]), "right").upper()
    part = read_part(write(tmp_path / "a.stl", text))
    assert list(part.face_sets) == ["left", "RIGHT"]
    assert part.health.closed and part.health.bodies == 2
    assert part.vertices[part.faces[part.face_sets["RIGHT"]]].min() == 0.0
    assert part.vertices[part.faces[part.face_sets["RIGHT"]]][..., 0].min() == 50.0


def test_text_and_binary_give_the_same_part(tmp_path, corners):
    corners = corners.astype(np.float32).astype(float) * np.float32(1.1)
    a = read_part(write(tmp_path / "a.stl", text_stl(corners.astype(np.float32))))
    b = read_part(write(tmp_path / "b.stl", binary_stl(corners)))
    assert a.vertices == pytest.approx(b.vertices, rel=1e-7) and np.array_equal(a.faces, b.faces)


@pytest.mark.parametrize("kind", ["obj", "ply", "off"])
def test_meshes_of_other_formats(tmp_path, kind):
    mesh = trimesh.Trimesh(*box(SIZE), process=False)
    part = read_part(write(tmp_path / f"a.{kind}", mesh.export(file_type=kind)))
    assert is_the_box(part) and said(part, "unit guessed")


def test_gltf_is_metres_and_y_up_and_its_nodes_are_placed(tmp_path):
    scene = trimesh.Scene()
    mesh = trimesh.Trimesh(*box((0.04, 0.02, 0.03)), process=False)
    scene.add_geometry(mesh, node_name="one", geom_name="hook")
    scene.add_geometry(mesh, node_name="two", geom_name="plate", transform=np.diag([-1.0, 1, 1, 1]))
    for name in ("a.glb", "a.gltf"):
        if name.endswith("glb"):
            write(tmp_path / name, scene.export(file_type="glb"))
        else:
            for file, content in scene.export(file_type="gltf").items():
                write(tmp_path / file, content)
            (tmp_path / "model.gltf").rename(tmp_path / name)
        part = read_part(tmp_path / name)
        # y up becomes z up: height 0.02 m along y is 20 mm along z; the mirrored twin joins at x = 0.
        assert part.size_mm == pytest.approx((80, 30, 20), rel=1e-6)
        assert part.bounds_mm[0] == pytest.approx((-40, -30, 0), abs=1e-5)
        assert part.volume_mm3 == pytest.approx(48000, rel=1e-6)
        assert part.unit == "m" and set(part.face_sets) == {"hook", "plate"}


def test_a_node_of_many_shapes_is_read_the_same_every_time(tmp_path):
    """The reading library names such shapes by chance: digest, order and every later byte must not follow."""
    scene = trimesh.Scene()
    for k in range(12):
        vertices, faces = box((0.01, 0.02, 0.01 + 0.001 * k))
        mesh = trimesh.Trimesh(vertices + np.array([0.02 * k, 0, 0]), faces, process=False)
        scene.add_geometry(mesh, geom_name=f"s{k}")
    files = scene.export(file_type="gltf")
    model = json.loads(files["model.gltf"])
    model["meshes"] = [{"name": "lamp", "primitives": [m["primitives"][0] for m in model["meshes"]]}]
    model["nodes"] = [{"name": "lamp", "mesh": 0}]
    model["scenes"] = [{"nodes": [0]}]
    for file, content in files.items():
        write(tmp_path / file, content)
    write(tmp_path / "model.gltf", json.dumps(model))
    first, again = read_part(tmp_path / "model.gltf"), read_part(tmp_path / "model.gltf")
    assert first.digest == again.digest and np.array_equal(first.faces, again.faces)


def package(path, unit, *, support=True):
    """A 3MF with a component placed twice, once mirrored, and a support object."""
    library = lib3mf.get_wrapper()
    model = library.CreateModel()
    model.SetUnit(unit)
    vertices, faces = box((4.0, 3.0, 2.0))

    def add(name):
        mesh = model.AddMeshObject()
        mesh.SetName(name)
        points = [lib3mf.Position((x, y, z)) for x, y, z in vertices.tolist()]
        mesh.SetGeometry(points, [lib3mf.Triangle(tuple(f)) for f in faces.tolist()])
        return mesh

    def at(x, scale=(1.0, 1.0, 1.0)):
        transform = library.GetIdentityTransform()
        for k in range(3):
            transform.Fields[k][k] = scale[k]
        transform.Fields[3][0] = x
        return transform

    body = add("body")
    group = model.AddComponentsObject()
    group.AddComponent(body, at(1.0))
    group.AddComponent(body, at(-1.0, (-1.0, 1.0, 1.0)))
    model.AddBuildItem(group, at(100.0, (2.0, 2.0, 2.0)))
    if support:
        extra = add("prop")
        extra.SetType(lib3mf.ObjectType.Support)
        model.AddBuildItem(extra, at(0.0))
    model.QueryWriter("3mf").WriteToFile(str(path))
    return path


@pytest.mark.parametrize(
    ("unit", "name", "mm"),
    [
        ("MicroMeter", "um", 1e-3),
        ("MilliMeter", "mm", 1),
        ("CentiMeter", "cm", 10),
        ("Inch", "inch", 25.4),
        ("Foot", "foot", 304.8),
        ("Meter", "m", 1000),
    ],
)
def test_3mf_units_components_transforms_and_supports(tmp_path, unit, name, mm):
    scale = 0.02 if mm > 1 else 1.0
    part = read_part(package(tmp_path / "a.3mf", getattr(lib3mf.ModelUnit, unit)), scale=scale)
    mm *= scale
    # Two boxes of 8 x 6 x 4 on either side of x = 100, 4 apart.
    assert part.bounds_mm == pytest.approx(np.array([[90, 0, 0], [110, 6, 4]]) * mm, rel=1e-6)
    assert part.volume_mm3 == pytest.approx(2 * 192 * mm**3, rel=1e-6)
    assert part.health.closed and part.health.bodies == 2
    assert part.unit == name
    assert list(part.face_sets) == ["body", "body (2)"]
    assert said(part, "support objects")[0].count == 1


def test_a_unit_asked_for_replaces_the_files_own(tmp_path):
    path = package(tmp_path / "a.3mf", lib3mf.ModelUnit.Inch, support=False)
    part = read_part(path, unit="mm")
    assert part.size_mm == pytest.approx((20, 6, 4)) and "inch" in said(part, "unit replaced")[0].done


@pytest.mark.parametrize(
    ("extent", "unit", "serious"),
    [
        (0.2, "m", False),
        (0.001, "mm", True),
        (1.775, "inch", True),
        (4.0, "mm", True),
        (60.0, "mm", False),
        (1500.0, "mm", False),
        (3000.0, "mm", True),
        (80_000.0, "um", True),
    ],
)
def test_the_unit_is_guessed_from_the_size_and_always_told(extent, unit, serious):
    guessed, finding = guess_unit(extent)
    assert (guessed, finding.serious) == (unit, serious)
    assert unit in finding.done


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1), ("cm", 10), ("inch", 25.4), ("um", 1e-3)])
def test_unit_and_scale_multiply(tmp_path, corners, unit, mm):
    part = read_part(write(tmp_path / "a.stl", binary_stl(corners)), unit=unit, scale=0.5)
    assert part.size_mm == pytest.approx(np.array(SIZE) * 0.5 * mm)
    assert part.unit == unit and part.health.findings == ()


def test_a_wrong_extension_is_announced(tmp_path, corners):
    for name in ("a.obj", "a", "a.3mf", "a.txt"):
        part = read_part(write(tmp_path / name, binary_stl(corners)))
        assert "STL" in said(part, "misleading file name")[0].done


def test_surplus_bytes_are_a_finding(tmp_path, corners):
    part = read_part(write(tmp_path / "a.stl", binary_stl(corners) + b"12345"))
    assert said(part, "surplus bytes")[0].count == 5 and is_the_box(part)


def test_reading_can_be_stopped_and_tells_its_steps(tmp_path, corners):
    path = write(tmp_path / "a.stl", binary_stl(corners))
    steps = []
    read_part(path, watch=Watch(tell=lambda step, done: steps.append(done)))
    assert steps[0] == 0.0 and steps[-1] == 1.0 and steps == sorted(steps)
    with pytest.raises(Cancelled):
        read_part(path, watch=Watch(stop=lambda: len(steps) > 0))


def test_step_says_how_to_install_what_it_needs(tmp_path, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    path = write(tmp_path / "a.step", "ISO-10303-21;\n")
    with pytest.raises(PartError, match=r"pip install 'falsework\[step\]'"):
        read_part(path)


# file, closed, bodies, largest extent in mm (the files' own figures); volumes: see tests/outside.
REAL = [
    ("so101_gauge_tight.stl", True, 1, 51.114),
    ("so101_webcam_mount.stl", True, 1, 62.679),
    ("odri_upper_leg_metres.stl", True, 1, 199.45),
    ("torus.3mf", True, 1, 24.0),
    ("nut.ply", True, 1, 46.037),
    ("ant.ply", True, 15, 33.56),
    ("spot.obj", True, 1, 45.075),
    ("wuson.stl", False, None, 3.244),
]


@pytest.mark.parametrize(("name", "closed", "bodies", "extent"), REAL)
def test_real_meshes(name, closed, bodies, extent):
    part = read_part(DATA / name)
    assert part.health.closed is closed
    assert bodies is None or part.health.bodies == bodies
    assert part.size_mm.max() == pytest.approx(extent, abs=0.01)
    assert part.volume_mm3 > 0


def test_the_crossing_legs_of_the_ant_are_counted_and_the_open_figure_says_where():
    assert read_part(DATA / "ant.ply").health.self_intersections == 80
    open_edges = said(read_part(DATA / "wuson.stl"), "open edges")[0]
    assert open_edges.serious and open_edges.where_mm is not None


def test_the_same_file_gives_the_same_part(tmp_path):
    copy = shutil.copy(DATA / "wuson.stl", tmp_path / "other.stl")
    assert read_part(DATA / "wuson.stl") == read_part(copy)
    assert read_part(DATA / "wuson.stl").health == read_part(copy).health


def test_gltf_json_is_recognised_by_content(tmp_path):
    path = write(tmp_path / "a.txt", json.dumps({"asset": {"version": "2.0"}}))
    with pytest.raises(PartError, match="no triangles"):
        read_part(path)
