"""Threads: surfaces that a screwing motion takes into themselves.

A point at the radius r of a body that screws with the lead p moves along (r t + p / 2π a), t around and a
along the axis. A face of a thread has no part of that along its normal: r n_t + p / 2π n_a = 0, so each face
beside an axis names the lead it would have, -2π r n_t / n_a, and those of a thread agree.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.layers.stack import Floats
from falsework.part.part import Part
from falsework.redrawing.features.rounds import Round

LEADS_MM = (0.2, 12.0)
SAME_SHARE = 0.15  # of the lead, within which faces agree: flat facets of a flank lie that far off it
ALL_SHARE = 0.4  # of the lead that most agree on, how far off that of all flanks may be
DEEPEST = 1.5  # of its lead that a thread is deep
LEAST_TURNS = 1.5
LEAST_SHARE = 0.5  # of the flanks' area in that stretch that agrees
FEWEST_FACES = 24
FLANK = (0.15, 0.98)  # of a normal along the axis: less is a wall, more an end
COVER_SECTORS = 12
MOST_RADII = 8.0  # of the inner radius: wider is no thread but something beside it


@dataclass(frozen=True, eq=False)
class Thread:
    """``faces`` (m,) its flanks; between ``inner_mm`` and ``outer_mm`` from the axis through ``foot``."""

    axis: Floats
    foot: Floats
    low_mm: float
    high_mm: float
    inner_mm: float
    outer_mm: float
    lead_mm: float
    inward: bool
    faces: NDArray[np.bool_]


def threads_of(part: Part, normals: Floats, areas: Floats, rounds: Sequence[Round]) -> list[Thread]:
    """Threads about the axes of round faces, and about axes along x, y and z through the middle; the largest
    first."""
    middles = part.vertices[part.faces].mean(axis=1)
    found: list[Thread] = []
    for axis, foot in _axes(part, rounds):
        thread = _about(axis, foot, middles, normals, areas)
        if thread is not None and not any((thread.faces & other.faces).any() for other in found):
            found.append(_measured(part, thread))
    return sorted(found, key=lambda t: -float(areas[t.faces].sum()))


def _axes(part: Part, rounds: Sequence[Round]) -> Iterator[tuple[Floats, Floats]]:
    seen: list[tuple[Floats, Floats]] = []
    middle = part.bounds_mm.mean(axis=0)
    lines = [(r.axis, r.foot) for r in rounds] + [(axis, middle) for axis in np.eye(3)]
    for axis, point in lines:
        foot = point - (point @ axis) * axis
        if all(abs(float(axis @ a)) < 1.0 - 1e-6 or float(np.linalg.norm(foot - f)) > 0.05 for a, f in seen):
            seen.append((axis, foot))
            yield axis, foot


def _about(axis: Floats, foot: Floats, middles: Floats, normals: Floats, areas: Floats) -> Thread | None:
    """The faces about one axis whose leads agree, if they make a thread."""
    out = middles - foot
    along = out @ axis
    radial = out - along[:, None] * axis
    radius = np.linalg.norm(radial, axis=1)
    around = np.cross(axis, radial / np.maximum(radius, 1e-9)[:, None])
    n_a, n_t = normals @ axis, np.einsum("ij,ij->i", normals, around)
    flank = (np.abs(n_a) > FLANK[0]) & (np.abs(n_a) < FLANK[1])
    lead = np.where(flank, -2.0 * np.pi * radius * n_t / np.where(flank, n_a, 1.0), 0.0)
    some = flank & (np.abs(lead) > LEADS_MM[0]) & (np.abs(lead) < LEADS_MM[1])
    if int(some.sum()) < FEWEST_FACES:
        return None
    best = _densest(lead[some], areas[some])
    mine = some & (np.abs(lead - best) <= SAME_SHARE * abs(best))
    low, high = np.quantile(along[mine], (0.0, 1.0))
    inner, outer = np.quantile(radius[mine], (0.0, 1.0))
    stretch = flank & (along >= low) & (along <= high) & (radius >= inner) & (radius <= outer)
    sectors = np.floor(
        (np.arctan2(radial[mine] @ _side(axis)[1], radial[mine] @ _side(axis)[0]) / (2 * np.pi) + 0.5)
        * COVER_SECTORS
    )
    if (
        int(mine.sum()) < FEWEST_FACES
        or high - low < LEAST_TURNS * abs(best)
        or outer > MOST_RADII * max(inner, 1e-3)
        or outer - inner > DEEPEST * abs(best)
        or float(areas[mine].sum()) < LEAST_SHARE * float(areas[stretch].sum())
        or len(np.unique(np.clip(sectors, 0, COVER_SECTORS - 1))) < COVER_SECTORS
    ):
        return None
    w = areas[stretch]  # the two triangles of a twisted square err to both sides: all of them together do not
    a, t = n_a[stretch], 2.0 * np.pi * (radius * n_t)[stretch]
    lead_mm = abs(float((w * a * t).sum() / (w * a * a).sum()))
    if abs(lead_mm - abs(best)) > ALL_SHARE * abs(best):
        return None  # of a ring the facets err to both sides, and all of them together have no lead
    outward = float(areas[mine] @ np.einsum("ij,ij->i", normals, radial)[mine])
    return Thread(
        axis, foot, float(low), float(high), float(inner), float(outer), lead_mm, outward < 0.0, mine
    )


def _densest(lead: Floats, areas: Floats) -> float:
    """The lead about which most area agrees."""
    order = np.argsort(lead)
    lead, total = lead[order], np.concatenate([[0.0], np.cumsum(areas[order])])
    first = np.searchsorted(lead, lead - SAME_SHARE * np.abs(lead), side="left")
    last = np.searchsorted(lead, lead + SAME_SHARE * np.abs(lead), side="right")
    return float(lead[int(np.argmax(total[last] - total[first]))])


def _side(axis: Floats) -> Floats:
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(axis, first)])


def _measured(part: Part, thread: Thread) -> Thread:
    """The same from the corners of its faces, not from their middles."""
    corners = part.vertices[np.unique(part.faces[thread.faces])] - thread.foot
    along = corners @ thread.axis
    radius = np.linalg.norm(corners - along[:, None] * thread.axis, axis=1)
    return Thread(
        thread.axis,
        thread.foot,
        float(along.min()),
        float(along.max()),
        float(radius.min()),
        float(radius.max()),
        thread.lead_mm,
        thread.inward,
        thread.faces,
    )
