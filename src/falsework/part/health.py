"""The healing ladder: from triangles as a file has them to a ``Part`` whose health is known.

Each step takes a ``CheckedMesh`` and returns a new one with what it found. Nothing is repaired on a guess
that could change the part's shape without a finding that says so, with the volume before and after.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from falsework.cores import side_by_side
from falsework.errors import PartError
from falsework.kernels.graph import joined_groups
from falsework.kernels.mesh.crossing import boxes_of_faces, crossing_faces, crossing_share
from falsework.kernels.mesh.edges import (
    group_rows,
    pair_edges,
    pair_fans,
    part_corners,
    sort_edges,
    wind_shells,
)
from falsework.kernels.mesh.measures import (
    face_areas,
    finite_bounds,
    inside_counts,
    mesh_volume,
    shell_figures,
)
from falsework.part.holes import close_holes
from falsework.part.part import CROSSING, Floats, Health, Ints, MeshFinding, Part
from falsework.part.raw import RawMesh
from falsework.watch import QUIET, Watch
from falsework.wording import figures as wording

STITCH_SHARES = (1e-6, 1e-5, 1e-4)  # of the part's diagonal: how far open edges may lie apart
TOUCH_SHARE = 1e-6  # of the diagonal: contact shallower than this is touching, not crossing
PAIRS_PER_FACE = 2000  # budget of the crossing test
SHARES, MANY_FACES = 8, 20_000  # of the test, where there are so many faces: for cores that are there
MAX_NESTED = 3000  # shells whose nesting is looked at
# A turn by odd angles, so that the nesting test never looks exactly along an edge.
ODD_TURN = np.linalg.qr(np.array([[0.78, 0.31, 0.42], [-0.27, 0.91, 0.13], [-0.51, -0.19, 0.83]]))[0]
MOST_LOOSE_SHARE = 0.5  # of the triangles' edges without a neighbour, from which on it is no solid
LEAST_INSIDE_SHARE = 0.01  # of the box around: no surface turned outwards encloses less than minus that
MOST_TIMES_THE_BOX = 4.0  # what overlaps counts once for each of the shells
BIG_PATCH = 0.002  # a patch above this share of the area may change the part's shape: serious

Steps = list[MeshFinding]


@dataclass(frozen=True, eq=False)
class CheckedMesh:
    """Checked arrays on their way up the ladder: vertices (n, 3), faces (m, 3) int32, label (m,)."""

    vertices: Floats
    faces: Ints
    label: Ints

    @cached_property
    def edges(self) -> tuple[Ints, Ints, NDArray[np.int64]]:
        """(sorted half-edges, partner, counts): see ``kernels.mesh.edges.pair_edges``."""
        order = sort_edges(self.faces, len(self.vertices))
        partner, counts = pair_edges(self.faces, order)
        return order, partner, counts

    @property
    def open_edges(self) -> int:
        return int(self.edges[2][0])

    @property
    def crowded_edges(self) -> int:
        return int(self.edges[2][1])

    @cached_property
    def volume_mm3(self) -> float:
        return float(mesh_volume(self.vertices, self.faces))

    @cached_property
    def diagonal_mm(self) -> float:
        low, high = finite_bounds(self.vertices)[0]
        return float(np.linalg.norm(high - low)) if len(self.vertices) else 0.0

    def only(self, keep: NDArray[np.bool_]) -> CheckedMesh:
        """The same mesh with some faces left out."""
        return CheckedMesh(self.vertices, np.ascontiguousarray(self.faces[keep]), self.label[keep])


def healed_part(name: str, raw: RawMesh, *, subject: str, watch: Watch = QUIET) -> Part:
    """Climb the ladder with ``raw`` (already in mm); ``subject`` names the file in errors.

    Raises ``PartError`` when nothing printable is left.
    """
    watch.at("checking the mesh", 0.0)
    mesh, found = checked(raw, subject)
    mesh, steps = welded(mesh, tell=len(raw.vertices) != 3 * len(raw.faces))
    found += steps
    mesh, steps = without_idle_faces(mesh)
    found += steps
    mesh = compact(mesh)
    _refuse_sheet(mesh, subject, flat_only=True)
    watch.at("closing cracks", 0.25)
    mesh, steps = stitched(mesh)
    found += steps
    watch.at("winding", 0.4)
    mesh, steps = wound(mesh)
    found += steps
    mesh, partner, steps = fans_parted(mesh)
    found += steps
    watch.at("closing holes", 0.55)
    mesh, partner, steps = holes_closed(mesh, partner)
    found += steps
    _refuse_sheet(mesh, subject, flat_only=False)
    _refuse_loose(mesh, partner, subject)
    refuse_no_volume(mesh, subject)
    watch.at("looking for faces that cross", 0.7)
    health, steps = diagnosed(mesh, partner)
    found += steps
    mesh = compact(mesh)
    sets: dict[str, Ints] = {}
    if len(raw.names) > 1 or any(raw.names):
        for i, title in enumerate(raw.names):
            sets[title] = np.flatnonzero(mesh.label == i).astype(np.int32)
    watch.at("mesh checked", 1.0)
    return Part(
        name,
        mesh.vertices,
        mesh.faces,
        replace(health, findings=(*raw.findings, *_once(found))),
        sets,
        raw.unit or "mm",
    )


def checked(raw: RawMesh, subject: str) -> tuple[CheckedMesh, Steps]:
    """Indices must point at vertices; faces on vertices that are no numbers are dropped if they are few."""
    faces = raw.faces
    if len(faces) == 0:
        raise PartError(subject, "the file holds no triangles", "Export a closed surface mesh")
    if faces.ndim != 2 or faces.shape[1] != 3:
        raise PartError(subject, "its faces are not triangles", "Export it again as triangles")
    if faces.min() < 0 or faces.max() >= len(raw.vertices):
        raise PartError(
            subject,
            f"a face points at vertex {int(faces.max()) + 1}, but there are {len(raw.vertices)}",
            "Export the file again",
        )
    mesh = CheckedMesh(
        np.ascontiguousarray(raw.vertices, dtype=np.float64),
        np.ascontiguousarray(faces, dtype=np.int32),
        np.ascontiguousarray(raw.label, dtype=np.int32),
    )
    if finite_bounds(mesh.vertices)[1] == 0:
        return mesh, []
    finite = np.logical_and.reduce(np.isfinite(mesh.vertices), axis=1)
    keep = np.logical_and.reduce(finite[mesh.faces], axis=1)
    lost = int(len(keep) - keep.sum())
    if lost > max(1, len(keep) // 100):
        raise PartError(
            subject,
            f"{lost:,} of {len(keep):,} triangles have corners that are no numbers",
            "Export it again",
        )
    vertices = np.where(finite[:, None], mesh.vertices, 0.0)
    mesh = CheckedMesh(vertices, mesh.faces, mesh.label).only(keep)
    return mesh, [MeshFinding("corners that are no numbers", lost, "their triangles dropped", serious=True)]


def welded(mesh: CheckedMesh, *, tell: bool) -> tuple[CheckedMesh, Steps]:
    """Vertices at exactly the same place become one. ``tell`` when the format should have shared them."""
    group, first = group_rows((mesh.vertices + 0.0).view(np.int64))  # + 0.0: there is one zero
    merged = len(mesh.vertices) - len(first)
    if merged == 0:
        return mesh, []
    out = CheckedMesh(np.ascontiguousarray(mesh.vertices[first]) + 0.0, group[mesh.faces], mesh.label)
    return out, [MeshFinding("vertices at the same place", merged, "merged")] if tell else []


def without_idle_faces(mesh: CheckedMesh) -> tuple[CheckedMesh, Steps]:
    """Faces with a repeated corner go; of equal faces one stays; of two back to back neither stays.

    Thin faces with three distinct corners stay: without them their neighbours would not meet.
    """
    found: Steps = []
    a, b, c = mesh.faces.T
    idle = (a == b) | (b == c) | (a == c)
    if idle.any():
        mesh = mesh.only(~idle)
        found.append(MeshFinding("faces without area", int(idle.sum()), "dropped"))
    if len(mesh.faces) == 0:
        return mesh, found
    keys = np.sort(mesh.faces, axis=1).astype(np.int64)
    group, first = group_rows(keys)
    if len(first) == len(mesh.faces):
        return mesh, found
    a, b, c = mesh.faces.T  # even permutation of the sorted corners: +1, odd: -1
    sign = np.where((a < b).astype(int) + (b < c) + (c < a) == 2, 1, -1)
    net = np.bincount(group, weights=sign, minlength=len(first))
    back = net == 0
    want = np.sign(net)[group]
    match = np.flatnonzero(sign == want)
    _, chosen = np.unique(group[match], return_index=True)
    keep = np.zeros(len(group), bool)
    keep[match[chosen]] = True
    paired = int(back[group].sum())
    doubled = len(group) - int(keep.sum()) - paired
    if doubled:
        where = _middle(mesh, int(np.flatnonzero(~keep & ~back[group])[0]))
        found.append(MeshFinding("duplicate faces", doubled, "dropped", where))
    if paired:
        where = _middle(mesh, int(np.flatnonzero(back[group])[0]))
        done = "dropped: they lie back to back and enclose nothing"
        found.append(MeshFinding("faces back to back", paired, done, where))
    return mesh.only(keep), found


def stitched(mesh: CheckedMesh) -> tuple[CheckedMesh, Steps]:
    """Vertices of open edges that lie almost at one place become one, where that closes edges."""
    before = mesh
    reach = 0.0
    for share in STITCH_SHARES:
        if mesh.open_edges == 0:
            break
        tried = _stitch(mesh, share * mesh.diagonal_mm)
        if (
            tried is not None
            and tried.open_edges < mesh.open_edges
            and tried.crowded_edges <= mesh.crowded_edges
        ):
            mesh, reach = tried, share * mesh.diagonal_mm
    if reach == 0.0:
        return mesh, []
    count = before.open_edges - mesh.open_edges
    done = f"closed by merging corners up to {wording.length(reach)} apart{_volume_note(before, mesh)}"
    return mesh, [MeshFinding("cracks between faces", count, done, _open_spot(before))]


def _stitch(mesh: CheckedMesh, reach_mm: float) -> CheckedMesh | None:
    """Merge vertices of open edges within ``reach_mm``, never the two ends of one edge."""
    from scipy.spatial import cKDTree

    half = np.flatnonzero(mesh.edges[1] == -1)
    flat = mesh.faces.ravel()
    ends = np.column_stack([flat[half], flat[np.where(half % 3 < 2, half + 1, half - 2)]])
    rim = np.unique(ends)
    pairs = cKDTree(mesh.vertices[rim]).query_pairs(reach_mm, output_type="ndarray")
    if len(pairs) == 0:
        return None
    n = len(rim)
    edges = np.sort(np.searchsorted(rim, ends), axis=1)
    keep = ~np.isin(pairs[:, 0] * n + pairs[:, 1], edges[:, 0] * n + edges[:, 1])
    pairs = pairs[keep]
    part = joined_groups(n, pairs[:, 0], pairs[:, 1])
    _, first = np.unique(part, return_index=True)
    onto = np.arange(len(mesh.vertices), dtype=np.int32)
    onto[rim] = rim[first[part]]
    faces = onto[mesh.faces]
    a, b, c = faces.T
    return CheckedMesh(mesh.vertices, faces, mesh.label).only((a != b) & (b != c) & (a != c))


def wound(mesh: CheckedMesh) -> tuple[CheckedMesh, Steps]:
    """Faces of a shell are turned to agree, then shells to face outward; the walls of voids stay inward.

    Within a shell the winding that covers more area is taken for meant. An outermost shell of
    negative volume is turned, and all that lies in it with it, so a void keeps its sense.
    """
    found: Steps = []
    turn, shell, shells, twisted = wind_shells(mesh.faces, mesh.edges[1])
    if turn.any():
        areas = face_areas(mesh.vertices, mesh.faces)
        turned = np.bincount(shell, weights=areas * turn, minlength=shells)
        whole = np.bincount(shell, weights=areas, minlength=shells)
        turn = turn ^ (turned > 0.5 * whole)[shell]
    before = mesh
    mesh = _turned(mesh, turn.astype(bool))
    if turn.any():
        where = _middle(mesh, int(np.flatnonzero(turn)[0]))
        done = f"turned to agree with their neighbours{_volume_note(before, mesh)}"
        found.append(MeshFinding("faces wound the wrong way", int(turn.sum()), done, where))
    if twisted:
        found.append(MeshFinding("edges of a one-sided surface", twisted, "", serious=True))
    before = mesh
    flip, doubts = _inside_out(mesh, shell, shells)
    found += doubts
    if flip.any():
        mesh = _turned(mesh, flip[shell])
        done = f"turned to face outward{_volume_note(before, mesh)}"
        found.append(MeshFinding("shells inside out", int(flip.sum()), done))
    return mesh, found


def _inside_out(mesh: CheckedMesh, shell: Ints, shells: int) -> tuple[NDArray[np.bool_], Steps]:
    """Which shells must turn (shells,), and doubts about shells within shells."""
    figures = shell_figures(mesh.vertices, mesh.faces, shell, shells)
    volume = figures[:, 0]
    flip = volume < 0
    if shells == 1:
        return flip, []
    if shells > MAX_NESTED:
        flip[:] = volume.sum() < 0
        return flip, [MeshFinding("very many shells", shells, "voids left as they are wound", serious=True)]
    holder = _holders(mesh, shell, figures)
    depth = holder.sum(axis=1)
    size = np.abs(volume)
    doubts: Steps = []
    unclear = 0
    where = None
    for s in np.flatnonzero(depth > 0):
        around = np.flatnonzero(holder[s])
        root = around[depth[around] == 0]
        root = root[np.argmin(size[root])] if len(root) else around[np.argmax(size[around])]
        flip[s] = volume[root] < 0
        nearest = around[np.argmin(size[around])]
        if (volume[s] > 0) == (volume[nearest] > 0):
            unclear += 1
            x, y, z = (figures[s, 2:5] + figures[s, 5:8]) / 2
            where = (float(x), float(y), float(z))
    if unclear:
        done = "taken as solid within solid, not as a void"
        doubts.append(MeshFinding("bodies wholly inside another", unclear, done, where, serious=True))
    return flip, doubts


def _holders(mesh: CheckedMesh, shell: Ints, figures: Floats) -> NDArray[np.bool_]:
    """(shells, shells): does shell j hold shell i? Boxes first, then three points each."""
    shells = len(figures)
    low, high = figures[:, 2:5], figures[:, 5:8]
    within = (low[:, None] >= low[None]) & (high[:, None] <= high[None])
    boxed: NDArray[np.bool_] = np.logical_and.reduce(within, axis=2)
    np.fill_diagonal(boxed, False)
    inner = np.flatnonzero(np.logical_or.reduce(boxed, axis=1))
    if len(inner) == 0:
        return boxed
    members = np.argsort(shell, kind="stable")
    start = np.searchsorted(shell[members], np.arange(shells + 1))
    picks = np.stack([start[:-1], (start[:-1] + start[1:]) // 2, start[1:] - 1])[:, inner]
    spots = mesh.faces[members[picks.ravel()], 0]
    turned = np.ascontiguousarray(mesh.vertices @ ODD_TURN.T)
    owner = np.tile(inner, 3).astype(np.int32)
    inside = inside_counts(
        turned, mesh.faces, shell, np.ascontiguousarray(turned[spots]), owner, shells
    ).reshape(3, len(inner), shells)
    holder = np.zeros_like(boxed)
    holder[inner] = inside.all(axis=0)
    return holder & boxed


def fans_parted(mesh: CheckedMesh) -> tuple[CheckedMesh, Ints, Steps]:
    """Where bodies touch in an edge and four or more faces share it, each body gets its own edge.

    Returns the mesh, the partner of each half-edge, and findings; edges that cannot be parted remain.
    """
    order, partner, counts = mesh.edges
    if counts[1] == 0:
        return mesh, partner, []
    crowded = int(np.flatnonzero(partner == -2)[0]) // 3
    where = _middle(mesh, crowded)
    partner = partner.copy()
    left = int(pair_fans(mesh.vertices, mesh.faces, order, partner))
    parted = int(counts[1]) - left
    found: Steps = []
    if parted:
        corner = part_corners(mesh.faces, partner)
        _, first = np.unique(corner, return_index=True)
        vertices = np.ascontiguousarray(mesh.vertices[mesh.faces.ravel()[first]])
        out = CheckedMesh(vertices, corner.reshape(-1, 3), mesh.label)
        done = "parted: bodies touch there"
        found.append(MeshFinding("edges shared by four faces or more", parted, done, where))
        mesh = out
    if left:
        spot = _middle(mesh, int(np.flatnonzero(partner == -2)[0]) // 3)
        found.append(MeshFinding("edges shared by three faces or more", left, "", spot, serious=True))
    return mesh, partner, found


def holes_closed(mesh: CheckedMesh, partner: Ints) -> tuple[CheckedMesh, Ints, Steps]:
    """Close loops of open edges; what stays open is a serious finding with a place to look at."""
    if not (partner == -1).any():
        return mesh, partner, []
    found: Steps = []
    before = mesh
    _, shell, shells, _ = wind_shells(mesh.faces, partner)
    figures = shell_figures(mesh.vertices, mesh.faces, shell, shells)
    vertices, faces, label, closed = close_holes(
        mesh.vertices, mesh.faces, mesh.label, partner, shell, figures[:, 1]
    )
    if closed:
        mesh, more = wound(CheckedMesh(vertices, faces, label))
        mesh, partner, extra = fans_parted(mesh)
        area = sum(a for _, a, _ in closed)
        widest = max(closed, key=lambda c: c[1])
        done = (
            f"closed with {wording.area(area)} of new faces, the largest {wording.area(widest[1])} over "
            f"{wording.counted(widest[2], 'edge')}{_volume_note(before, mesh)}"
        )
        serious = bool(widest[1] > BIG_PATCH * figures[:, 1].sum())
        spot = (float(widest[0][0]), float(widest[0][1]), float(widest[0][2]))
        found = [MeshFinding("hole", len(closed), done, spot, serious), *more, *extra]
    still = int((partner == -1).sum())
    if still:
        found.append(MeshFinding("open edges", still, "", _open_spot(mesh), serious=True))
    return mesh, partner, found


def diagnosed(mesh: CheckedMesh, partner: Ints) -> tuple[Health, Steps]:
    """What is true of the final mesh: closed, bodies, faces that cross."""
    _, shell, shells, twisted = wind_shells(mesh.faces, partner)
    flat = mesh.faces.ravel()
    paired = partner >= 0
    against = bool((flat[paired] == flat[partner[paired]]).any())
    closed = bool(paired.all()) and not against and not twisted
    flags, complete = _crossing(mesh)
    crossings = int(flags.sum())
    found: Steps = []
    if crossings:
        done = "left: cross-sections unite what overlaps"
        if not complete:
            done += "; at least this many, the search was cut short"
        where = _middle(mesh, int(np.flatnonzero(flags)[0]))
        found.append(MeshFinding(CROSSING, crossings, done, where))
    elif not complete:
        found.append(MeshFinding("search for crossing faces", 1, "cut short: too many faces in one place"))
    voids = _voids(mesh, shell, shells) if closed and shells > 1 else 0
    if shells - voids > 1:
        found.append(MeshFinding("separate shells", shells - voids, "kept"))
    if voids:
        found.append(MeshFinding("closed voids", voids, "kept: the part is hollow there"))
    return Health((), closed, shells - voids, voids, crossings), found


def _voids(mesh: CheckedMesh, shell: Ints, shells: int) -> int:
    """How many of a closed mesh's shells are wound against the rest: each encloses a void."""
    volume = shell_figures(mesh.vertices, mesh.faces, shell, shells)[:, 0]
    return int((volume * np.sign(volume.sum()) < 0.0).sum())


def _crossing(mesh: CheckedMesh) -> tuple[NDArray[np.uint8], bool]:
    """(m,) faces that cross or cover another, and whether all were looked at; alike on any cores."""
    vertices, faces, deep_mm = mesh.vertices, mesh.faces, TOUCH_SHARE * mesh.diagonal_mm
    pairs = PAIRS_PER_FACE * len(faces) + 10_000
    if len(faces) < MANY_FACES:
        flags, complete = crossing_faces(vertices, faces, deep_mm, pairs)
        return flags, bool(complete)
    tree = boxes_of_faces(vertices, faces)
    shares = [
        partial(crossing_share, vertices, *tree, first, SHARES, deep_mm, pairs // SHARES)
        for first in range(SHARES)
    ]
    found = side_by_side(shares)
    return np.bitwise_or.reduce([flags for flags, _ in found]), all(complete for _, complete in found)


def compact(mesh: CheckedMesh) -> CheckedMesh:
    """The mesh without vertices that no face uses, in the order of the rest."""
    used = np.zeros(len(mesh.vertices), bool)
    used[mesh.faces] = True
    if used.all():
        return mesh
    number = (np.cumsum(used) - 1).astype(np.int32)
    return CheckedMesh(np.ascontiguousarray(mesh.vertices[used]), number[mesh.faces], mesh.label)


def _turned(mesh: CheckedMesh, turn: NDArray[np.bool_]) -> CheckedMesh:
    if not turn.any():
        return mesh
    faces = mesh.faces.copy()
    faces[turn] = faces[turn][:, [0, 2, 1]]
    return CheckedMesh(mesh.vertices, faces, mesh.label)


def _refuse_sheet(mesh: CheckedMesh, subject: str, *, flat_only: bool) -> None:
    """A surface without thickness cannot be printed. Every vertex must be in use."""
    cure = "Give it thickness in the program it came from"
    if len(mesh.faces) == 0:
        raise PartError(subject, "its faces lie back to back or have no area: it encloses nothing", cure)
    low, high = finite_bounds(mesh.vertices)[0]
    size = high - low
    if size.min() <= 1e-9 * size.max():
        raise PartError(subject, "it is flat: a sheet without thickness", cure)
    if flat_only:
        return
    thickness = abs(mesh.volume_mm3) / max(float(face_areas(mesh.vertices, mesh.faces).sum()), 1e-300)
    if thickness <= 1e-7 * size.max():
        raise PartError(subject, "it encloses no volume: a sheet without thickness", cure)


def _refuse_loose(mesh: CheckedMesh, partner: Ints, subject: str) -> None:
    """Triangles that mostly hang together with none are no solid, and no layer of them can be trusted."""
    loose = int(np.count_nonzero(partner < 0))
    if loose > MOST_LOOSE_SHARE * partner.size:
        raise PartError(
            subject,
            f"it is no solid: after all that could be closed, {loose:,} of {partner.size:,} edges of its "
            "triangles have no neighbour",
            "Export a closed surface mesh",
        )


def refuse_no_volume(mesh: CheckedMesh, subject: str) -> None:
    """A surface that encloses less than nothing, or several times the box around it, has no inside."""
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    volume, box = mesh.volume_mm3, float(np.prod(high - low))
    if volume < -LEAST_INSIDE_SHARE * box or volume > MOST_TIMES_THE_BOX * box:
        raise PartError(
            subject,
            f"it is no solid: by its surface it encloses {wording.volume(volume)}, "
            f"in a box of {wording.volume(box)}",
            "Export a closed surface mesh",
        )


def _volume_note(before: CheckedMesh, after: CheckedMesh) -> str:
    """'; volume a → b mm³' when it changed by more than rounding."""
    a, b = before.volume_mm3, after.volume_mm3
    if abs(a - b) <= 1e-9 * max(abs(a), abs(b)):
        return ""
    return f"; volume {wording.number(a, 1)} → {wording.with_unit(b, 'mm³', 1)}"


def _once(found: Steps) -> Steps:
    """A step that ran twice speaks once: of equal statements the last stays."""
    return list({(f.what, f.done): f for f in found}.values())


def _middle(mesh: CheckedMesh, face: int) -> tuple[float, float, float]:
    x, y, z = mesh.vertices[mesh.faces[face]].mean(axis=0)
    return float(x), float(y), float(z)


def _open_spot(mesh: CheckedMesh) -> tuple[float, float, float] | None:
    spots = np.flatnonzero(mesh.edges[1] == -1)
    return _middle(mesh, int(spots[0]) // 3) if len(spots) else None
