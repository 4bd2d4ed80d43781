"""Triangle meshes with known sections, for tests that want a part without reading a file."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from falsework.part.health import healed_part
from falsework.part.part import Health, Part
from falsework.part.raw import joined

CLEAN = Health()
DAMAGED = Health(closed=False)
SEVERAL = Health(bodies=2)


def part_of(vertices, faces, health: Health = CLEAN) -> Part:
    return Part("test", np.array(vertices, dtype=np.float64), np.array(faces, dtype=np.int32), health)


def box(size=(10.0, 10.0, 10.0), at=(0.0, 0.0, 0.0)):
    """A box from its lowest corner: 8 vertices, 12 faces."""
    corners = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=np.float64)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    faces = [f for a, b, c, d in quads for f in ((a, b, c), (a, c, d))]
    return corners * size + at, np.array(faces, dtype=np.int32)


def blocks(*boxes, step_mm: float = 5.0) -> Part:
    """Boxes, each as its size and its lowest corner, united; faces cut along x and y every ``step_mm``."""
    low = np.array([at for _, at in boxes], dtype=float)
    high = low + np.array([size for size, _ in boxes])
    ends = np.concatenate([low, high])
    lines = [np.unique(ends[:, 2])]
    for axis in (1, 0):
        steps = np.arange(ends[:, axis].min(), ends[:, axis].max(), step_mm)
        lines.insert(0, np.unique(np.concatenate([ends[:, axis], steps])))
    x, y, z = (0.5 * (line[1:] + line[:-1]) for line in lines)
    cells = np.zeros((len(x) + 2, len(y) + 2, len(z) + 2), dtype=bool)  # with an empty rim
    for a, b in zip(low, high, strict=True):
        inside = [(mid > p) & (mid < q) for mid, p, q in zip((x, y, z), a, b, strict=True)]
        cells[1:-1, 1:-1, 1:-1] |= inside[0][:, None, None] & inside[1][:, None] & inside[2]
    soup = []
    for axis in range(3):
        one, other = (axis + 1) % 3, (axis + 2) % 3
        change = np.diff(cells.astype(np.int8), axis=axis)  # +1: solid begins, looks down
        for way, order in ((1, (0, 2, 1, 0, 3, 2)), (-1, (0, 1, 2, 0, 2, 3))):
            at = np.argwhere(change == way)
            at[:, one] -= 1
            at[:, other] -= 1
            corners = np.empty((len(at), 4, 3))
            for k, (i, j) in enumerate(((0, 0), (1, 0), (1, 1), (0, 1))):
                corners[:, k, axis] = lines[axis][at[:, axis]]
                corners[:, k, one] = lines[one][at[:, one] + i]
                corners[:, k, other] = lines[other][at[:, other] + j]
            soup.append(corners[:, order].reshape(-1, 3))
    vertices, faces = np.unique(np.concatenate(soup), axis=0, return_inverse=True)
    faces = faces.reshape(-1, 3).astype(np.int32)
    return Part("blocks", vertices, faces, Health(self_intersections=1))  # they may meet in an edge


def bracket() -> Part:
    """A plate with a bore and a ledge on either side: small, and its undersides need support."""
    solid = Manifold.cube((4, 12, 24)) + Manifold.cube((14, 12, 2)).translate((0, 0, 7))
    solid += Manifold.cube((10, 12, 2)).translate((-8, 0, 12))
    solid -= Manifold.cylinder(16, 2.5, 2.5, 24).rotate((0, 90, 0)).translate((-5, 6, 19))
    mesh = solid.to_mesh64()
    return healed_part("bracket", joined([("", mesh.vert_properties[:, :3], mesh.tri_verts)]), subject="b")


def revolved(radius, z, sides: int):
    """A closed profile (radius > 0, counter-clockwise in r, z) turned about z: sections are exact n-gons."""
    radius, z = np.asarray(radius, dtype=np.float64), np.asarray(z, dtype=np.float64)
    count = len(radius)
    angle = 2.0 * np.pi * np.arange(sides) / sides
    vertices = np.stack(
        [np.outer(np.cos(angle), radius), np.outer(np.sin(angle), radius), np.tile(z, (sides, 1))], axis=-1
    )
    i, j = np.meshgrid(np.arange(sides), np.arange(count), indexing="ij")
    k, l = (i + 1) % sides, (j + 1) % count
    a, b, c, d = (p * count + q for p, q in ((i, j), (k, j), (k, l), (i, l)))
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return vertices.reshape(-1, 3), faces.astype(np.int32)


def spindle(radius, z, sides: int):
    """A profile from a tip on the axis to a tip on the axis, upwards: cone, double cone, sphere."""
    radius, z = np.asarray(radius, dtype=np.float64), np.asarray(z, dtype=np.float64)
    angle = 2.0 * np.pi * np.arange(sides) / sides
    rings = [
        np.stack([r * np.cos(angle), r * np.sin(angle), np.full(sides, h)], -1)
        for r, h in zip(radius[1:-1], z[1:-1], strict=True)
    ]
    vertices = np.concatenate([[[0, 0, z[0]]], *rings, [[0, 0, z[-1]]]])
    here, there = np.arange(sides), (np.arange(sides) + 1) % sides
    faces = [np.stack([np.zeros(sides, int), 1 + there, 1 + here], -1)]
    for level in range(len(rings) - 1):
        low, high = 1 + level * sides, 1 + (level + 1) * sides
        faces.append(np.stack([low + here, low + there, high + there], -1))
        faces.append(np.stack([low + here, high + there, high + here], -1))
    last = 1 + (len(rings) - 1) * sides
    faces.append(np.stack([last + here, last + there, np.full(sides, len(vertices) - 1)], -1))
    return vertices, np.concatenate(faces).astype(np.int32)


def sphere(radius=10.0, sides=96, bands=48, at=(0.0, 0.0, 0.0)):
    """A sphere of flat facets standing on z = 0, moved by ``at``."""
    t = np.linspace(-np.pi / 2, np.pi / 2, bands + 1)
    r, z = radius * np.cos(t), radius * (1.0 + np.sin(t))
    vertices, faces = spindle(r, z, sides)
    return vertices + at, faces


def ball_of_squares(radius=10.0, sub=40):
    """A sphere from a subdivided cube with no pole: triangles of even size, about 12 sub² of them."""
    line = np.linspace(-1.0, 1.0, sub + 1)
    u, v = (a.reshape(-1) for a in np.meshgrid(line, line, indexing="ij"))
    one = np.ones_like(u)
    sheets = np.concatenate(
        [
            np.stack(s, -1)
            for s in ((u, v, one), (v, u, -one), (one, u, v), (-one, v, u), (v, one, u), (u, -one, v))
        ]
    )
    k = np.arange((sub + 1) ** 2).reshape(sub + 1, sub + 1)
    a, b, c, d = (q.reshape(-1) for q in (k[:-1, :-1], k[1:, :-1], k[1:, 1:], k[:-1, 1:]))
    one_sheet = np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)])
    faces = np.concatenate([one_sheet + i * (sub + 1) ** 2 for i in range(6)])
    corners, back = np.unique(np.round(sheets, 9), axis=0, return_inverse=True)
    corners = radius * corners / np.linalg.norm(corners, axis=1)[:, None]
    return corners + np.array([0.0, 0.0, radius]), back.reshape(-1)[faces].astype(np.int32)


def merged(*meshes):
    """Several meshes as one, shells as they are."""
    vertices, faces, count = [], [], 0
    for v, f in meshes:
        vertices.append(v)
        faces.append(np.asarray(f) + count)
        count += len(v)
    return np.concatenate(vertices), np.concatenate(faces).astype(np.int32)


def inside_out(mesh):
    return mesh[0], np.ascontiguousarray(mesh[1][:, ::-1])


def ngon_area(radius: float, sides: int) -> float:
    return 0.5 * sides * np.sin(2.0 * np.pi / sides) * radius**2


def mesh_volume(mesh) -> float:
    """Signed volume by the divergence theorem."""
    a, b, c = (mesh[0][mesh[1][:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)
