"""The demo parts: what the print room of a small harbour museum might be asked for.

All are made here from formulas; names and uses are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from falsework.part.gull import gull_mesh
from falsework.part.health import healed_part
from falsework.part.part import Part
from falsework.part.raw import joined

if TYPE_CHECKING:
    from manifold3d import Manifold

SEGMENTS = 72  # straight pieces in a full circle
SLIVER_MM = 0.002  # unions leave slivers; what is finer than this is simplified away


def demo_parts() -> dict[str, Callable[[], Part]]:
    """The demo parts by name, each made when it is called for."""
    return {
        "mooring cleat": mooring_cleat,
        "ventilator cowl": ventilator_cowl,
        "pulley block": pulley_block,
        "gull": gull,
        "lamp bracket": lamp_bracket,
        "table": table,
    }


def gull(triangles: int = 60_000) -> Part:
    """A gull alighting on a mooring post, 128 mm across the wings, of about ``triangles`` faces."""
    vertices, faces = gull_mesh(triangles)
    return healed_part("gull", joined([("", vertices, faces)]), subject="gull")


def table(length_mm: float = 80.0, width_mm: float = 50.0, height_mm: float = 40.0) -> Part:
    """A plain table, a slab on four square legs: the simplest part whose underside needs support."""
    slab, leg = 4.0, 8.0
    solid = _box((0, 0, height_mm - slab), (length_mm, width_mm, height_mm))
    for x in (0.0, length_mm - leg):
        for y in (0.0, width_mm - leg):
            solid += _box((x, y, 0), (x + leg, y + leg, height_mm - 0.5 * slab))
    return _part("table", solid)


def mooring_cleat(segments: int = SEGMENTS) -> Part:
    """A horn cleat, 110 mm long: base plate with two countersunk holes, two posts, raised horns."""
    base = _hull([_disc((x, 0, 0), 11, 5, segments) for x in (-30, 30)])
    base += _hull([_disc((x, 0, 4.9), 9, 2.1, segments, 7.5) for x in (-28, 28)])
    for x in (-33.0, 33.0):
        base -= _disc((x, 0, -1), 2.3, 12, segments) + _disc((x, 0, 4.6), 2.3, 2.5, segments, 4.8)
    posts = [
        _hull([_disc((x, 0, 6), 8, 0.5, segments), _ball((0.8 * x, 0, 26), (7, 6, 4), segments)])
        for x in (-16, 16)
    ]
    along = np.linspace(-1.0, 1.0, 17)
    beads = [
        _ball(
            (50 * t, 0, 27 + 7 * t**4), (5.2 - 1.4 * abs(t), 6.6 - 3.0 * t * t, 5.4 - 2.2 * t * t), segments
        )
        for t in along
    ]
    horn = _strung(beads)
    return _part("mooring cleat", base + posts[0] + posts[1] + horn)


def pulley_block(segments: int = SEGMENTS) -> Part:
    """A block for one sheave, 82 mm high: rounded cheeks, an open slot, the axle's hole, an eye on top."""
    shell = _hull([_ball((0, y, z), (r, 7, r), segments) for y in (-10, 10) for z, r in ((21, 21), (50, 15))])
    shell = shell ^ _box((-30, -15, 0), (30, 15, 70))
    slot = _hull([_box((-30, -5.5, 9), (30, 5.5, 44)), _across((-30, 0, 48), 5.5, 60, segments)])
    eye = _hull([_bar((0, -5, 71), 11, 10, segments), _box((-11, -5, 55), (11, 5, 62))])
    solid = (shell - slot) + (eye - _bar((0, -8, 71), 5.5, 16, segments))
    return _part("pulley block", solid - _bar((0, -20, 24), 4.0, 40, segments))


def lamp_bracket(segments: int = SEGMENTS) -> Part:
    """A wall bracket for a lamp, 100 mm deep: plate with screw holes, an arm with a stay, a ring."""
    plate = _hull([_across((0, y, z), 6, 5, segments) for y in (-16, 16) for z in (6, 74)])
    for z in (8.0, 72.0):
        plate -= _across((-1, 0, z), 2.4, 9, segments) + _across((2.6, 0, z), 2.4, 2.5, segments, 5.0)
    turn = np.linspace(0.0, np.pi / 2, 13)
    arm = _chain([(2 + 46 * np.sin(t), 0, 56 + 2 * np.cos(t)) for t in turn], 6.0, segments)
    stay = _chain([(2 + 38 * np.sin(t), 0, 22 + 32 * (1 - np.cos(t))) for t in turn], 4.5, segments)
    middle = (76.0, 0.0, 51.0)
    ring = _disc(middle, 26, 10, segments) - _disc((76, 0, 50), 20, 12, segments)
    ring += _hull([_ball((46, 0, 56), (6, 6, 6), segments), _box((51, -7, 51), (54, 7, 61))])
    arm = arm - _disc((76, 0, 40), 20, 40, segments)
    keep = _box((0, -60, -10), (150, 60, 150))
    return _part("lamp bracket", (plate + arm + stay + ring) ^ keep)


def ventilator_cowl(segments: int = 2 * SEGMENTS) -> Part:
    """A ship's ventilator cowl, 88 mm high: a flanged neck that swings round into a wide bell mouth.

    One closed surface: a wall profile carried along stations that rise up the neck and then turn
    about a line just in front of it, so that no two stations cross.
    """
    wall, neck, mouth, rise, throat = 2.4, 13.0, 27.0, 24.0, 3.0
    steps = max(segments // 4, 8)
    turn = np.linspace(0.0, 1.0, steps + 1)
    bend = [(rise + t, neck + (mouth - neck) * t**1.35) for t in turn]  # station beyond the rise: turned
    out = [(0.0, 23.0), (2.6, 23.0), (3.6, 22.0), (4.2, 17.0), (6.5, neck + 0.4), (9.0, neck)]
    out += [*bend, *[(rise + 1 + a, mouth + 2.2 * (a / 5) ** 1.5) for a in (1.5, 3.0, 4.2, 5.0)]]
    lip = [(rise + 6 + 1.9 * np.sin(a), mouth + 1.3 + 1.9 * np.cos(a)) for a in np.linspace(0.6, 2.6, 9)]
    back = [(rise + 1 + a, mouth - wall + 1.2 * (a / 5) ** 1.5) for a in (5.0, 3.0, 1.5)]
    inner = [(u, r - wall) for u, r in reversed(bend)]
    profile = np.array([*out, *lip, *back, *inner, (0.0, neck - wall)])
    reach = np.array([np.interp(u, *np.array(bend).T) for u in profile[:, 0]])

    station, radius = profile.T
    angle = np.clip(station - rise, 0.0, 1.0) * np.pi / 2
    ahead = np.maximum(station - rise - 1.0, 0.0)
    lift = np.minimum(station, rise)
    toward = np.column_stack([-np.cos(angle), 0 * angle, np.sin(angle)])  # from the line to the middle
    middle = np.array([neck + throat, 0.0, 0.0]) + (throat + reach)[:, None] * toward
    middle[:, 2] += lift
    middle[:, 0] += ahead
    around = np.linspace(0.0, 2 * np.pi, segments, endpoint=False)
    rings = (
        middle[:, None]
        + radius[:, None, None] * np.cos(around)[None, :, None] * toward[:, None]
        + radius[:, None, None] * np.sin(around)[None, :, None] * np.array([0.0, 1.0, 0.0])
    )
    rows, columns = len(profile), segments
    i, j = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")
    k, m = (i + 1) % rows, (j + 1) % columns
    a, b, c, d = i * columns + j, i * columns + m, k * columns + m, k * columns + j
    faces = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, c, b), (a, d, c))])
    return healed_part(
        "ventilator cowl", joined([("", rings.reshape(-1, 3), faces)]), subject="ventilator cowl"
    )


def _part(name: str, solid: Manifold) -> Part:
    mesh = solid.as_original().simplify(SLIVER_MM).to_mesh64()
    vertices = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    faces = np.array(mesh.tri_verts, dtype=np.int64)
    return healed_part(name, joined([("", vertices, faces)]), subject=name)


def _box(low: tuple, high: tuple) -> Manifold:
    from manifold3d import Manifold

    return Manifold.cube([h - l for l, h in zip(low, high, strict=True)]).translate(low)


def _disc(foot: tuple, radius: float, height: float, segments: int, top: float | None = None) -> Manifold:
    """An upright cylinder or cone frustum."""
    from manifold3d import Manifold

    return Manifold.cylinder(height, radius, radius if top is None else top, segments).translate(foot)


def _bar(start: tuple, radius: float, length: float, segments: int) -> Manifold:
    """A cylinder along +y."""
    from manifold3d import Manifold

    return Manifold.cylinder(length, radius, radius, segments).rotate((-90, 0, 0)).translate(start)


def _across(start: tuple, radius: float, length: float, segments: int, end: float | None = None) -> Manifold:
    """A cylinder or cone frustum along +x."""
    from manifold3d import Manifold

    solid = Manifold.cylinder(length, radius, radius if end is None else end, segments)
    return solid.rotate((0, 90, 0)).translate(start)


def _ball(middle: tuple, radii: tuple, segments: int) -> Manifold:
    from manifold3d import Manifold

    return Manifold.sphere(1.0, segments).scale(radii).translate(middle)


def _hull(solids: list[Manifold]) -> Manifold:
    from manifold3d import Manifold

    return Manifold.batch_hull(solids)


def _chain(points: list[tuple], radius: float, segments: int) -> Manifold:
    """A round rod through ``points``."""
    return _strung([_ball(p, (radius, radius, radius), segments) for p in points])


def _strung(beads: list[Manifold]) -> Manifold:
    """A rod through beads: the hulls of each two neighbours, united."""
    from manifold3d import Manifold, OpType

    return Manifold.batch_boolean([_hull(list(two)) for two in pairwise(beads)], OpType.Add)
