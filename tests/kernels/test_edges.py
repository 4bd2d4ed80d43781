"""Mesh kernels against closed forms and plain reference twins."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest

from falsework.kernels.mesh.edges import (
    boundary_loops,
    group_rows,
    least_area_patch,
    pair_edges,
    pair_fans,
    sort_edges,
    wind_shells,
)
from falsework.kernels.mesh.measures import (
    face_areas,
    finite_bounds,
    inside_counts,
    mesh_volume,
    shell_figures,
)
from solids import box, revolved


def paired(vertices, faces):
    order = sort_edges(faces, len(vertices))
    return (order, *pair_edges(faces, order))


def edges_by_dict(faces):
    found = defaultdict(list)
    for f, face in enumerate(faces):
        for k in range(3):
            found[tuple(sorted((int(face[k]), int(face[(k + 1) % 3]))))].append(3 * f + k)
    return found


def test_volume_of_a_box_is_exact_far_from_the_origin():
    # Tolerance: corners of 1e6 round at 1e-10, times a surface of 220 mm².
    vertices, faces = box((2.0, 5.0, 10.0), (1e6, -1e6, 3e5))
    assert mesh_volume(vertices, faces) == pytest.approx(100.0, abs=1e-7)
    assert face_areas(vertices, faces).sum() == pytest.approx(2 * (10 + 50 + 20), abs=1e-7)


def test_volume_of_a_torus_lies_just_under_the_exact_figure():
    # An inscribed polyhedron is smaller: with n = 128 and 96 the deficit is (2π²/3)(1/n² + 1/m²) = 0.11 %.
    turn = 2 * np.pi * np.arange(96) / 96
    vertices, faces = revolved(20 + 5 * np.cos(turn), 5 * np.sin(turn), 128)
    exact = 2 * np.pi**2 * 20 * 25
    assert 0 < 1 - mesh_volume(vertices, faces) / exact < 0.0013


def test_rows_are_grouped_as_numpy_groups_them():
    rng = np.random.default_rng(3)
    keys = rng.integers(-3, 3, (5000, 3))
    group, first = group_rows(keys)
    want, at = np.unique(keys, axis=0, return_index=True)
    assert len(first) == len(want)
    assert np.array_equal(np.sort(first), np.sort(at))  # the first of each
    assert np.array_equal(keys[first][group], keys)
    assert np.all(np.diff(first) > 0)


def test_edges_are_paired_as_a_dictionary_pairs_them():
    rng = np.random.default_rng(4)
    faces = np.array([rng.choice(40, 3, replace=False) for _ in range(120)], np.int32)
    _, partner, counts = paired(np.zeros((40, 3)), faces)
    groups = edges_by_dict(faces).values()
    for halves in groups:
        if len(halves) == 1:
            assert partner[halves[0]] == -1
        elif len(halves) == 2:
            assert list(partner[halves]) == halves[::-1]
        else:
            assert (partner[halves] == -2).all()
    assert counts[0] == sum(len(h) == 1 for h in groups)
    assert counts[1] == sum(len(h) > 2 for h in groups)


def test_winding_is_propagated_over_a_shell():
    vertices, faces = box()
    wrong = faces.copy()
    wrong[[3, 7, 8]] = wrong[[3, 7, 8]][:, ::-1]
    _, partner, counts = paired(vertices, wrong)
    assert counts[2] > 0
    turn, shell, shells, twisted = wind_shells(wrong, partner)
    assert (shells, twisted) == (1, 0) and (shell == 0).all()
    assert np.flatnonzero(turn).tolist() == [3, 7, 8]


def test_a_one_sided_band_cannot_be_wound():
    ring = np.arange(10)
    faces = []
    for i in ring:
        a, b, c, d = 2 * i, 2 * i + 1, (2 * i + 2) % 20, (2 * i + 3) % 20
        if i == 9:
            c, d = d, c  # the half twist
        faces += [(a, b, c), (b, d, c)]
    faces = np.array(faces, np.int32)
    _, partner, _ = paired(np.zeros((20, 3)), faces)
    assert wind_shells(faces, partner)[3] == 1


def test_shell_figures_of_an_open_box_do_not_depend_on_where_it_stands():
    vertices, faces = box((4.0, 4.0, 4.0), (1000.0, 50.0, 7.0))
    open_faces = np.ascontiguousarray(faces[2:])
    shell = np.zeros(len(open_faces), np.int32)
    here = shell_figures(vertices, open_faces, shell, 1)[0]
    there = shell_figures(vertices - [1000, 50, 7], open_faces, shell, 1)[0]
    assert here[0] == pytest.approx(there[0], rel=1e-9)
    assert here[0] == pytest.approx(64 * 5 / 6)  # five of six pyramids from the middle
    assert here[1] == pytest.approx(80)


def test_points_are_inside_the_shell_that_holds_them():
    vertices, faces = box((10.0, 10.0, 10.0))
    rng = np.random.default_rng(5)
    points = rng.uniform(-5, 15, (500, 3))
    owner = np.full(500, 7, np.int32)
    inside = inside_counts(vertices, faces, np.zeros(12, np.int32), points, owner, 1)[:, 0]
    assert np.array_equal(inside == 1, ((points > 0) & (points < 10)).all(axis=1))


def test_two_boxes_on_one_edge_come_apart_by_their_solid_wedges():
    a, fa = box()
    b, fb = box(at=(10.0, 10.0, 0.0))
    points = np.vstack([a, b])
    keys = (points * 16).astype(np.int64)
    group, first = group_rows(keys)
    vertices, faces = points[first], group[np.vstack([fa, fb + 8])]
    order, partner, counts = paired(vertices, faces)
    assert counts[1] == 1
    assert pair_fans(vertices, faces, order, partner) == 0
    _, shell, shells, _ = wind_shells(faces, partner)
    assert shells == 2
    assert set(shell[:12]) == {0} and set(shell[12:]) == {1}


def test_the_rim_of_a_missing_lid_is_one_loop():
    vertices, faces = box()
    lidless = np.ascontiguousarray(np.delete(faces, [2, 3], axis=0))
    _, partner, _ = paired(vertices, lidless)
    half, start = boundary_loops(lidless, partner)
    assert start.tolist() == [0, 4]
    assert sorted(lidless.ravel()[half].tolist()) == [4, 5, 6, 7]


@pytest.mark.parametrize("n", [4, 5, 9, 40])
def test_the_least_patch_of_a_flat_convex_loop_has_its_area(n):
    turn = 2 * np.pi * np.arange(n) / n
    loop = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(n)])
    cut = least_area_patch(loop)
    assert len(cut) == n - 2
    assert face_areas(loop, cut).sum() == pytest.approx(n / 2 * np.sin(2 * np.pi / n), rel=1e-12)


def test_the_least_patch_takes_the_smaller_way_round_a_saddle():
    loop = np.array([[0, 0, 0], [4, 0, 3], [5, 1, 0], [0, 1, 3.0]])
    both = [np.array(t, np.int32) for t in ([[0, 1, 2], [0, 2, 3]], [[0, 1, 3], [1, 2, 3]])]
    best = min(face_areas(loop, t).sum() for t in both)
    assert face_areas(loop, least_area_patch(loop)).sum() == pytest.approx(best, rel=1e-12)


def test_bounds_ignore_what_is_no_number():
    points = np.array([[0, 1, 2], [np.nan, 9, 9], [5, -1, 3], [np.inf, 0, 0]])
    bounds, bad = finite_bounds(points)
    assert bounds.tolist() == [[0, -1, 2], [5, 1, 3]] and bad == 2
