"""The neck of a fin: where it snaps off.

Beneath a level ceiling a layer of posts just beneath its top: the layer above the posts is whole, so the
ceiling rests on a line as it does without a neck; what stays on the ceiling when the fin is bent away is that
one line, to be trimmed. Beneath a curved one the top is no layer: there a slot a layer high follows it, step
by step, between posts where fins cross.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import LayerStack
from falsework.process.settings import Process
from falsework.redrawing.changes.walls import Wall, runs, topmost

POST_MM, WINDOW_MM = 1.2, 2.4  # a post of under three lines; a line bridges twice that without a sag
LEAST_LAYERS = 6  # lower fins have no neck
# Slots: whole layers left above them, and how long they are between posts.
SLOTS = ((1, 1.2), (2, 1.8), (2, 1.2), (3, 1.2), (2, 0.9))
_STEP_MM = 0.1  # along a top
_BENEATH = 1  # layers that must be left beneath a window: they bear the post behind it


@dataclass(frozen=True, eq=False)
class Necked:
    """A wall with its neck, and the section of the posts, mm²; 0 where there is none."""

    wall: Wall
    section_mm2: float

    @property
    def head_mm2(self) -> float:
        """The section in which its top holds on to what it carries."""
        return float(np.diff(runs(self.wall.profile), axis=1).sum()) * self.wall.thick_mm


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


def slotted(wall: Wall, crossed_mm: Sequence[float], slot: tuple[int, float], stack: LayerStack) -> Necked:
    """The wall with a slot along its top, one of ``SLOTS``, between posts: one where each other wall crosses
    it, at ``crossed_mm`` along it, and at its ends."""
    roof, long_mm = slot
    windows = []
    for start, end in runs(wall.profile).tolist():
        inner = sorted(at for at in crossed_mm if start < at < end)
        for a, b in pairwise([start, *inner, end]):
            count = int((b - a) // (POST_MM + long_mm))
            pitch_mm = (b - a) / max(count, 1)
            first = a + 0.5 * (pitch_mm - long_mm)
            at = (first + k * pitch_mm for k in range(count))
            windows += [_window(wall, x, x + long_mm, roof, stack) for x in at]
    found = [window for window in windows if window is not None]
    if not found:
        return Necked(wall, 0.0)
    profile = overlay.difference(wall.profile, overlay.union_all(found))
    made = Wall(wall.deg, wall.across_mm, wall.thick_mm, profile)
    posts_mm = float(np.diff(runs(wall.profile), axis=1).sum()) - long_mm * len(found)
    return Necked(made, posts_mm * wall.thick_mm)


def _window(wall: Wall, start: float, end: float, roof: int, stack: LayerStack) -> planar.Geometry | None:
    """What is taken out of a wall for a window: one layer, beneath ``roof`` whole ones under its top; None
    where its roof would begin in mid-air."""
    x = np.linspace(start, end, round((end - start) / _STEP_MM) + 1)
    low_mm, top_mm = topmost(wall.profile, 0.5 * (x[1:] + x[:-1])).T
    # tops reach to the middle of the layer above the part's first
    layer = np.searchsorted(stack.middles_mm, top_mm - 1e-3) - 2 - roof
    steps = np.diff(layer)
    falls, rises = np.flatnonzero(steps < 0), np.flatnonzero(steps > 0)
    dips = len(falls) > 0 and len(rises) > 0 and falls[0] < rises[-1]
    thin = (stack.z_mm[np.maximum(layer - _BENEATH, 0)] < low_mm).any()
    if thin or dips or (roof == 1 and len(falls) + len(rises) > 1):
        return None  # a post would stand on nothing; a piece hang on neither post, nor on a layer that does
    return overlay.union_all(planar.box(x[:-1], stack.z_mm[layer], x[1:], stack.z_mm[layer + 1]))


def snap_force_n(one: Necked, process: Process) -> float:
    """The push across the middle of a fin at which its neck snaps: see :func:`bent_off_n`."""
    _, low_mm, _, high_mm = one.wall.profile.bounds
    return bent_off_n(one.section_mm2, one.wall.thick_mm, high_mm - low_mm, process)


def bent_off_n(section_mm2: float, thick_mm: float, high_mm: float, process: Process) -> float:
    """The push at half its height at which a wall comes off what holds it: that of a beam of the
    section bent over the thickness of the wall, by the strength of the weld between layers."""
    moment = process.material.weld_strength_mpa * section_mm2 * thick_mm / 6.0
    return float(moment / max(0.5 * high_mm, 1e-6))


def _stretches(wall: Wall, z_mm: float) -> list[list[float]]:
    """Where along it a wall stands at a height."""
    low, _, high, _ = wall.profile.bounds
    level = planar.LineString([(low - 1.0, z_mm), (high + 1.0, z_mm)])
    found: list[list[float]] = runs(overlay.intersection(wall.profile, level)).tolist()
    return found
