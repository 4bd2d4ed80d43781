"""Parts with something that hangs from an arm: tips, corners and knife edges."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

import numpy as np
from manifold3d import CrossSection, Manifold

from falsework.part.part import Health, Part

ARM_MM = 20.0  # height of the arm's underside
OUT_MM = 20.0  # how far along x from the post's middle things hang


def drawn(solid: Manifold, name: str = "test") -> Part:
    mesh = solid.to_mesh64()
    vertices = np.asarray(mesh.vert_properties)[:, :3].copy()
    return Part(name, vertices, np.asarray(mesh.tri_verts).astype(np.int32), Health())


def block(low, high) -> Manifold:
    return Manifold.cube(np.subtract(high, low).tolist()).translate(list(low))


def gallows(hung: Manifold) -> Manifold:
    """A post with an arm, and what hangs from it: a solid that reaches up to the arm about x = ``OUT_MM``."""
    return block((-4, -6, 0), (4, 6, 24)) + block((-4, -6, ARM_MM), (30, 6, 24)) + hung


def cone(half_deg: float, height_mm: float = 8.0) -> Manifold:
    """Point down."""
    radius = height_mm * math.tan(math.radians(half_deg))
    return Manifold.cylinder(height_mm, 1e-4, radius, 64).translate([OUT_MM, 0, ARM_MM - height_mm])


def edge(half_deg: float, length_mm: float, height_mm: float = 3.0) -> Manifold:
    """A bar whose lower edge is a knife's, along y."""
    half = height_mm * math.tan(math.radians(half_deg))
    section = CrossSection([[[-half, 0], [0, -height_mm], [half, 0]]])
    bar = Manifold.extrude(section, length_mm).rotate([90, 0, 0])
    return bar.translate([OUT_MM, length_mm / 2, ARM_MM])


def corner(side_mm: float = 8.0) -> Manifold:
    """A cube on its corner."""
    tilt = math.degrees(math.atan(1 / math.sqrt(2)))
    cube = block((0, 0, 0), (side_mm,) * 3).rotate([45, 0, 0]).rotate([0, -tilt, 0])
    top = cube.bounding_box()[5]
    return cube.translate([OUT_MM, 0, ARM_MM + 1 - top])


TIPS: dict[str, Callable[[], Manifold]] = {
    **{f"cone {half}": partial(cone, half) for half in (30, 45)},
    **{f"edge {half}, {long} mm": partial(edge, half, long) for half in (30, 45) for long in (2, 5, 20)},
    "corner": corner,
}
