"""Spokes: walls square to the free edges of an underside, where these are round or run all ways."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats

CORNER_DEG = 30.0  # a free edge that turns by more at one point ends there
_ENDLESS = 1e4


@dataclass(frozen=True)
class Spoke:
    """A wall to be: its direction, where its middle plane lies across that, and where its foot on the free
    edge lies along it."""

    deg: float
    across_mm: float
    along_mm: float


def spokes(
    chains: list[Floats], thick_mm: float, inset_mm: float, bay_mm: float, turn_deg: float
) -> list[Spoke]:
    """Spokes on the free edges of ``chains_of``.

    No two neighbours on an edge are farther apart than ``bay_mm`` nor turned by more than ``turn_deg``.
    """
    edge = inset_mm + 0.5 * thick_mm
    long = [one for one in chains if np.hypot(*(one[:, 2:] - one[:, :2]).T).sum() >= 2.0 * edge + thick_mm]
    return [spoke for chain in long for spoke in _on_chain(chain, edge, bay_mm, turn_deg)]


def spoke_length_mm(spoke: Spoke, footprint: planar.Geometry, inset_mm: float) -> float:
    """How long a spoke is under a footprint, from its foot to where that first ends."""
    c, s = math.cos(math.radians(spoke.deg)), math.sin(math.radians(spoke.deg))
    x = (spoke.along_mm + inset_mm) * c - spoke.across_mm * s
    y = (spoke.along_mm + inset_mm) * s + spoke.across_mm * c
    ray = planar.LineString([(x, y), (x + _ENDLESS * c, y + _ENDLESS * s)])
    parts = planar.get_parts(overlay.intersection(ray, footprint))
    near = planar.distance(parts, planar.Point(x, y)) <= inset_mm
    return float(planar.length(parts[near]).sum())


def chains_of(free: Floats) -> list[Floats]:
    """Free edges (E, 4), which have the underside on their left, in runs that follow each other, cut at
    corners."""
    start = {tuple(edge[:2]): k for k, edge in enumerate(np.round(free, 6).tolist())}
    ends = np.round(free[:, 2:], 6).tolist()
    follow = [start.get(tuple(end), -1) for end in ends]
    angle = np.degrees(np.arctan2(free[:, 3] - free[:, 1], free[:, 2] - free[:, 0]))
    for k, j in enumerate(follow):
        if j >= 0 and abs((angle[j] - angle[k] + 180.0) % 360.0 - 180.0) > CORNER_DEG:
            follow[k] = -1
    followed = {j for j in follow if j >= 0}
    left = set(range(len(free)))
    chains = []
    for k in [*(k for k in range(len(free)) if k not in followed), *range(len(free))]:
        chain = []
        while k in left:
            left.discard(k)
            chain.append(k)
            k = follow[k]
        if chain:
            chains.append(free[chain])
    return chains


def _on_chain(chain: Floats, edge_mm: float, bay_mm: float, turn_deg: float) -> list[Spoke]:
    """Spokes evenly over one run: by length, and by turning where it is round."""
    step = chain[:, 2:] - chain[:, :2]
    length = np.hypot(*step.T)
    angle = np.degrees(np.arctan2(step[:, 1], step[:, 0]))
    closed = bool(np.allclose(chain[0, :2], chain[-1, 2:], atol=1e-6)) and len(chain) > 2
    turn = np.abs((np.diff(angle, append=angle[0]) + 180.0) % 360.0 - 180.0)
    if not closed:
        turn[-1] = 0.0
    # every edge takes half of the turns at its ends
    cost = length / bay_mm + 0.5 * (turn + np.roll(turn, 1)) / turn_deg
    run = np.concatenate([[0.0], np.cumsum(cost)])
    count = max(1, math.ceil(run[-1] - 1e-9))
    at = np.linspace(0.0, run[-1], count, endpoint=False) if closed else np.linspace(0.0, run[-1], count + 1)
    k = np.clip(np.searchsorted(run, at, side="right") - 1, 0, len(chain) - 1)
    along = length[k] * (at - run[k]) / cost[k]
    if not closed:  # the first and the last stand wholly behind the ends
        before = np.concatenate([[0.0], np.cumsum(length)])
        place = np.clip(before[k] + along, edge_mm, length.sum() - edge_mm)
        k = np.clip(np.searchsorted(before, place, side="right") - 1, 0, len(chain) - 1)
        along = place - before[k]
    feet = chain[k, :2] + step[k] * (along / length[k])[:, None]
    inward = angle[k] + 90.0
    c, s = np.cos(np.radians(inward)), np.sin(np.radians(inward))
    across, foot = feet[:, 1] * c - feet[:, 0] * s, feet[:, 0] * c + feet[:, 1] * s
    return [Spoke(*one) for one in zip(inward.tolist(), across.tolist(), foot.tolist(), strict=True)]
