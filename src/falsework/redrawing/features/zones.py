"""``Cylinder``, ``Prism``, ``Skins``: the room that a bore, a slot or a thin wall needs, as plain figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from falsework.arrays import Point
from falsework.layers import overlay, planar
from falsework.layers.stack import Floats

if TYPE_CHECKING:
    from manifold3d import Manifold

SEGMENTS = 64
SKIN_MM = 0.2  # before the face of a thin wall
OUTLINE_MM = 0.05  # outlines are kept to this
CLEAR_MM, CLEAR_SHARE = 0.05, 0.02  # so far within its walls the room begins: facets stand inside a circle


@dataclass(frozen=True)
class Cylinder:
    """Around an axis through ``foot``, from ``low_mm`` to ``high_mm`` along it, between two radii.

    ``inner_mm`` equal to ``outer_mm`` is a shaft, around which nothing may be.
    """

    axis: Point
    foot: Point
    low_mm: float
    high_mm: float
    inner_mm: float
    outer_mm: float

    def solid(self) -> Manifold:
        """The room as a body, in the part's own frame."""
        from manifold3d import Manifold

        clear = max(CLEAR_MM, CLEAR_SHARE * self.outer_mm)
        shaft = self.inner_mm >= self.outer_mm
        if shaft:
            outer = self.outer_mm + clear
        elif self.inner_mm > 0.0:  # over an outer thread goes a nut, at least as thick as it is deep
            outer = 2.0 * self.outer_mm - self.inner_mm
        else:
            outer = self.outer_mm - clear
        length = self.high_mm - self.low_mm
        body = Manifold.cylinder(length, outer, outer, SEGMENTS)
        if self.inner_mm > 0.0:
            inner = self.inner_mm + (0.2 * clear if shaft else clear)
            body -= Manifold.cylinder(length, inner, inner, SEGMENTS)
        frame = _frame(np.array(self.axis))
        base = np.array(self.foot) + self.low_mm * np.array(self.axis)
        return body.transform(np.column_stack([frame, base]))


@dataclass(frozen=True)
class Prism:
    """Between two faces that look at each other: ``outline`` in a plane through ``origin`` square to
    ``normal``, drawn along it by ``gap_mm``."""

    normal: Point
    origin: Point
    outline: tuple[tuple[float, float], ...]
    gap_mm: float

    def solid(self) -> Manifold:
        """The room as a body, in the part's own frame."""
        from manifold3d import CrossSection, Manifold

        ring = overlay.buffer(planar.Polygon(self.outline), -CLEAR_MM, join_style="mitre")
        inner = planar.orient_polygons(planar.get_parts(ring))
        rings = [np.asarray(one.exterior.coords)[:-1] for one in inner if not one.is_empty]
        if not rings or self.gap_mm <= 2 * CLEAR_MM:
            return Manifold()
        body = Manifold.extrude(CrossSection(rings), self.gap_mm - 2 * CLEAR_MM)
        frame = _frame(np.array(self.normal))
        base = np.array(self.origin) + CLEAR_MM * np.array(self.normal)
        return body.transform(np.column_stack([frame, base]))


@dataclass(frozen=True)
class Skins:
    """Right before both faces of a thin wall of ``thick_mm``, the first through ``origin`` square to
    ``normal``: what comes there makes it thick."""

    normal: Point
    origin: Point
    outline: tuple[tuple[float, float], ...]
    thick_mm: float

    def solid(self) -> Manifold:
        """The room as a body, in the part's own frame."""
        deep_mm = SKIN_MM + 2 * CLEAR_MM
        far = np.array(self.origin) - (self.thick_mm + deep_mm) * np.array(self.normal)
        x, y, z = far.tolist()
        sides = (Prism(self.normal, at, self.outline, deep_mm) for at in (self.origin, (x, y, z)))
        first, second = (side.solid() for side in sides)
        return first + second


def outline_of(region: planar.Polygon) -> tuple[tuple[float, float], ...]:
    """The outer outline of a region, its holes left out."""
    ring = planar.simplify(planar.Polygon(region.exterior), OUTLINE_MM)
    return tuple((float(x), float(y)) for x, y in np.asarray(ring.exterior.coords)[:-1])


def extents_mm(region: planar.Polygon) -> tuple[float, float]:
    """The longer and the shorter side of the least rectangle around a region."""
    box = np.asarray(planar.oriented_envelope(region).exterior.coords)
    sides = np.linalg.norm(np.diff(box[:3], axis=0), axis=1)
    return float(sides.max()), float(sides.min())


def _frame(axis: Floats) -> Floats:
    """(3, 3) columns: two directions square to a unit axis, and the axis, right-handed."""
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.column_stack([first, np.cross(axis, first), axis])


def plane_of(axis: Floats) -> Floats:
    """(2, 3) the two directions in which a ``Prism`` of that normal has its outline."""
    flat: Floats = _frame(axis)[:, :2].T
    return flat
