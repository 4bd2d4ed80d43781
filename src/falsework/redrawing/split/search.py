"""Where to cut: every height along many directions by columns, then finer around the best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.graph import joined_groups
from falsework.orientation.body import SHARP_DEG, Body, own_frame
from falsework.orientation.directions import even_directions, resting_directions
from falsework.part.part import Floats
from falsework.process.settings import Process
from falsework.redrawing.split.slabs import Slabs, slabs_of
from falsework.redrawing.split.value import Gluing
from falsework.request.weights import Weights
from falsework.watch import Watch

STEPS = 80  # even heights along each direction, and
LEVELS = 24  # heights of level faces, the largest
EVEN, PLANES_OF, RESTING = 100, 24, 24  # even directions, normals of plane faces, of resting ones
SAME_DEG = 1.0  # directions nearer than that are one
LEVEL_DEG = 5.0  # faces this near to level count as parallel to the cut
NEAR_MM, ON_MM = 1.0, 0.02  # a cut keeps this far from them, or lies in one of them
ONE_PLANE_DEG, FACET_TIMES = 0.5, 3.0  # of facets: see ``_plane_faces``
LEVEL_MM2 = 4.0  # smaller faces do not count
LEAST_JOINT_LINES = 6.0  # a joint has at least the area of a square of so many lines
SAME_SHARE, BESIDE_SHARE = (
    0.01,
    0.15,
)  # prices this near are the same; of the height, on each side of the middle
PER_DIRECTION = 3  # cuts kept of each direction, of each number of cuts
APART_DEG, APART_SHARE = 6.0, 0.05  # planes nearer than that, of the size, are much alike
FINER = 8  # heights on each side of a cut when it is looked at again
STAND_OFF_MM = 1e-3
"""How far a cut in a level face keeps to the narrower side, so that rounding leaves no film of the face."""


@dataclass(frozen=True, eq=False)
class Chain:
    """Parallel cuts across one direction, and what columns say that the pieces and joints cost."""

    direction: Floats  # unit, in the body's frame
    offsets_mm: tuple[float, ...]  # direction · point, ascending
    on_face: tuple[bool, ...]
    askew: bool  # along no face or axis of the body
    price: float


@dataclass(frozen=True, eq=False)
class Seeker:
    """What cuts of one body are looked for by.

    ``flat`` (m,): faces of planes. ``barred`` (k, 2): faces that no cut may cross, each with itself, and
    those that no cut may come between.
    """

    body: Body
    flat: NDArray[np.bool_]
    barred: NDArray[np.int64]
    process: Process
    weights: Weights
    gluing: Gluing


@dataclass(frozen=True, eq=False)
class Heights:
    """Heights (Q,) above the lowest point along a direction, from 0 to the highest point.

    ``offset_mm``: where a cut there is made, direction · point. ``on_face``: in a level face.
    ``allowed``: neither near a face without lying in it, nor through a barred one.
    """

    mm: Floats
    offset_mm: Floats
    on_face: NDArray[np.bool_]
    allowed: NDArray[np.bool_]


def heights_of(seeker: Seeker, direction: Floats, extra_mm: Floats | None = None) -> Heights:
    """Heights to look at; ``extra_mm`` (offsets along the direction) instead of the even ones."""
    body = seeker.body
    along = body.points @ direction
    low, high = float(along.min()), float(along.max())
    corners = along[body.faces]
    facing = body.normals @ direction
    level = np.abs(facing) > np.cos(np.radians(LEVEL_DEG))
    at, face_mm2, up = corners[level].mean(axis=1), body.areas[level].astype(np.float64), facing[level] > 0.0
    flat = seeker.flat[level] & (np.ptp(corners[level], axis=1) <= ON_MM)
    planes, shift = _levels(at[flat], face_mm2[flat], up[flat])
    even = low + (high - low) * np.arange(1, STEPS) / STEPS if extra_mm is None else extra_mm
    inside = (planes > low + ON_MM) & (planes < high - ON_MM)
    planes, shift = planes[inside], shift[inside]
    if len(planes):
        nearest = np.abs(even[:, None] - planes[None]).min(axis=1) if len(even) else np.zeros(0)
        even = even[nearest > ON_MM]
    z = np.concatenate([[low], even, planes, [high]])
    moved = np.concatenate([[0.0], np.zeros(len(even)), shift, [0.0]])
    on_face = np.concatenate([[False], np.zeros(len(even), bool), np.ones(len(planes), bool), [False]])
    order = np.argsort(z, kind="stable")
    z, moved, on_face = z[order], moved[order], on_face[order]
    allowed = np.isfinite(moved)  # faces that look both ways: no side to keep to
    near = _area_within(z, at, face_mm2, NEAR_MM) - np.where(
        on_face, _area_within(z, at, face_mm2, ON_MM), 0.0
    )
    allowed &= near <= LEVEL_MM2
    if len(seeker.barred):
        lowest, highest = corners.min(axis=1)[seeker.barred], corners.max(axis=1)[seeker.barred]
        begin, end = np.sort(lowest.min(axis=1)), np.sort(highest.max(axis=1))
        allowed &= np.searchsorted(begin, z - ON_MM) - np.searchsorted(end, z + ON_MM) <= 0
    allowed[[0, -1]] = False
    return Heights(z - low, z + np.where(np.isfinite(moved), moved, 0.0), on_face, allowed)


def _levels(at: Floats, area_mm2: Floats, up: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Heights of the largest level faces, and how far a cut in each stands off (nan: they look both ways)."""
    order = np.argsort(at, kind="stable")
    at, area_mm2, up = at[order], area_mm2[order], up[order]
    group = np.concatenate([[0], np.cumsum(np.diff(at) > ON_MM)]) if len(at) else np.zeros(0, np.int64)
    whole = np.bincount(group, area_mm2)
    middle = np.bincount(group, area_mm2 * at) / np.maximum(whole, 1e-300)
    upward = np.bincount(group, area_mm2 * up) / np.maximum(whole, 1e-300)
    rank = np.argsort(-whole, kind="stable")[:LEVELS]
    rank = rank[whole[rank] >= LEVEL_MM2]
    shift = np.where(upward > 0.95, STAND_OFF_MM, np.where(upward < 0.05, -STAND_OFF_MM, np.nan))
    return middle[rank], shift[rank]


def _area_within(z: Floats, at: Floats, area_mm2: Floats, mm: float) -> Floats:
    """(Q,) area of the faces at heights ``at`` that lie within ``mm`` of each of ``z``."""
    order = np.argsort(at, kind="stable")
    sums = np.concatenate([[0.0], np.cumsum(area_mm2[order])])
    at = at[order]
    within: Floats = sums[np.searchsorted(at, z + mm, "right")] - sums[np.searchsorted(at, z - mm)]
    return within


@dataclass(frozen=True, eq=False)
class _Looked:
    """One direction looked at."""

    heights: Heights
    slabs: Slabs
    askew: bool

    def best(self, seeker: Seeker, whole: Whole, cuts: int, most: int) -> list[Chain]:
        """The cheapest of ``cuts`` (1 or 2) parallel cuts among these heights, each the best around it."""
        price, joint = self.slabs.price, self._joints(seeker, whole)
        if cuts == 1:
            total = price[0] + joint + price[:, -1]
            total = _middle_first(total, self.heights.mm)[:, None]
        else:
            total = price[0][:, None] + joint[:, None] + price + joint[None] + price[:, -1][None]
        return [
            Chain(
                self.slabs.direction,
                tuple(float(self.heights.offset_mm[q]) for q in at[:cuts]),
                tuple(bool(self.heights.on_face[q]) for q in at[:cuts]),
                self.askew,
                float(total[at]),
            )
            for at in _least(total)[:most]
        ]

    def _joints(self, seeker: Seeker, whole: Whole) -> Floats:
        """(Q,) price of joining at each height, infinite where no cut may be."""
        joint = np.full(len(self.heights.mm), np.inf)
        least = (LEAST_JOINT_LINES * seeker.process.line_width_mm) ** 2
        gluing, area = seeker.gluing, self.slabs.joint_mm2
        for q in np.flatnonzero(self.heights.allowed & (area >= least)):
            on_face = bool(self.heights.on_face[q])
            risk = gluing.risk(float(area[q]) / whole.section_mm2, on_face, self.askew)
            joint[q] = gluing.price(1, 2, float(area[q])) + whole.printing * risk
        return joint


def _middle_first(total: Floats, mm: Floats) -> Floats:
    """Prices (Q,) by which the middle comes before what is hardly cheaper beside it: it is easy to find."""
    middle = int(np.argmin(np.abs(mm - 0.5 * mm[-1])))
    beside = np.abs(mm - 0.5 * mm[-1]) < BESIDE_SHARE * mm[-1]
    if (
        abs(mm[middle] - 0.5 * mm[-1]) > ON_MM
        or not total[middle] <= (1.0 + SAME_SHARE) * total[beside].min()
    ):
        return total
    lifted = np.where(beside, np.maximum(total, np.nextafter(total[middle], np.inf)), total)
    lifted[middle] = total[middle]
    return lifted


def _least(total: Floats) -> list[tuple[int, ...]]:
    """Indices of finite entries that no neighbour in the table undercuts, least first."""
    padded = np.pad(total, 1, constant_values=np.inf)
    lowest = np.isfinite(total)
    rows, columns = total.shape
    for a in (0, 1, 2):
        for b in (0, 1, 2):
            lowest &= total <= padded[a : a + rows, b : b + columns]
    i, j = np.nonzero(lowest)
    order = np.argsort(total[i, j], kind="stable")
    return list(zip(i[order].tolist(), j[order].tolist(), strict=True))


def seeker_of(
    body: Body, marked: NDArray[np.bool_], process: Process, weights: Weights, gluing: Gluing
) -> Seeker:
    """A seeker of cuts that spare the ``marked`` (m,) faces: none is crossed, nor parted from the next."""
    f, g, cosine = _neighbours(body)
    parted = marked[f] & marked[g] & (cosine > np.cos(np.radians(SHARP_DEG)))
    own = np.flatnonzero(marked)
    barred = np.concatenate([np.column_stack([own, own]), np.column_stack([f, g])[parted]])
    return Seeker(body, _plane_faces(body, f, g, cosine), barred, process, weights, gluing)


def _neighbours(body: Body) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """Faces on both sides of every edge, and the cosine of the angle between their normals."""
    faces, count = body.faces, len(body.faces)
    start, end = faces[:, [0, 1, 2]].T.reshape(-1), faces[:, [1, 2, 0]].T.reshape(-1)
    key = np.minimum(start, end).astype(np.int64) * body.vertices.shape[1] + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    pairs = np.flatnonzero(np.diff(key[order]) == 0)
    f, g = order[pairs] % count, order[pairs + 1] % count
    return f, g, np.einsum("ij,ij->i", body.normals[f].astype(np.float64), body.normals[g])


def _plane_faces(body: Body, f: NDArray[np.int64], g: NDArray[np.int64], cosine: Floats) -> NDArray[np.bool_]:
    """(m,) which faces belong to a plane of the body, and not to a curved face drawn in facets.

    Faces that lie in one plane and touch are one facet; it is of a curved face if it meets another one that
    is hardly smaller at less of an edge than ``SHARP_DEG``.
    """
    level = cosine > np.cos(np.radians(ONE_PLANE_DEG))
    facet = joined_groups(len(body.faces), f[level], g[level])
    area = np.bincount(facet, body.areas.astype(np.float64))
    smooth = ~level & (cosine > np.cos(np.radians(SHARP_DEG)))
    curved = np.zeros(len(area), bool)
    for one, other in ((facet[f[smooth]], facet[g[smooth]]), (facet[g[smooth]], facet[f[smooth]])):
        curved[one[area[one] < FACET_TIMES * area[other]]] = True
    return np.asarray(~curved[facet])


def directions_of(body: Body, flat: NDArray[np.bool_], even: int = EVEN) -> tuple[Floats, NDArray[np.bool_]]:
    """(d, 3) directions across which cuts are looked for, of each opposite two one; (d,) which are askew.

    Axes of the frame, normals of the largest of its ``flat`` faces, axes of the body's own (those of symmetry
    are among them); what it would rest on, and even ones, come after them and are askew.
    """
    normals, face_mm2 = body.normals[flat].astype(np.float64), body.areas[flat].astype(np.float64)
    _, which = np.unique(np.round(normals, 3), axis=0, return_inverse=True)
    which = which.reshape(-1)
    sums = np.stack([np.bincount(which, face_mm2 * normals[:, a]) for a in range(3)], axis=1)
    areas = np.linalg.norm(sums, axis=1)
    largest = np.argsort(-areas, kind="stable")[:PLANES_OF]
    largest = largest[areas[largest] >= LEVEL_MM2]
    own = np.concatenate(
        [
            np.eye(3),
            sums[largest] / areas[largest][:, None],
            own_frame(body.points, body.faces),
        ]
    )
    both = np.concatenate([own, resting_directions(body.points, RESTING), even_directions(2 * even)[:even]])
    taken: list[int] = []
    near = np.cos(np.radians(SAME_DEG))
    for index, one in enumerate(both):
        if not taken or float(np.abs(both[taken] @ one).max()) < near:
            taken.append(index)
    found = both[taken]
    found[np.abs(found) < 1e-7] = 0.0
    return found / np.linalg.norm(found, axis=1)[:, None], np.array(taken) >= len(own)


def chains_of(
    seeker: Seeker, directions: Floats, askew: NDArray[np.bool_], most_cuts: int, most: int, watch: Watch
) -> FoundChains:
    """The best ``most`` chains of one cut, and of two where asked.

    A third of them whatever they are, a third along axes or faces, a third in faces: columns only know the
    two lies on a cut, and pieces may have better ones. Chains much like a better one are left out; each of
    the rest is looked at again with heights in between.
    """
    looked = []
    for number, direction in enumerate(directions):
        watch.at("looking for cuts", 0.8 * number / len(directions))
        heights = heights_of(seeker, direction)
        slabs = slabs_of(seeker.body, direction, heights.mm, seeker.process, seeker.weights)
        looked.append(_Looked(heights, slabs, bool(askew[number])))
    whole = Whole(
        max(float(one.slabs.joint_mm2.max()) for one in looked), min(one.slabs.printing for one in looked)
    )
    chains = []
    for cuts in range(1, most_cuts + 1):
        all_of = [chain for one in looked for chain in one.best(seeker, whole, cuts, PER_DIRECTION)]
        few: list[Chain] = []
        for sort in (all_of, [c for c in all_of if not c.askew], [c for c in all_of if any(c.on_face)]):
            few = _distinct(few, sort, seeker.body, len(few) + most // 3)
        finer = [_finer(seeker, whole, chain) for chain in few]
        chains.append(sorted(finer, key=lambda chain: chain.price))
        watch.at("looking for cuts", 0.8 + 0.2 * cuts / most_cuts)
    planes = sum(int(np.count_nonzero(one.heights.allowed)) for one in looked)
    return FoundChains(chains, whole, planes)


@dataclass(frozen=True, eq=False)
class Whole:
    """The uncut body: its largest section, and what printing it in its best lie costs, by columns."""

    section_mm2: float
    printing: float


@dataclass(frozen=True, eq=False)
class FoundChains:
    """Chains of one cut, then of two, cheapest first; the uncut body; how many planes were looked at."""

    chains: list[list[Chain]]
    whole: Whole
    planes: int


def _distinct(taken: list[Chain], chains: list[Chain], body: Body, most: int) -> list[Chain]:
    """``taken`` and the cheapest chains that are not much like one taken before, up to ``most`` in all."""
    near, size = np.cos(np.radians(APART_DEG)), float(np.ptp(body.points, axis=0).max())
    taken = list(taken)
    for chain in sorted(chains, key=lambda chain: chain.price):
        if len(taken) == most:
            break
        offsets = np.array(chain.offsets_mm)
        for other in taken:
            cosine = float(chain.direction @ other.direction)
            theirs = np.array(other.offsets_mm) if cosine > 0 else -np.array(other.offsets_mm)[::-1]
            if abs(cosine) > near and np.abs(offsets - theirs).max() < APART_SHARE * size:
                break
        else:
            taken.append(chain)
    return taken


def _finer(seeker: Seeker, whole: Whole, chain: Chain) -> Chain:
    """The same chain with each cut that lies in no face moved to the best height around it."""
    if all(chain.on_face):
        return chain
    along = seeker.body.points @ chain.direction
    low, high = float(along.min()), float(along.max())
    between = (high - low) / STEPS * np.arange(-FINER, FINER + 1) / FINER
    extra = np.unique(
        np.concatenate([*(offset + between for offset in chain.offsets_mm), [0.5 * (low + high)]])
    )
    heights = heights_of(seeker, chain.direction, extra[(extra > low) & (extra < high)])
    slabs = slabs_of(seeker.body, chain.direction, heights.mm, seeker.process, seeker.weights)
    found = _Looked(heights, slabs, chain.askew).best(seeker, whole, len(chain.offsets_mm), 1)
    return found[0] if found and found[0].price <= chain.price else chain
