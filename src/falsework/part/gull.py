"""The gull on its mooring post: the museum's smooth figure, at any number of triangles."""

from __future__ import annotations

import numpy as np

from falsework.part.implicit import Floats, Ints, blend, drawn, ellipsoid, oblong, refined, surface, tapered

LOW = np.array([-48.0, -68.0, -1.0])
HIGH = np.array([46.0, 68.0, 86.0])
STANDING_MM = 0.02
FINEST_GRID = 260_000  # triangles; above, faces are cut in four
TRIANGLES_MM2 = 38_300.0  # triangles x step² of this figure
COARSEST_MM = 1.0


def gull_mesh(triangles: int) -> tuple[Floats, Ints]:
    """(vertices, faces) with about ``triangles`` faces (within some per cent), at least 38,000."""
    cuts = 0
    while triangles / 4**cuts > FINEST_GRID:
        cuts += 1
    step = min(COARSEST_MM, float(np.sqrt(TRIANGLES_MM2 * 4**cuts / triangles)))
    vertices, faces = surface(gull, LOW, HIGH, step)
    vertices = drawn(gull, vertices, step)
    for _ in range(cuts):
        vertices, faces = refined(gull, vertices, faces, step)
        step /= 2
    vertices[vertices[:, 2] < STANDING_MM, 2] = 0.0  # the foot of the post is flat on the bed
    return vertices, faces


def gull(p: Floats) -> Floats:
    """Negative inside the figure: x forward, y along the wings, z up."""
    side = np.column_stack([p[:, 0], np.abs(p[:, 1]), p[:, 2]])
    body = tapered(p, (10, 0, 52), (-16, 0, 44), 9.5, 5.0)
    body = blend(body, ellipsoid(p, (1, 0, 47.5), (18, 9.5, 9.5)), 5.0)
    body = blend(body, tapered(p, (13, 0, 55), (20, 0, 67), 7.0, 5.6), 6.0)
    body = blend(body, ellipsoid(p, (22, 0, 69), (7.6, 6.2, 6.4)), 3.0)
    beak = tapered(p, (27, 0, 68.5), (37, 0, 67), 2.6, 1.7)
    beak = blend(beak, tapered(p, (37, 0, 67), (39.5, 0, 64.8), 1.7, 0.9), 1.2)
    body = blend(body, beak, 1.6)
    body = blend(body, _tail(side), 5.0)
    body = blend(body, _wing(side), 5.0)
    eye = ellipsoid(side, (25.2, 5.0, 70.8), (1.3, 1.0, 1.3))
    body = np.minimum(body, eye)
    legs = tapered(side, (0, 4.5, 44), (1, 4.5, 22), 2.6, 1.9)
    foot = ellipsoid(side, (3.5, 5.0, 22), (6.0, 3.2, 1.8))
    body = blend(body, blend(legs, foot, 1.5), 2.5)
    return blend(body, _post(p), 1.2)


def _tail(side: Floats) -> Floats:
    """A flat fan behind the body, thinner and wider to its end."""
    t = np.clip((-14.0 - side[:, 0]) / 26.0, 0.0, 1.0)
    half_width, half_height = 4.5 + 6.5 * t, 3.2 - 1.6 * t
    z = side[:, 2] - (45.0 - 4.0 * t)
    across = oblong(side[:, 1] / half_width, z / half_height) - 1.0
    back = (-side[:, 0] - 40.0 + 0.035 * side[:, 1] ** 2) / half_height
    front = (side[:, 0] + 8.0) / half_height
    out: Floats = np.maximum(np.maximum(across, back), front) * half_height
    return out


def _wing(side: Floats) -> Floats:
    """A wing along +y: up to the wrist, on to the tip, a cambered blade that thins outward."""
    s = np.clip(side[:, 1] / 62.0, 0.0, 1.0)
    rise = 26.0 * np.sin(1.9 * s) - 5.0 * s**4
    lead = 13.0 + 9.0 * np.sin(np.pi * np.minimum(s / 0.9, 1.0)) - 30.0 * s**3
    trail = -9.0 + 1.5 * np.sin(6.0 * np.pi * s) * s - 21.0 * s**2.2
    half_chord = np.maximum(0.5 * (lead - trail), 0.6)
    along = (side[:, 0] - 0.5 * (lead + trail)) / half_chord
    z = side[:, 2] - (53.0 + rise) - 1.6 * (1.0 - along**2) * (1.0 - s)
    half_height = 3.0 - 1.5 * s
    shape = oblong(along, z / half_height) - 1.0
    tip = (side[:, 1] - 64.0 + 0.02 * (side[:, 0] + 17.0) ** 2) / half_height
    out: Floats = np.maximum(shape, tip) * half_height * 0.8
    return out


def _post(p: Floats) -> Floats:
    """The post: a round pile with a chamfered head and one rope groove."""
    r = np.hypot(p[:, 0], p[:, 1])
    groove = 1.4 * np.exp(-(((p[:, 2] - 14.0) / 1.6) ** 2))
    wall = r - (13.0 - groove)
    chamfer = (r + p[:, 2] - 32.5) * 0.7071
    out: Floats = np.maximum(np.maximum(wall, p[:, 2] - 21.0), np.maximum(-p[:, 2], chamfer))
    return out
