"""The neck of a fin: a layer of posts just beneath its top, where it snaps off.

The layer above the posts is whole, so the ceiling rests on a line as it does without a neck; what stays on
the ceiling when the fin is bent away is that one line, to be trimmed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import LayerStack
from falsework.process.settings import Process
from falsework.redrawing.changes.walls import Wall, runs

POST_MM, WINDOW_MM = 1.2, 2.4  # a post of under three lines; a line bridges twice that without a sag
LEAST_LAYERS = 6  # lower fins have no neck


@dataclass(frozen=True, eq=False)
class Necked:
    """A wall with its neck, and the section of the posts, mm²; 0 where there is none."""

    wall: Wall
    section_mm2: float


def necked(wall: Wall, stack: LayerStack) -> Necked:
    """The wall with windows in the second layer beneath its top."""
    _, low_mm, _, top_mm = wall.profile.bounds
    layer = int(np.searchsorted(stack.middles_mm, top_mm - 1e-6)) - 2
    if layer < 1 or top_mm - low_mm < LEAST_LAYERS * float(stack.heights_mm[layer]):
        return Necked(wall, 0.0)
    floor_mm, head_mm = float(stack.z_mm[layer]), float(stack.z_mm[layer + 1])
    windows, posts_mm = [], 0.0
    for start, end in _stretches(wall, float(stack.middles_mm[layer])):
        count = max(0, int((end - start - POST_MM) // (POST_MM + WINDOW_MM)))
        post_mm = (end - start - count * WINDOW_MM) / (count + 1)
        posts_mm += (count + 1) * post_mm
        at = start + post_mm + np.arange(count) * (post_mm + WINDOW_MM)
        windows += [planar.box(x, floor_mm, x + WINDOW_MM, head_mm) for x in at.tolist()]
    if not windows:
        return Necked(wall, 0.0)
    profile = overlay.difference(wall.profile, overlay.union_all(windows))
    made = Wall(wall.deg, wall.across_mm, wall.thick_mm, profile)
    return Necked(made, posts_mm * wall.thick_mm)


def snap_force_n(one: Necked, process: Process) -> float:
    """The push across the middle of a fin at which its neck snaps: that of a beam of the posts' section bent
    over the thickness of the wall, by the strength of the weld between layers."""
    _, low_mm, _, high_mm = one.wall.profile.bounds
    moment = process.material.weld_strength_mpa * one.section_mm2 * one.wall.thick_mm / 6.0
    return float(moment / max(0.5 * (high_mm - low_mm), 1e-6))


def _stretches(wall: Wall, z_mm: float) -> list[list[float]]:
    """Where along it a wall stands at a height."""
    low, _, high, _ = wall.profile.bounds
    level = planar.LineString([(low - 1.0, z_mm), (high + 1.0, z_mm)])
    found: list[list[float]] = runs(overlay.intersection(wall.profile, level)).tolist()
    return found
