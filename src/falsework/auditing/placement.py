"""How the part lies in a program: found by laying its outlines onto the strands, nothing else known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.deposit import ASIDE, PART, SUPPORT
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.auditing.value import ProgramPlacement
from falsework.kernels.bead import strands as cut
from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.slicing import stack_layers
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.part.part import Part
from falsework.watch import QUIET, Watch

_ENOUGH = 4  # layers, beyond which the first is left out
_SAMPLED = 10  # layers that take part in the search
_POINT_MM = 0.8  # between points of an outline
_STEP_MM, _MOST_POINTS = 0.25, 400_000  # between points of strands, and of them in one layer
_CORRELATED = 4  # layers that take part in its first, coarse step
_COARSE_MM = 1.0  # cells of that step
_MOST_CELLS = 512
_ROUGHLY, _WELL = 0.5, 0.97  # scores between which other shifts near by are tried
_ASIDE = np.array([(x, y) for x in (-1.0, 0.0, 1.0) for y in (-1.0, 0.0, 1.0) if x or y])
_GOOD = 0.9  # share of outlines followed at which no other turn is tried
_ON = 0.05  # of a strand's width: median distance at which outlines lie on the strands
_NEARER = 0.7  # of the distance before: round outlines fit any turn about as well
_NEAR_TURNS = (0.7, -0.7, 1.4, -1.4, 2.1, -2.1)
_SURE = 0.02  # by so much another turn must be better than the one before
_ALONG = 0.85  # cosine between an outline and a strand that follows it
_NEIGHBOURS = 24  # points of strands around one of an outline


@dataclass(frozen=True, eq=False)
class PlacedSections:
    """The part as the program prints it: sections at the program's own layers, and whose a strand is.

    ``stack``: the part's sections in its own coordinates. Points of the program go to the part's by
    ``to_part``.
    """

    placement: ProgramPlacement
    stack: LayerStack
    sections: Regions  # a little wider, for telling what lies inside
    shadow: planar.Geometry  # where supports may be: under and around the part

    def to_part(self, xy: Floats) -> Floats:
        dx, dy, _ = self.placement.shift_mm
        return _turned(xy - np.array([dx, dy]), -self.placement.turn_deg)

    def to_program(self, xy: Floats) -> Floats:
        dx, dy, _ = self.placement.shift_mm
        return _turned(xy, self.placement.turn_deg) + np.array([dx, dy])

    def layer_at(self, z_mm: float) -> int:
        """Index of the part's section that holds this height of the program; −1 outside."""
        z = z_mm - self.placement.shift_mm[2]
        k = int(np.searchsorted(self.stack.z_mm, z, side="right")) - 1
        return k if 0 <= k < self.stack.count else -1

    def owners(self, z_mm: float, height_mm: float, ends: Floats) -> NDArray[np.uint8]:
        """Whose strands are, by where most of three points along each lie."""
        owner = np.full(len(ends), ASIDE, np.uint8)
        k = self.layer_at(z_mm - 0.5 * height_mm)
        inside = np.zeros(len(ends), np.int64)
        shaded = np.zeros(len(ends), bool)
        for share in (0.2, 0.5, 0.8):
            xy = self.to_part(ends[:, 0:2] + share * (ends[:, 3:5] - ends[:, 0:2]))
            if k >= 0:
                inside += planar.contains_xy(self.sections[k], xy[:, 0], xy[:, 1])
            if share == 0.5:
                shaded = planar.contains_xy(self.shadow, xy[:, 0], xy[:, 1])
        if k >= 0:
            owner[shaded] = SUPPORT
        owner[inside >= 2] = PART
        return owner


def _turned(xy: Floats, deg: float) -> Floats:
    angle = math.radians(deg)
    c, s = math.cos(angle), math.sin(angle)
    out: Floats = xy @ np.array([[c, s], [-s, c]])
    return out


def place_in(
    part: Part, found: ProgramSurvey, usual: Usual, *, around_mm: float, watch: Watch = QUIET
) -> PlacedSections:
    """Find the part in a program: rotation about z, shift in x, y and z.

    Its sections' outlines, half a strand inwards, must run along strands, and just outside there should be
    none. Turns by right angles are tried first, then every 5°; the best is drawn onto the strands by least
    squares. In z the part stands on the bed or, where that fits better, ends at the program's top (on a
    raft). ``around_mm``: how far supports reach past the part.
    """
    height = float(part.vertices[:, 2].max())
    top = float(found.z_mm.max())
    shifts = [0.0]
    if top - height > 1.5 * usual.height_mm:
        shifts.append(round((top - height) / usual.height_mm) * usual.height_mm)
    best: tuple[_Fitted, LayerStack] | None = None
    for k, dz in enumerate(shifts):
        watch.at("finding the part in the program", k / len(shifts))
        stack = _sections(part, found, dz)
        fitted = _search(stack, found, usual, dz)
        if best is None or fitted.score > best[0].score + _SURE:
            best = fitted, stack
    assert best is not None
    placement, stack = best[0].placement, best[1]
    sections = overlay.buffer(stack.regions, 0.25 * usual.width_mm)
    planar.prepare(sections)
    some = stack.regions[:: max(1, stack.count // 64)]
    shadow = overlay.buffer(overlay.union_all(planar.simplify(some, 0.05)), around_mm)
    planar.prepare(shadow)
    return PlacedSections(placement, stack, sections, shadow)


def _sections(part: Part, found: ProgramSurvey, dz: float) -> LayerStack:
    """Sections at the middle of the program's layers, as far as the part is high."""
    tops = np.unique(np.round(found.z_mm, 4)) - dz
    tops = tops[np.append(True, np.diff(tops) > 0.009)]
    bounds = np.append(0.0, tops[tops > 0.009])
    high = float(part.vertices[:, 2].max())
    end = int(np.searchsorted(bounds, high + 1e-6)) + 1
    bounds = bounds[: max(2, end)]
    return stack_layers(part, bounds if len(bounds) > 1 else np.array([0.0, high]))


@dataclass(frozen=True, eq=False)
class _Match:
    """Outline points (n, 2) of some layers, and points (m, 2) and normals (m, 2) of the strands there."""

    outline: list[Floats]
    outside: list[Floats]
    strand: list[Floats]
    normal: list[Floats]
    trees: list


@dataclass(frozen=True)
class _Fitted:
    placement: ProgramPlacement
    score: float  # share of outlines followed, less some for strands just outside them


def _search(stack: LayerStack, found: ProgramSurvey, usual: Usual, dz: float) -> _Fitted:
    match = _matching(stack, found, usual, dz)
    if not match.outline:
        return _Fitted(ProgramPlacement(0.0, (0.0, 0.0, dz), 1e3, 0.0), 0.0)
    correlator = _Correlator(match)
    best = _best_of(match, correlator, (0.0, 90.0, 180.0, 270.0), dz, usual)
    if best.score < _GOOD:
        turns = tuple(float(t) for t in range(0, 360, 5) if t % 90)
        other = _best_of(match, correlator, turns, dz, usual)
        if other.score > best.score + _SURE:
            best = other
    return _drawn_on(match, best, dz, usual)


def _best_of(
    match: _Match, correlator: _Correlator, turns: tuple[float, ...], dz: float, usual: Usual
) -> _Fitted:
    """The best of some turns: each placed by correlation, the promising ones drawn on by least squares."""
    coarse = [(t, *correlator.best(t)) for t in turns]
    score = np.array([c[1] for c in coarse])
    best: _Fitted | None = None
    for k in sorted(np.argsort(-score, kind="stable")[:4]):  # the least turn wins among equals
        turn, _, shift = coarse[k]
        fitted = _refined(match, turn, shift, dz, usual)
        if best is None or fitted.score > best.score + _SURE:
            best = fitted
    assert best is not None
    if _ROUGHLY < best.score < _WELL:  # least squares can settle on lines beside the right ones
        for k in sorted(np.argsort(-score, kind="stable")[:2]):
            turn, _, shift = coarse[k]
            for by in _ASIDE:
                fitted = _refined(match, turn, shift + correlator.cell * by, dz, usual)
                if fitted.score > best.score + _SURE:
                    best = fitted
    return best


def _drawn_on(match: _Match, best: _Fitted, dz: float, usual: Usual) -> _Fitted:
    """The best of a few turns near by: least squares can settle on the lines beside the right ones."""
    centre = _middle_of(match)
    for off in _NEAR_TURNS:
        if best.placement.misfit_mm < _ON * usual.width_mm:
            break
        at = best.placement
        # turned about the outlines' middle, which stays where it is
        here = _turned(centre, at.turn_deg) + np.array(at.shift_mm[:2])
        turn = at.turn_deg + off
        fitted = _refined(match, turn, here - _turned(centre, turn), dz, usual)
        if fitted.placement.misfit_mm < _NEARER * at.misfit_mm and fitted.score > best.score - _SURE:
            best = fitted
    return best


def _middle_of(match: _Match) -> Floats:
    every = np.concatenate(match.outline)
    middle: Floats = 0.5 * (every.min(axis=0) + every.max(axis=0))
    return middle


def _matching(stack: LayerStack, found: ProgramSurvey, usual: Usual, dz: float) -> _Match:
    from scipy.spatial import cKDTree

    match = _Match([], [], [], [], [])
    usable = [
        at for at in sorted(found.sample) if stack.z_mm[0] + dz < found.z_mm[at] <= stack.z_mm[-1] + dz + 1e-4
    ]
    usable = usable[1:] if len(usable) > _ENOUGH else usable  # a brim lies around the first layer
    for at in usable[:: max(1, -(-len(usable) // _SAMPLED))]:
        rows = found.sample[at]
        k = int(np.searchsorted(stack.z_mm, found.z_mm[at] - dz - 1e-4, side="right")) - 1
        if not 0 <= k < stack.count or stack.regions[k].is_empty:
            continue
        region = stack.regions[k]
        inner = offset_mitred(region, -0.5 * usual.width_mm)
        outline = _along(region if inner.is_empty else inner, _POINT_MM)
        points, normal = strand_points(rows)
        match.outline.append(outline)
        match.outside.append(_along(offset_mitred(region, 1.5 * usual.width_mm), _POINT_MM))
        match.strand.append(points)
        match.normal.append(normal)
        match.trees.append(cKDTree(points))
    return match


def strand_points(rows: Floats) -> tuple[Floats, Floats]:
    """Points (m, 2) along strands (n, STRAND), close to each other, and the strands' normals (m, 2) there."""
    a, b = rows[:, [cut.AX, cut.AY]], rows[:, [cut.BX, cut.BY]]
    long = np.hypot(*(b - a).T)
    step = max(_STEP_MM, float(long.sum()) / _MOST_POINTS)
    count = np.maximum(1, np.ceil(long / step)).astype(np.int64)
    which = np.repeat(np.arange(len(rows)), count)
    share = (np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[which]
    normal = np.column_stack([-(b - a)[:, 1], (b - a)[:, 0]]) / long[:, None]
    return a[which] + share[:, None] * (b - a)[which], normal[which]


def _along(region: planar.Geometry, step_mm: float) -> Floats:
    """Points along a region's outlines, about ``step_mm`` apart."""
    lines = planar.get_parts(region.boundary)
    if len(lines) == 0:
        return np.zeros((0, 2))
    step = max(step_mm, float(planar.length(lines).sum()) / 4000)
    points = [
        planar.get_coordinates(
            planar.line_interpolate_point(line, np.arange(0.5 * step, max(line.length, 0.51 * step), step))
        )
        for line in lines
    ]
    return np.concatenate(points)


class _Correlator:
    """Shifts of turned outlines onto the strands, found over whole cells at once by Fourier transform."""

    def __init__(self, match: _Match) -> None:
        from scipy.fft import next_fast_len, rfft2

        step = -(-len(match.outline) // _CORRELATED)
        self.outline, self.outside = match.outline[::step], match.outside[::step]
        strand = match.strand[::step]
        every, outline = np.concatenate(strand), np.concatenate(self.outline + self.outside)
        span = np.ptp(every, axis=0) + np.hypot(*np.ptp(outline, axis=0))
        self.cell = max(_COARSE_MM, float(span.max()) / _MOST_CELLS)
        self.shape = tuple(next_fast_len(int(v / self.cell) + 3, real=True) for v in span[::-1])
        self.low = every.min(axis=0)
        self.fields = [rfft2(self._image([(points, 1.0)], self.low) > 0) for points in strand]

    def _image(self, weighted: list[tuple[Floats, float]], low: Floats) -> Floats:
        image = np.zeros(self.shape[0] * self.shape[1])
        for points, weight in weighted:
            i, j = ((points - low) / self.cell).astype(np.int64).T
            image += weight * np.bincount(j * self.shape[1] + i, minlength=len(image))
        return image.reshape(self.shape)

    def best(self, turn: float) -> tuple[float, Floats]:
        """How well the outlines fit at their best shift, per point, and that shift."""
        from scipy.fft import irfft2, rfft2

        outlines = [_turned(p, turn) for p in self.outline]
        outsides = [_turned(p, turn) for p in self.outside]
        low = np.concatenate(outlines + outsides).min(axis=0)
        total = np.zeros((self.shape[0], self.shape[1] // 2 + 1), complex)
        for outline, outside, field in zip(outlines, outsides, self.fields, strict=True):
            total += field * np.conj(rfft2(self._image([(outline, 1.0), (outside, -0.5)], low)))
        score = irfft2(total, s=self.shape)
        j, i = np.unravel_index(int(np.argmax(score)), score.shape)
        shift = np.array([i, j], dtype=np.float64)
        wrap = np.array([self.shape[1], self.shape[0]])
        shift[shift > wrap / 2] -= wrap[shift > wrap / 2]
        return float(score[j, i]) / max(sum(map(len, outlines)), 1), self.low - low + shift * self.cell


def _refined(match: _Match, turn: float, shift: Floats, dz: float, usual: Usual) -> _Fitted:
    """Turn and shift drawn on by least squares: outline points onto the lines of the nearest strands."""
    angle, by = math.radians(turn), shift.astype(np.float64).copy()
    centre = _middle_of(match)
    reach = 2.5
    for _ in range(14):
        rows, sides = [], []
        c, s = math.cos(angle), math.sin(angle)
        turning = np.array([[c, s], [-s, c]])
        for outline, points, normal, tree in zip(
            match.outline, match.strand, match.normal, match.trees, strict=True
        ):
            moved = (outline - centre) @ turning
            here = moved + centre @ turning + by
            far, near = tree.query(here, distance_upper_bound=reach)
            good = np.isfinite(far)
            n = normal[near[good]]
            rows.append(np.column_stack([n, n[:, 1] * moved[good, 0] - n[:, 0] * moved[good, 1]]))
            sides.append(((points[near[good]] - here[good]) * n).sum(axis=1))
        a, b = np.concatenate(rows), np.concatenate(sides)
        if len(b) < 8:
            break
        weight = 1.0 / (1.0 + (b / (0.25 * reach)) ** 2)
        lhs = (a * weight[:, None]).T @ a + 1e-6 * np.eye(3) * len(b)
        step = np.linalg.solve(lhs, (a * weight[:, None]).T @ b)
        # the turn is about the outlines' middle; carry it over to the origin
        before = centre @ turning + by
        angle += float(step[2])
        c, s = math.cos(angle), math.sin(angle)
        by = before + step[:2] - centre @ np.array([[c, s], [-s, c]])
        reach = max(0.6 * reach, 0.6)
        if np.abs(step).max() < 1e-6:
            break
    covered, outside, misfit = _fit(match, math.degrees(angle), by, usual)
    turn_deg = math.degrees(angle) % 360.0
    turn_deg = turn_deg - 360.0 if turn_deg > 180.0 else turn_deg
    placement = ProgramPlacement(turn_deg, (float(by[0]), float(by[1]), dz), misfit, covered, outside)
    return _Fitted(placement, covered - 0.2 * outside)


def _fit(match: _Match, turn: float, shift: Floats, usual: Usual) -> tuple[float, float, float]:
    """Shares of points of and just outside outlines that lie on strands; median distance of the former."""
    on, off, distance = 0, 0, []
    for outline, tree in zip(match.outline, match.trees, strict=True):
        far, _ = tree.query(_turned(outline, turn) + shift)
        distance.append(far)
        on += int((far < 0.6 * usual.width_mm).sum())
    for outside, tree in zip(match.outside, match.trees, strict=True):
        far, _ = tree.query(_turned(outside, turn) + shift)
        off += int((far < 0.6 * usual.width_mm).sum())
    every = np.concatenate(distance)
    several = max(1, sum(map(len, match.outside)))
    return on / len(every), off / several, float(np.median(every))


def outward(region: planar.Geometry) -> tuple[Floats, Floats]:
    """Points along a region's outlines and the unit normals that lead out of it."""
    points, normals = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for polygon in planar.get_parts(planar.orient_polygons(region)):
        for ring in (polygon.exterior, *polygon.interiors):
            corners = np.asarray(ring.coords)
            edge = np.diff(corners, axis=0)
            long = np.hypot(*edge.T)
            end = np.cumsum(long)
            count = max(1, int(end[-1] / _POINT_MM))
            at = (np.arange(count) + 0.5) * end[-1] / count
            k = np.minimum(np.searchsorted(end, at), len(long) - 1)
            points.append(corners[k] + ((at - end[k] + long[k]) / long[k])[:, None] * edge[k])
            normals.append(np.column_stack([edge[k, 1], -edge[k, 0]]) / long[k][:, None])
    return np.concatenate(points), np.concatenate(normals)


def uncovered(
    placed: PlacedSections, found: ProgramSurvey, usual: Usual
) -> list[tuple[float, float, Floats]]:
    """How far the part's outline is followed in each sampled layer: top, share followed, points that are not.

    Points (n, 2) in the program's coordinates.
    """
    placement = placed.placement
    dz = placement.shift_mm[2]
    out = []
    for at in sorted(found.sample):
        z, rows = float(found.z_mm[at]), found.sample[at]
        own = placed.owners(z, usual.height_mm, rows[:, cut.AX : cut.BZ + 1]) == PART
        if not own.any():
            continue
        match = _matching(placed.stack, replace(found, sample={at: rows[own]}), usual, dz)
        if not match.outline or len(match.outline[0]) < 10:
            continue
        xy = placed.to_program(match.outline[0])
        missing = ~_followed(xy, match, 1.5 * usual.width_mm)
        out.append((float(found.z_mm[at]), 1.0 - float(missing.mean()), xy[missing]))
    return out


def _followed(xy: Floats, match: _Match, reach_mm: float) -> NDArray[np.bool_]:
    """(n,) which points of one layer's outline have a strand near that runs along it, and not across."""
    tree, normal = match.trees[0], match.normal[0]
    ways = []
    for step in (np.roll(xy, -1, axis=0) - xy, xy - np.roll(xy, 1, axis=0)):  # in a corner either will do
        long = np.hypot(*step.T)
        across = np.column_stack([-step[:, 1], step[:, 0]]) / np.maximum(long, 1e-9)[:, None]
        ways.append((across, long < 2.0 * _POINT_MM))  # farther: points of two outlines

    def along(points: Indices, strands: Indices) -> NDArray[np.bool_]:
        cosine = [np.abs((normal[strands] * across[points]).sum(axis=-1)) for across, _ in ways]
        (_, on), (_, off) = ways
        either = (cosine[0] > _ALONG) & on[points] | (cosine[1] > _ALONG) & off[points]
        return either | ~(on | off)[points]

    far, near = tree.query(xy, distance_upper_bound=reach_mm)
    out = np.isfinite(far)
    out[out] = along(np.flatnonzero(out), near[out])
    rest = np.flatnonzero(np.isfinite(far) & ~out)  # what lies nearest runs across: look at more
    if len(rest):
        far, near = tree.query(xy[rest], _NEIGHBOURS, distance_upper_bound=reach_mm)
        of, which = np.nonzero(np.isfinite(far))
        good = along(rest[of], near[of, which])
        out[rest[of[good]]] = True
    return out
