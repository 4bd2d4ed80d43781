"""The healing ladder on damage made by hand: what is repaired, what is said, what is left."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.errors import PartError
from falsework.part.health import healed_part
from falsework.part.raw import joined
from solids import box, merged, revolved

VOLUME = 1000.0


def heal(vertices, faces):
    return healed_part("test", joined([("", np.array(vertices, float), np.array(faces))]), subject="test.stl")


def said(part, what):
    return [f for f in part.health.findings if f.what == what]


def tube(sides=24):
    return revolved([8, 12, 12, 8], [0, 0, 20, 20], sides)


def strictly_closed(part):
    """Independent of the kernels: every directed edge once, its reverse once."""
    edges = [tuple(e) for f in part.faces.tolist() for e in zip(f, f[1:] + f[:1], strict=True)]
    return len(set(edges)) == len(edges) and {(b, a) for a, b in edges} == set(edges)


def test_a_clean_box_is_left_alone():
    part = heal(*box())
    assert part.health.clean and part.health.findings == ()
    assert part.volume_mm3 == VOLUME
    assert np.array_equal(part.vertices, box()[0]) and np.array_equal(part.faces, box()[1])


def test_loose_triangles_are_welded_without_a_word():
    vertices, faces = box()
    part = heal(vertices[faces].reshape(-1, 3), np.arange(36).reshape(-1, 3))
    assert len(part.vertices) == 8 and part.health.clean and part.health.findings == ()


def test_doubled_vertices_unused_vertices_and_idle_faces_go():
    vertices, faces = box()
    vertices = np.vstack([vertices, vertices[3], [99, 99, 99]])
    faces = faces.copy()
    faces[faces == 3] = np.where(np.arange((faces == 3).sum()) % 2, 3, 8)
    faces = np.vstack([faces, [0, 0, 1], faces[4], faces[4]])
    part = heal(vertices, faces)
    assert part.health.clean and part.volume_mm3 == VOLUME and len(part.vertices) == 8
    assert said(part, "vertices at the same place")[0].count == 1
    assert said(part, "faces without area")[0].count == 1
    assert said(part, "duplicate faces")[0].count == 2


def test_a_membrane_inside_goes_and_the_solids_on_both_sides_become_one():
    part = heal(*merged(box(), box(at=(10.0, 0.0, 0.0))))
    assert said(part, "faces back to back")[0].count == 4
    assert strictly_closed(part) and part.health.bodies == 1
    assert part.volume_mm3 == pytest.approx(2 * VOLUME)


def test_a_body_given_twice_is_kept_once():
    part = heal(*merged(box(), box()))
    assert part.health.clean and part.volume_mm3 == VOLUME


def test_wrong_winding_is_repaired_and_the_volume_before_and_after_is_told():
    vertices, faces = box()
    faces = faces.copy()
    faces[[1, 6]] = faces[[1, 6]][:, ::-1]
    part = heal(vertices, faces)
    assert strictly_closed(part) and part.volume_mm3 == VOLUME
    finding = said(part, "faces wound the wrong way")[0]
    assert finding.count == 2 and "→ 1\u202f000.0\u00a0mm³" in finding.done and finding.where_mm is not None


def test_an_inverted_mesh_is_turned_outward():
    vertices, faces = tube()
    part = heal(vertices, faces[:, ::-1])
    assert part.volume_mm3 > 0 and strictly_closed(part)
    assert said(part, "shells inside out")[0].count == 1


@pytest.mark.parametrize("inverted", [False, True])
def test_the_wall_of_a_void_stays_inward(inverted):
    inner = box((4.0, 4.0, 4.0), (3.0, 3.0, 3.0))
    vertices, faces = merged(box(), (inner[0], inner[1][:, ::-1]))
    part = heal(vertices, faces[:, ::-1] if inverted else faces)
    assert part.volume_mm3 == pytest.approx(VOLUME - 64)
    assert part.health.closed and (part.health.bodies, part.health.voids) == (1, 1)
    assert said(part, "closed voids")[0].count == 1 and not said(part, "separate shells")
    assert not said(part, "bodies wholly inside another")


def test_a_solid_within_a_void_within_a_solid():
    shells = [box(), box((8.0, 8.0, 8.0), (1.0, 1.0, 1.0)), box((2.0, 2.0, 2.0), (4.0, 4.0, 4.0))]
    shells[1] = (shells[1][0], shells[1][1][:, ::-1])
    part = heal(*merged(*shells))
    assert part.volume_mm3 == pytest.approx(1000 - 512 + 8)
    assert not [f for f in part.health.findings if f.serious]


def test_a_solid_within_a_solid_is_doubtful_and_told():
    part = heal(*merged(box(), box((4.0, 4.0, 4.0), (3.0, 3.0, 3.0))))
    finding = said(part, "bodies wholly inside another")[0]
    assert finding.serious and finding.where_mm == pytest.approx((5, 5, 5))


def test_bodies_that_touch_in_an_edge_are_parted():
    part = heal(*merged(box(), box(at=(10.0, 10.0, 0.0))))
    assert strictly_closed(part) and part.health.bodies == 2
    assert part.volume_mm3 == pytest.approx(2 * VOLUME)
    assert said(part, "edges shared by four faces or more")[0].count == 1


def test_a_missing_face_is_closed_flat():
    vertices, faces = box()
    part = heal(vertices, np.delete(faces, [2, 3], axis=0))
    assert strictly_closed(part) and part.health.clean
    assert part.volume_mm3 == pytest.approx(VOLUME)
    finding = said(part, "hole")[0]
    assert finding.serious  # a sixth of the surface is new
    assert finding.where_mm == pytest.approx((5, 5, 10)) and "100\u00a0mm²" in finding.done


def test_a_crack_of_a_few_edges_is_stitched():
    vertices, faces = tube()
    soup = vertices[faces].reshape(-1, 3).copy()
    soup[30] += 2e-4  # 5e-6 of the diagonal
    part = heal(soup, np.arange(len(soup)).reshape(-1, 3))
    assert strictly_closed(part)
    assert said(part, "cracks between faces") and not said(part, "hole")


def test_a_vertex_on_anothers_edge_is_closed_without_volume():
    vertices, faces = box()
    middle = 0.5 * (vertices[faces[0, 0]] + vertices[faces[0, 1]])
    a, b, c = faces[0]
    faces = np.vstack([faces[1:], [a, 8, c], [8, b, c]])
    part = heal(np.vstack([vertices, middle]), faces)
    assert strictly_closed(part)
    assert part.volume_mm3 == pytest.approx(VOLUME)
    assert said(part, "hole")[0].serious is False  # a plain bool: findings go into JSON


def test_a_sheet_that_cannot_be_closed_stays_open_and_says_where():
    sheet = np.array([[30.0, 0, 0], [40, 0, 0], [40, 10, 1], [30, 10, 0]])
    part = heal(*merged(box(), (sheet, np.array([[0, 1, 2], [0, 2, 3]]))))
    assert not part.health.closed
    finding = said(part, "open edges")[0]
    assert finding.count == 4 and finding.serious and finding.where_mm[0] > 29


def test_three_faces_on_an_edge_are_a_serious_finding():
    vertices, faces = box()
    part = heal(np.vstack([vertices, [5, 5, 20]]), np.vstack([faces, [4, 7, 8]]))
    assert not part.health.closed
    assert [f for f in part.health.findings if f.serious]


def test_bodies_that_cross_are_counted():
    part = heal(*merged(box(), box((3.0, 3.1, 20.0), (4.0, 4.2, -5.0))))
    assert part.health.closed and part.health.bodies == 2
    assert part.health.self_intersections >= 8 and not part.health.clean


def test_a_few_corners_that_are_no_numbers_are_dropped_and_closed_over():
    vertices, faces = tube(120)
    soup = vertices[faces].reshape(-1, 3).copy()
    soup[100] = np.nan
    part = heal(soup, np.arange(len(soup)).reshape(-1, 3))
    assert strictly_closed(part)
    assert said(part, "corners that are no numbers")[0].serious
    assert part.volume_mm3 == pytest.approx(heal(vertices, faces).volume_mm3, rel=1e-9)


@pytest.mark.parametrize(
    ("faces", "why"),
    [
        ([[0, 1, 2]], "flat"),
        ([[0, 1, 2], [0, 2, 1]], "encloses nothing"),
        ([[0, 1, 9]], "points at vertex 10"),
        ([[0, 1, -1]], "points at vertex"),
        (np.empty((0, 3), int), "no triangles"),
    ],
)
def test_what_encloses_nothing_is_refused(faces, why):
    with pytest.raises(PartError, match=why):
        heal([[0, 0, 0], [10, 0, 0], [0, 10, 0]], faces)


def test_healing_twice_changes_nothing():
    vertices, faces = tube()
    once = heal(vertices, np.delete(faces, [5, 17, 40], axis=0))
    twice = heal(once.vertices, once.faces)
    assert once == twice and twice.health.findings == ()
