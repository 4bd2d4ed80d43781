"""Heights over a footprint: the surface above it, the ways to what carries it, and bodies between heights."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats, Indices
from falsework.need.measure import polygon_edges
from falsework.process.settings import Process
from falsework.redrawing.body.solids import STEP, mesh_of, prism
from falsework.redrawing.site.footprint import Footprint
from falsework.redrawing.site.value import PlannedPart
from falsework.watch import breathe

if TYPE_CHECKING:
    from manifold3d import Manifold

MARGIN_DEG = 1.0  # so much steeper than the limit is drawn, so that rounding decides nothing
OVERLAP_MM = 0.1  # changes reach so far into the part or past it: faces never merely touch
_FINE_WIDTHS, _FINE_SHARE = 0.25, 1 / 180  # step of the grid, in line widths and of the extent
_COARSER, _LONG_CELLS = 1.7, 12.0  # so much coarser over edges at least so many cells long
RIM = 4  # cells of known heights around whatever is cut out in the end
_SPOKE_DEG = 95.0  # a corner of what carries sends out mitred planes no further apart than this
_ODD = (0.3719, 0.2287)  # of a step: vertices of the grid stay off the part's own edges and diagonals
_PLAIN_MM = 0.003  # bodies are simplified by no more
_PLUG_MM = 0.01
_LEAST_STEP_MM = 0.03
FLAT_MM = 2e-3
_FALLS = 0.15  # steeper than this, per length, a surface falls
_LEAST_CELLS = 8.0  # of the grid, so long must the edges be that are left

HeightGrid = NDArray[np.float64]


def slope_of(process: Process, first_layer: bool) -> float:
    """Rise per length of the shallowest surface drawn: the limit, and a degree to spare.

    ``first_layer``: whether it comes down to the first layer, whose section may lie farther from the next.
    """
    slope = 1.0 / math.tan(math.radians(process.limit_deg - MARGIN_DEG))
    if first_layer:
        slope *= max(1.0, 0.5 + 0.5 * process.first_layer_height_mm / process.layer_height_mm)
    return slope


@dataclass(frozen=True, eq=False)
class Carriers:
    """The edges of a footprint as the kernels take them: see ``falsework.kernels.field.ways``.

    ``precedes`` (E,) is the edge that ends where each begins.
    """

    ends: Floats
    normals: Floats
    carried: NDArray[np.bool_]
    tips: Floats
    fans: Floats
    spokes: Indices
    precedes: Indices

    @staticmethod
    def of(footprint: Footprint, mitred: bool) -> Carriers:
        """Edges, inward normals, and the fans at the convex corners of what carries, mitred or round."""
        ends, carried, follows = footprint.ends, footprint.carried, footprint.follows
        along = ends[:, 2:] - ends[:, :2]
        along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
        normals = np.column_stack([-along[:, 1], along[:, 0]])
        before = np.empty_like(follows)
        before[follows] = np.arange(len(follows))
        corners: list[tuple[Floats, Floats, Floats]] = []  # tip, first and last normal
        for e in np.flatnonzero(carried):
            after = follows[e]
            if not carried[after]:  # past its end what carries is taken to turn away by a right angle
                corners.append((ends[e, 2:], normals[e], along[e]))
            elif _cross(along[e], along[after]) < -1e-9:
                corners.append((ends[e, 2:], normals[e], normals[after]))
            if not carried[before[e]]:
                corners.append((ends[e, :2], -along[e], normals[e]))
        most = 4
        fans = np.zeros((len(corners), most, 2))
        spokes = np.zeros(len(corners), np.int64)
        for k, (_, first, last) in enumerate(corners):
            turn = math.atan2(_cross(last, first), float(first @ last))
            turn = turn if turn > 0.0 else turn + 2.0 * math.pi
            pieces = min(most - 1, max(1, math.ceil(math.degrees(turn) / _SPOKE_DEG)))
            angle = math.atan2(first[1], first[0]) - turn * np.arange(pieces + 1) / pieces
            fans[k, : pieces + 1] = np.column_stack([np.cos(angle), np.sin(angle)])
            fans[k, 0], fans[k, pieces] = first, last
            spokes[k] = pieces + 1
            if not mitred:
                fans[k, 1], spokes[k] = last, 0
        return Carriers(
            np.ascontiguousarray(ends),
            normals,
            carried,
            np.array([tip for tip, _, _ in corners]).reshape(-1, 2),
            fans,
            spokes,
            before,
        )


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


@dataclass(frozen=True, eq=False)
class Canvas:
    """A grid over a footprint, vertex (row, column) at ``x0 + column · step``, ``y0 + row · step``, mm.

    ``held``: vertices within the footprint; ``wanted``: those and a rim around them; ``surface`` (rows,
    columns): the part's surface above, continued over the rim, nan elsewhere.
    """

    x0: float
    y0: float
    step: float
    held: NDArray[np.bool_]
    wanted: NDArray[np.bool_]
    surface: HeightGrid

    @property
    def place(self) -> tuple[float, float, float]:
        return self.x0, self.y0, self.step

    @property
    def flat(self) -> bool:
        """Whether the surface is one level."""
        known = self.surface[self.held]
        return bool(known.max() - known.min() < FLAT_MM)

    def at(self, points_mm: Floats) -> Floats:
        """(n,) height of the surface above points, bilinear."""
        return sampled(self.surface, self, points_mm)


def sampled(values: HeightGrid, canvas: Canvas, points_mm: Floats) -> Floats:
    """(n,) bilinear values of a field at (n, 2) points; nan off the grid or beside an unknown vertex."""
    u = (points_mm[:, 0] - canvas.x0) / canvas.step
    v = (points_mm[:, 1] - canvas.y0) / canvas.step
    rows, columns = values.shape
    s, r = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
    inside = (s >= 0) & (r >= 0) & (s + 1 < columns) & (r + 1 < rows)
    s, r = np.where(inside, s, 0), np.where(inside, r, 0)
    u, v = u - s, v - r
    low = (1 - u) * values[r, s] + u * values[r, s + 1]
    high = (1 - u) * values[r + 1, s] + u * values[r + 1, s + 1]
    return np.where(inside, (1 - v) * low + v * high, np.nan)


def canvas_of(ground: PlannedPart, footprint: Footprint, more: planar.Geometry | None = None) -> Canvas:
    """The grid over a footprint (and over ``more`` beside it) and the exact surface of the part above it."""
    from falsework.kernels.field.grids import cover, extend, surface_above

    whole = footprint.area if more is None else overlay.union(footprint.area, more)
    low_x, low_y, high_x, high_y = planar.bounds(whole)
    extent = max(high_x - low_x, high_y - low_y)
    breadth = 2.0 * footprint.area.area / footprint.area.length  # of a long strip
    step = _step_mm(ground, footprint, extent, breadth)
    x0, y0 = low_x - (RIM + 1 + _ODD[0]) * step, low_y - (RIM + 1 + _ODD[1]) * step
    columns = math.ceil((high_x - x0) / step) + RIM + 2
    rows = math.ceil((high_y - y0) / step) + RIM + 2

    layer = np.full((rows, columns), -1, np.int32)
    edges, first = polygon_edges(footprint.strips)
    cover(edges, first, footprint.layer, x0, y0, step, layer)
    held = _over(footprint.area, x0, y0, step, rows, columns)
    # strips leave seams that the whole has closed: there the layer of a neighbour counts
    seam = held & (layer < 0)
    while seam.any():
        grown = _spread(layer)
        if not (grown[seam] >= 0).any():
            break
        layer[seam] = grown[seam]
        seam = held & (layer < 0)
    held &= layer >= 0

    middles = ground.stack.middles_mm
    least = np.full((rows, columns), np.nan)
    known = layer[held]
    least[held] = np.where(known > 0, middles[np.maximum(known - 1, 0)], 0.0) - 1e-3
    near = faces_over(ground, (low_x, low_y, high_x, high_y))
    surface = np.empty((rows, columns))
    surface_above(ground.part.vertices, near, ground.part.volume_mm3 >= 0.0, least, x0, y0, step, surface)
    # what lies a layer above the need's own is another surface, seen past a rounded edge
    most = np.full((rows, columns), np.nan)
    most[held] = middles[known] + 1e-3
    surface[~(surface <= most)] = np.nan
    lost = held & np.isnan(surface)
    extend(surface, RIM + 2)
    surface[lost] = np.fmin(surface[lost], most[lost])

    wanted = held.copy()
    if more is not None:
        wanted |= _over(more, x0, y0, step, rows, columns)
    for _ in range(RIM):
        wanted = _dilated(wanted)
    return Canvas(x0, y0, step, held, wanted, surface)


def _step_mm(ground: PlannedPart, footprint: Footprint, extent_mm: float, breadth_mm: float) -> float:
    """The grid's step. A net keeps creases wherever they run, so one of long straight edges, beneath a level
    underside, may be coarser."""
    fine_mm = _FINE_WIDTHS * ground.process.line_width_mm
    ends = footprint.ends
    shortest_mm = float(np.hypot(*(ends[:, 2:] - ends[:, :2]).T).min())
    if footprint.layer[0] == footprint.layer[-1] and shortest_mm >= _LONG_CELLS * fine_mm:
        fine_mm *= _COARSER
    return max(min(fine_mm, max(_LEAST_STEP_MM, breadth_mm / 5.0)), _FINE_SHARE * extent_mm)


def rising(footprint: Footprint, canvas: Canvas) -> Footprint:
    """The footprint with those carried edges only from which the surface rises, or is level.

    Along the flanks of a rounded underside its strips end in steps that are carried too, but from them it
    falls: its weight does not go there. Where nothing is left, all stays as it is.
    """
    ends = footprint.ends
    along = ends[:, 2:] - ends[:, :2]
    length = np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    inward = np.column_stack([-along[:, 1], along[:, 0]]) / length
    middle = 0.5 * (ends[:, :2] + ends[:, 2:])
    near, far = 0.5 * canvas.step, 3.5 * canvas.step
    rise = canvas.at(middle + far * inward) - canvas.at(middle + near * inward)
    keeps = footprint.carried & ~(rise < -_FALLS * (far - near))
    if length[keeps, 0].sum() < _LEAST_CELLS * canvas.step:
        return footprint
    return replace(footprint, carried=keeps)


def faces_over(ground: PlannedPart, box: tuple[float, float, float, float]) -> NDArray[np.int32]:
    """(k, 3) faces of the part whose outline in plan meets a box."""
    low, high = ground.face_boxes
    keep = (low[:, 0] <= box[2]) & (high[:, 0] >= box[0]) & (low[:, 1] <= box[3]) & (high[:, 1] >= box[1])
    return np.ascontiguousarray(ground.part.faces[keep])


def _over(
    area: planar.Geometry, x0: float, y0: float, step: float, rows: int, columns: int
) -> NDArray[np.bool_]:
    from falsework.kernels.field.grids import cover

    out = np.full((rows, columns), -1, np.int32)
    polygons = planar.get_parts(np.array([area], dtype=object))
    edges, first = polygon_edges(polygons)
    cover(edges, first, np.zeros(len(polygons), np.int64), x0, y0, step, out)
    return out >= 0


def _dilated(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:-1] |= mask[1:]
    out[:, 1:] |= mask[:, :-1]
    out[:, :-1] |= mask[:, 1:]
    return out


def _spread(layer: NDArray[np.int32]) -> NDArray[np.int32]:
    """Each vertex's own layer, or the highest of its four neighbours' where it has none."""
    out = layer.copy()
    for axis in (0, 1):
        for by in (1, -1):
            moved = np.roll(layer, by, axis=axis)
            out = np.where(layer < 0, np.maximum(out, moved), out)
    return out


def body(z: HeightGrid, canvas: Canvas, level_mm: float, *, above: bool) -> Manifold:
    """Everything between a field and a level beyond it: above the field, or beneath it.

    The field must be known on all of ``canvas.wanted``; the body stands over the cells whose corners are.
    """
    from manifold3d import Manifold, Mesh64, triangulate

    from falsework.kernels.field.nets import net_of

    known = np.isfinite(z) & canvas.wanted
    cells = known[:-1, :-1] & known[1:, :-1] & known[:-1, 1:] & known[1:, 1:]
    heights = np.where(known, z, np.nan)
    points, faces, rim = net_of(heights, cells, *canvas.place)
    loops = _loops(rim)
    around = np.concatenate(loops)  # the lid beyond needs no vertices but those of the rim
    flat = points[around]
    flat[:, 2] = level_mm
    here = len(points) + np.arange(len(around))
    firsts = np.cumsum([0, *(len(loop) for loop in loops)])
    following = np.concatenate([np.roll(here[a:b], -1) for a, b in pairwise(firsts)])
    then = np.concatenate([np.roll(loop, -1) for loop in loops])
    lid = len(points) + np.asarray(triangulate([points[loop, :2] for loop in loops]), dtype=np.int64)
    shell = np.concatenate(
        [
            faces[:, ::-1],
            lid,
            np.column_stack([around, then, following]),
            np.column_stack([around, following, here]),
        ]
    )
    turned = shell if above else shell[:, ::-1]
    mesh = Mesh64(np.concatenate([points, flat]), np.ascontiguousarray(turned, dtype=np.uint64))
    return Manifold(mesh).simplify(_PLAIN_MM)


def _loops(rim: Indices) -> list[Indices]:
    """The edges of a net's rim, (k, 2), end to end: each loop by its vertices."""
    follows: dict[int, list[int]] = {}  # two where quads meet at a corner alone
    for start, end in rim.tolist():
        follows.setdefault(start, []).append(end)
    loops = []
    for first, ends in follows.items():
        while ends:
            loop, at = [first], ends.pop()
            while at != first:
                loop.append(at)
                at = follows[at].pop()
            loops.append(np.array(loop))
    return loops


def cut(solid: Manifold, area: planar.Geometry) -> Manifold:
    """What of a solid lies over an area."""
    low, high = solid.bounding_box()[2] - 1.0, solid.bounding_box()[5] + 1.0
    return (solid ^ prism(area, low, high)).simplify(_PLAIN_MM)


def grown(area: planar.Geometry, by_mm: float) -> planar.Geometry:
    """An area grown with pointed corners."""
    return offset_mitred(area, by_mm, limit=2.0)


def settled(part: Manifold, solid: Manifold) -> Manifold:
    """The solid with what it would shut in between itself and the part filled, slivers where two surfaces
    stray, and without bits of it that touch neither the part nor its other bodies."""
    from manifold3d import Manifold, OpType

    ours = part.to_mesh64().run_original_id
    jitter = _PLUG_MM * np.concatenate([np.eye(3), -np.eye(3)])
    plugs, loose = [], []
    whole = part + solid.as_original()
    whole.status()  # made now
    breathe(STEP)
    for shell in whole.decompose():
        mesh = shell.to_mesh64()
        owners = np.isin(mesh.run_original_id, ours)[np.diff(mesh.run_index) > 0]
        if shell.volume() < 0.0 and not owners.all():
            plugs.append(Manifold.hull_points((mesh_of(shell)[0][:, None] + jitter).reshape(-1, 3)))
        elif shell.volume() > 0.0 and not owners.any():
            loose.append(shell.bounding_box())
    if loose:
        bodies = solid.decompose()
        kept = [one for one in bodies if not np.isclose(one.bounding_box(), loose).all(axis=1).any()]
        solid = Manifold.compose(kept)
    return Manifold.batch_boolean([solid, *plugs], OpType.Add) if plugs else solid
