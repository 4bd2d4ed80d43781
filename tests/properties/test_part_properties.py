"""Damage at random is repaired to the same solid; turning changes no volume."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.part.health import healed_part
from falsework.part.placing import place
from falsework.part.raw import joined, soup
from solids import box, merged, revolved

seeds = st.integers(0, 2**32 - 1)
TURN = 2 * np.pi * np.arange(16) / 16
TORUS = revolved(20 + 5 * np.cos(TURN), 5 * np.sin(TURN), 24)


def heal(vertices, faces):
    return healed_part("t", joined([("", vertices, faces)]), subject="t")


SOUND = heal(*TORUS)


@given(st.tuples(*[st.floats(-720, 720)] * 3), st.floats(0.1, 10))
@settings(max_examples=40, deadline=None)
def test_placing_keeps_volume_and_stands_on_the_bed(turn, scale):
    # Tolerance: rounding only.
    part = place(SOUND, turn_deg=turn, scale=scale, bed_mm=(200.0, 100.0))
    assert part.volume_mm3 == pytest.approx(SOUND.volume_mm3 * scale**3, rel=1e-10)
    assert part.bounds_mm[0, 2] == 0.0
    assert part.bounds_mm[:, :2].mean(axis=0) == pytest.approx([100.0, 50.0], abs=1e-9)


@given(seeds)
@settings(max_examples=25, deadline=None)
def test_shuffled_loose_triangles_heal_to_the_same_solid(seed):
    rng = np.random.default_rng(seed)
    vertices, faces = TORUS
    corners = vertices[faces][rng.permutation(len(faces))]
    for k in range(len(corners)):
        corners[k] = np.roll(corners[k], rng.integers(3), axis=0)
    part = heal(*soup(corners))
    assert part.health == SOUND.health
    assert len(part.vertices) == len(vertices)
    assert part.volume_mm3 == pytest.approx(SOUND.volume_mm3, rel=1e-12)


@given(seeds, st.floats(0.0, 1.0))
@settings(max_examples=25, deadline=None)
def test_faces_turned_at_random_are_turned_back(seed, share):
    rng = np.random.default_rng(seed)
    vertices, faces = TORUS
    faces = faces.copy()
    wrong = rng.random(len(faces)) < share
    faces[wrong] = faces[wrong][:, ::-1]
    part = heal(vertices, faces)
    assert part.health.clean
    assert part.volume_mm3 == pytest.approx(SOUND.volume_mm3, rel=1e-12)


@given(seeds, st.integers(1, 12))
@settings(max_examples=25, deadline=None)
def test_small_holes_are_closed(seed, count):
    """A patch spans the hole flat, so the volume may differ by the dents: below 1 % for these."""
    rng = np.random.default_rng(seed)
    vertices, faces = TORUS
    part = heal(vertices, np.delete(faces, rng.choice(len(faces), count, replace=False), axis=0))
    assert part.health.closed and part.health.bodies == 1
    assert part.volume_mm3 == pytest.approx(SOUND.volume_mm3, rel=0.01)
    assert any(f.what == "hole" for f in part.health.findings)


@given(seeds)
@settings(max_examples=25, deadline=None)
def test_shells_keep_their_sense_in_any_position(seed):
    rng = np.random.default_rng(seed)
    size = rng.uniform(5, 20, 3)
    inner = size * rng.uniform(0.1, 0.6, 3)
    void = box(inner, (size - inner) * rng.uniform(0.1, 0.9, 3))
    apart = box((1.0, 2.0, 3.0), (30.0, 0.0, 0.0))
    vertices, faces = merged(box(size), (void[0], void[1][:, ::-1]), apart)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    if np.linalg.det(turn) < 0:
        turn[0] *= -1
    faces = faces if rng.random() < 0.5 else faces[:, ::-1]
    part = heal(vertices @ turn.T, faces)
    assert part.volume_mm3 == pytest.approx(np.prod(size) - np.prod(inner) + 6, rel=1e-9)
    assert part.health.closed and part.health.bodies == 2  # the void is in one of them
