"""Which pieces are in each other's way, and the order in which they leave: rounds, outermost first.

Peeling in rounds after Nelaturi, Behandish, Mirzendehdel, de Kleer 2019, Automatic Support Removal for
Additive Manufacturing Post Processing, arXiv 1904.12117; here for straight pulls of whole pieces.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass

import numpy as np

from falsework.layers.stack import Floats
from falsework.release.bodies import BodyMesh, window_of

PIECE_SHARE = 0.01  # of a piece's columns that others may block: strands give way
PIECE_FINE_MM = 0.3  # distance of samples while pieces are held against each other


@dataclass(frozen=True, eq=False)
class Exit:
    """A way out of one body: unit ``direction`` and the bodies in its way."""

    direction: Floats
    blockers: frozenset[int]


def blockers_of(mesh: BodyMesh, body: int, direction: Floats) -> frozenset[int]:
    """Other bodies of ``mesh`` that ``body`` would hit on its way along ``direction``."""
    window = window_of(mesh, body, direction, PIECE_FINE_MM)
    r = window.rotation
    middles = mesh.bounds.mean(axis=1) @ r.T
    halves = 0.5 * (mesh.bounds[:, 1] - mesh.bounds[:, 0]) @ np.abs(r).T
    low, high = middles - halves, middles + halves  # of turned boxes: no smaller than the bodies
    end = window.corner + window.cell_mm * np.array([window.width, window.height])
    near = (low[:, :2] <= end).all(axis=1) & (high[:, :2] >= window.corner).all(axis=1)
    near &= high[:, 2] > (mesh.corners[body] @ r[2]).min()
    near[body] = False
    others = np.flatnonzero(near).tolist()
    return frozenset(other for other in others if window.overlap(mesh, other) > PIECE_SHARE)


def peeled(
    exits: Mapping[int, Sequence[Exit]], broken: Set[int] = frozenset(), fixed: Set[int] = frozenset()
) -> tuple[dict[int, int], dict[int, Exit], frozenset[int]]:
    """Rounds from 1 of the bodies that leave, the exit that each takes, and those locked in by others.

    ``exits`` of the bodies that can be pulled whole, best first; ``broken`` bodies are taken apart once
    nothing whole can leave; ``fixed`` ones never leave. Of bodies that lock each other, the one with
    fewest in its way is locked: it has no exit and must be broken out.
    """
    remaining, apart, locked = set(exits), set(broken), set()
    rounds: dict[int, int] = {}
    taken: dict[int, Exit] = {}
    number = 0
    while remaining or apart:
        number += 1
        here = remaining | apart | fixed
        free = {
            body: next((way for way in exits[body] if not way.blockers & here), None)
            for body in sorted(remaining)
        }
        whole = {body: way for body, way in free.items() if way is not None}
        taken.update(whole)
        leaving = set(whole)
        if not leaving and not remaining:
            leaving = set(apart)
        elif not leaving:
            in_way = {other for body in remaining for way in exits[body] for other in way.blockers}
            leaving = apart & in_way
        if not leaving:
            body = min(remaining, key=lambda b: (min(len(way.blockers & here) for way in exits[b]), b))
            locked.add(body)
            leaving = {body}
        rounds.update(dict.fromkeys(leaving, number))
        remaining -= leaving
        apart -= leaving
    return rounds, taken, frozenset(locked)


def staying(down: Mapping[int, frozenset[int]]) -> frozenset[int]:
    """Of bodies that may stay when the part is lifted, those with none that goes along beneath them."""
    left = set(down)
    while True:
        out = {body for body in left if down[body] - left}
        if not out:
            return frozenset(left)
        left -= out
