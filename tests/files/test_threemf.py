"""3MF files read back by two independent readers: lib3mf (the consortium's own) and trimesh.

Meshes are compared exactly, up to the 32-bit floats that lib3mf keeps.
"""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import lib3mf
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.errors import OutputError
from falsework.files.threemf import _rounded, write_3mf
from falsework.planning.value import Plan
from falsework.support.scheme import SupportMesh
from plans import box, bracket_plan

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"


def read_with_lib3mf(path: Path):
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0, [reader.GetWarning(k) for k in range(reader.GetWarningCount())]
    return model


def meshes(model) -> list:
    found, objects = [], model.GetMeshObjects()
    while objects.MoveNext():
        found.append(objects.GetCurrentMeshObject())
    return found


def arrays(mesh) -> tuple[np.ndarray, np.ndarray]:
    vertices = np.array([v.Coordinates for v in mesh.GetVertices()], dtype=np.float32).reshape(-1, 3)
    faces = np.array([t.Indices for t in mesh.GetTriangleIndices()], dtype=np.int64).reshape(-1, 3)
    return vertices, faces


def document(path: Path) -> ElementTree.Element:
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        return ElementTree.fromstring(package.read("3D/3dmodel.model"))


@pytest.mark.parametrize(
    ("supports_as", "kind"),
    [
        ("support", lib3mf.ObjectType.Support),
        ("solidsupport", lib3mf.ObjectType.SolidSupport),
        ("model", lib3mf.ObjectType.Model),
    ],
)
def test_lib3mf_reads_part_and_pieces_exactly(tmp_path: Path, supports_as, kind) -> None:
    plan = bracket_plan()
    write_3mf(tmp_path / "print.3mf", plan, supports_as=supports_as)
    model = read_with_lib3mf(tmp_path / "print.3mf")
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    part, *supports = meshes(model)
    assert (part.GetType(), part.GetName(), part.GetPartNumber()) == (
        lib3mf.ObjectType.Model,
        "lamp bracket",
        "part",
    )
    assert part.IsManifoldAndOriented()
    vertices, faces = arrays(part)
    np.testing.assert_array_equal(vertices, plan.geometry.part.vertices.astype(np.float32))
    np.testing.assert_array_equal(faces, plan.geometry.part.faces)
    assert [s.GetType() for s in supports] == [kind, kind]
    assert [s.GetPartNumber() for s in supports] == ["support-1", "support-2"]
    assert supports[0].GetName() == "support 1 under 1"
    for k, support in enumerate(supports):
        assert support.IsManifoldAndOriented()
        vertices, faces = arrays(support)
        scheme = plan.geometry.scheme
        np.testing.assert_array_equal(
            vertices[faces], scheme.vertices.astype(np.float32)[scheme.faces[scheme.face_piece == k]]
        )


def test_one_build_item_and_supports_only_beside_the_part(tmp_path: Path) -> None:
    """3MF Core: a support object is referenced only within components that also hold what it supports."""
    write_3mf(tmp_path / "print.3mf", bracket_plan())
    root = document(tmp_path / "print.3mf")
    objects = {o.get("id"): o for o in root.iter(f"{CORE}object")}
    (item,) = root.iter(f"{CORE}item")
    top = objects[item.get("objectid")]
    assert top.get("type") == "model"
    assert [objects[c.get("objectid")].get("type") for c in top.iter(f"{CORE}component")] == [
        "model",
        "support",
        "support",
    ]
    assert list(objects) == ["1", "2", "3", "4"]  # what is referenced comes first


def test_nothing_to_support_means_no_support_object(tmp_path: Path) -> None:
    write_3mf(tmp_path / "print.3mf", bracket_plan(supported=False))
    model = read_with_lib3mf(tmp_path / "print.3mf")
    assert len(meshes(model)) == 1
    root = document(tmp_path / "print.3mf")
    assert [o.get("type") for o in root.iter(f"{CORE}object")] == ["model"]
    assert len(list(root.iter(f"{CORE}item"))) == 1


def test_trimesh_reads_the_same_solids(tmp_path: Path) -> None:
    import trimesh

    plan = bracket_plan()
    write_3mf(tmp_path / "print.3mf", plan)
    scene = trimesh.load(tmp_path / "print.3mf", process=False)
    volumes = sorted(g.volume for g in scene.geometry.values())
    # bracket 20 × (10·25 + 50·5), blocks 10·14·24.6 and 15·14·24.6; only float64 rounding
    assert volumes == pytest.approx([3444.0, 5166.0, 10000.0], rel=1e-9)
    assert scene.units in ("millimeter", None)  # the oldest that is allowed keeps none


@pytest.mark.parametrize(
    "name", ["gull & \"cowl\" <2> 'x'", "Öse – 3½″", "tab\tnew\nline", "bell\x07 and half \udcff", "]]>", " "]
)
def test_any_name_is_carried_or_mended(tmp_path: Path, name: str) -> None:
    write_3mf(tmp_path / "print.3mf", bracket_plan(name))
    part = meshes(read_with_lib3mf(tmp_path / "print.3mf"))[0]
    mended = str.maketrans({"\x07": "\ufffd", "\udcff": "\ufffd", "\t": " ", "\n": " "})
    assert part.GetName() == name.translate(mended)


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    write_3mf(tmp_path / "a.3mf", bracket_plan())
    write_3mf(tmp_path / "b.3mf", bracket_plan())
    assert (tmp_path / "a.3mf").read_bytes() == (tmp_path / "b.3mf").read_bytes()


def test_package_has_the_parts_that_the_standard_asks_for(tmp_path: Path) -> None:
    write_3mf(tmp_path / "print.3mf", bracket_plan())
    with zipfile.ZipFile(tmp_path / "print.3mf") as package:
        assert package.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
        assert {i.date_time for i in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        relations = ElementTree.fromstring(package.read("_rels/.rels"))
    assert [r.get("Target") for r in relations] == ["/3D/3dmodel.model"]


def test_a_plan_without_geometry_is_refused(tmp_path: Path) -> None:
    bare = replace(bracket_plan(), geometry=None)
    with pytest.raises(OutputError, match="holds no geometry"):
        write_3mf(tmp_path / "print.3mf", bare)
    assert list(tmp_path.iterdir()) == []


def test_a_piece_without_a_mesh_is_never_left_out_silently(tmp_path: Path) -> None:
    plan = bracket_plan()
    scheme = plan.geometry.scheme
    first = SupportMesh(scheme.vertices, scheme.faces[:12], scheme.face_piece[:12])
    first_only = replace(scheme, mesher=lambda: first)
    broken = replace(plan, geometry=replace(plan.geometry, scheme=first_only))
    with pytest.raises(RuntimeError, match="support piece 2"):
        write_3mf(tmp_path / "print.3mf", broken)
    assert list(tmp_path.iterdir()) == []


def test_unknown_way_of_writing_supports_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="support, solidsupport, model"):
        write_3mf(tmp_path / "print.3mf", bracket_plan(), supports_as="other")  # type: ignore[arg-type]


def test_rounding_leaves_no_edge_without_length() -> None:
    vertices, faces = box((0.0, 0.0, 0.0), (1.0, 1.0, 3e-7))
    rounded = _rounded(vertices, faces.astype(np.int64))
    np.testing.assert_allclose(rounded, vertices, atol=1e-7)
    assert len(np.unique(rounded, axis=0)) == 8
    coarse = _rounded(*(lambda v, f: (v + 1 / 3, f.astype(np.int64)))(*box((0.0, 0.0, 0.0), (1.0, 1.0, 1.0))))
    np.testing.assert_array_equal(coarse[0], [0.33333, 0.33333, 0.33333])


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(*[st.floats(-500, 500)] * 3), min_size=8, max_size=8), st.integers(0, 7))
def test_any_coordinates_come_back_within_the_rounding(tmp_path_factory, corners, shift: int) -> None:
    """Tolerance 5.1e-6 mm (half of the last decimal written) on the text itself."""
    plan = bracket_plan()
    part = plan.geometry.part
    vertices = part.vertices.copy()
    vertices[shift : shift + 4] = np.array(corners)[: len(vertices[shift : shift + 4])]
    path = tmp_path_factory.mktemp("any") / "print.3mf"
    write_3mf(path, with_part(plan, replace(part, vertices=vertices)))
    first = next(document(path).iter(f"{CORE}object"))
    back = np.array([[float(v.get(a)) for a in "xyz"] for v in first.iter(f"{CORE}vertex")])
    np.testing.assert_allclose(back, vertices, rtol=0, atol=5.1e-6)


def with_part(plan: Plan, part) -> Plan:
    return replace(plan, geometry=replace(plan.geometry, part=part))
