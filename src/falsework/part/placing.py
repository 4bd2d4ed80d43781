"""How a part lies on the bed: turning, scaling, setting down; and whether it fits the printer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from falsework.errors import PartError
from falsework.part.part import Floats, MeshFinding, Part
from falsework.wording.figures import length
from falsework.wording.notices import TooLarge

AXES = ("x", "y", "z")
LARGEST_SCALE = 1e4
SETTLED_MM = 0.01  # a part this near the bed already stands on it
TOLERANCE_MM = 1e-6  # a part of exactly the bed's size fits, whatever the rounding


def turn_matrix(turn_deg: tuple[float, float, float]) -> Floats:
    """(3, 3) rotation about the fixed x axis, then the fixed y axis, then the fixed z axis.

    Degrees, counter-clockwise seen from the axis' positive end. Quarter turns are exact.
    """
    matrix = np.eye(3)
    for axis, angle in enumerate(turn_deg):
        c, s = _cos_sin(angle)
        step = np.eye(3)
        i, j = (axis + 1) % 3, (axis + 2) % 3
        step[i, i] = step[j, j] = c
        step[i, j], step[j, i] = -s, s
        matrix = step @ matrix
    return matrix + 0.0  # no negative zeros


def _cos_sin(angle_deg: float) -> tuple[float, float]:
    quarters, rest = divmod(math.remainder(angle_deg, 360.0), 90.0)
    if rest == 0.0:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarters) % 4]
    radians = math.radians(angle_deg)
    return math.cos(radians), math.sin(radians)


def place(
    part: Part,
    *,
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    scale: float = 1.0,
    bed_mm: tuple[float, float],
) -> Part:
    """The part scaled, turned about x, then y, then z (fixed axes), set on the bed at its middle.

    The lowest point comes to z = 0 and the middle of the outline's box to the middle of the bed,
    whose corner is the origin. A part that is not turned and did not stand on the bed is a finding.
    Faces and face sets stay as they are; the places of earlier findings move with the part.
    """
    if not all(math.isfinite(a) for a in turn_deg):
        raise PartError("turn", f"{turn_deg} is no rotation", "Give three angles in degrees")
    if not (math.isfinite(scale) and 0 < scale <= LARGEST_SCALE):
        raise PartError("scale", f"{scale} is no usable factor", f"Give one above 0, up to {LARGEST_SCALE:g}")
    turn = turn_matrix(turn_deg)
    turned = not np.array_equal(turn, np.eye(3))

    def moved(points: Floats) -> Floats:
        points = points if scale == 1.0 else points * scale
        return points @ turn.T if turned else points

    vertices = moved(part.vertices)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    middle = (low[:2] + high[:2]) / 2
    shift = np.array([bed_mm[0] / 2 - middle[0], bed_mm[1] / 2 - middle[1], -low[2]])
    findings = []
    for finding in part.health.findings:
        if finding.where_mm is not None:
            x, y, z = moved(np.array([finding.where_mm]))[0] + shift
            finding = replace(finding, where_mm=(float(x), float(y), float(z)))
        findings.append(finding)
    if not turned and abs(low[2]) > SETTLED_MM:
        how = "lowered" if low[2] > 0 else "raised"
        findings.append(
            MeshFinding("part off the bed", 1, f"{how} by {length(abs(float(low[2])))} to stand on it")
        )
    return replace(
        part,
        vertices=np.ascontiguousarray(vertices + shift),
        health=replace(part.health, findings=tuple(findings)),
    )


def fits(part: Part, build_mm: tuple[float, float, float]) -> list[TooLarge]:
    """One notice per axis along which the part is larger than the build volume; [] if it fits.

    Each says by how much, and the scale at which the whole part would fit as it lies.
    """
    size = part.size_mm
    ratio = min(room / long for room, long in zip(build_mm, size, strict=True) if long > 0)
    percent = math.floor(1000 * ratio) / 10
    return [
        TooLarge(axis, float(long), room, percent)
        for axis, long, room in zip(AXES, size, build_mm, strict=True)
        if long > room + TOLERANCE_MM
    ]
