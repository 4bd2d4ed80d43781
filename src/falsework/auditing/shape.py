"""How the printed outlines differ from the part's, and which change of shape explains that best.

At points of the part's outlines it is measured how far outwards the outermost strand lies that runs along
them. A few changes of shape are tried on these residuals: size, size along one axis, skew, leaning, twisting,
everything wider or narrower. The one that explains most comes first; another is added only where it explains
much of what is left.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.fits import robust_fit
from falsework.auditing.placement import PlacedSections, outward, strand_points
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.auditing.value import Finding, FindingLevel
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats

_LAYERS, _POINTS = 12, 260  # that are looked at, and points in each
_NEIGHBOURS = 48
_PARALLEL, _BESIDE_MM = 0.95, 0.3  # cosine of strands that run along; how far along the outline they may lie
_INWARDS, _OUTWARDS_MM = 3.0, 0.85  # widths, and mm: where an outline's strand is looked for
_LEAST_POINTS = 60
_ROUNDS = 3
_FOLLOWING = 3  # layers that follow one another
_ASIDE_MM = 0.3  # of a layer beside the others
_WELL, _SURE = 0.85, 0.05  # share explained at which no other start is tried; by how much that must be better
_ELSEWHERE, _ELSEWHERE_MM = 0.05, 0.25  # share of outlines that lie so far elsewhere
_NOT_ALONG = 0.07  # the same, along which no strand runs
_EXPLAINS = 0.35  # of what is left that a further change must take away
_STRAY_MM = 0.12  # residuals that still pull, where most are none
_MOST_OFF_MM = 0.5
_LEFT_MM = 0.02  # mean of residuals that strands lie off anyway: rounding, simplified outlines
_TELLS_MM = 0.07  # at the part's edge: what is told
_TELLS_SHARE = 0.004  # of its size, too
_NARROW_MM = 0.16
_LIKE_A_WALL = 0.3  # of a strand's width, within which everything lies in by one wall
_FITS_MM, _FITTED = 0.12, 0.55  # residuals left, and the share of points that must come within
_SURELY = 0.7  # of all points, where the outlines themselves are hardly followed


@dataclass(frozen=True, eq=False)
class Residuals:
    """Points (n, 2) of outlines about their middle, their height (n,) about the middle one, outward normals
    (n, 2), and how far outwards (n,) the strand lies that should be there, mm.

    ``there`` (n,): whether one lies just there, whatever lies beside; ``half_mm`` (3,): half the extent of
    the points in x, y and z; ``met``: share of points with such a strand; ``unmet`` (layers,) the share
    without.
    """

    xy: Floats
    z: Floats
    normal: Floats
    out_mm: Floats
    there: NDArray[np.bool_]
    half_mm: Floats
    met: float
    unmet: Floats


Directions = dict[str, Floats]


def _changes(r: Residuals) -> Directions:
    """By change of shape its columns (n, k): how far a point moves outwards for a change of 1."""
    (x, y), (nx, ny), z = r.xy.T, r.normal.T, r.z
    return {
        "size": (x * nx + y * ny)[:, None],
        "wider": np.ones((len(x), 1)),
        "along x": (x * nx)[:, None],
        "along y": (y * ny)[:, None],
        "both": np.column_stack([x * nx, y * ny]),
        "skew": (y * nx + x * ny)[:, None],
        "lean": np.column_stack([z * nx, z * ny]),
        "twist": (z * (x * ny - y * nx))[:, None],
    }


@dataclass(frozen=True)
class ShapeChange:
    """One change of shape with its amounts, and the mean residual that it takes away, mm."""

    name: str
    amounts: tuple[float, ...]
    gain_mm: float


def shape_changes(r: Residuals) -> tuple[ShapeChange, ...]:
    """The changes that explain the residuals, the one that explains most first."""
    columns, shift = _changes(r), r.normal
    turn = (r.xy[:, 0] * r.normal[:, 1] - r.xy[:, 1] * r.normal[:, 0])[:, None]
    base = np.column_stack([shift, turn])
    chosen: list[str] = []
    left = _left(base, r.out_mm)
    gains: dict[str, float] = {}
    while len(chosen) < 2:
        tried = {
            name: _left(np.column_stack([base, *(columns[c] for c in chosen), columns[name]]), r.out_mm)
            # two amounts must explain more than one
            * (1.15 if columns[name].shape[1] > 1 else 1.0)
            for name in columns
            if not any(_same(name, c) for c in chosen)
        }
        best = min(tried, key=lambda name: (round(tried[name], 4), list(columns).index(name)))
        if left - tried[best] < max(_EXPLAINS * left, _LEFT_MM):
            break
        gains[best] = left - tried[best]
        chosen.append(best)
        left = tried[best]
    if not chosen:
        return ()
    every = np.column_stack([base, *(columns[c] for c in chosen)])
    by = robust_fit(every, r.out_mm, _STRAY_MM)[base.shape[1] :]
    out, at = [], 0
    for name in chosen:
        count = columns[name].shape[1]
        out.append(ShapeChange(name, tuple(float(v) for v in by[at : at + count]), gains[name]))
        at += count
    return tuple(out)


_SIZES = frozenset({"size", "along x", "along y", "both"})


def _same(a: str, b: str) -> bool:
    return a == b or (a in _SIZES and b in _SIZES)


def _left(columns: Floats, out_mm: Floats) -> float:
    """Mean residual; what lies farther off than some counts no more than that."""
    off = np.abs(out_mm - columns @ robust_fit(columns, out_mm, _STRAY_MM))
    return float(np.minimum(off, _MOST_OFF_MM).mean())


def residuals(placed: PlacedSections, found: ProgramSurvey, usual: Usual) -> Residuals | None:
    """Measured in some layers, over and over with what has been explained taken away; None where few outlines
    are followed.
    """
    layers = _layers(placed, found, usual)
    if not layers:
        return None
    xy = np.concatenate([layer[0] for layer in layers])
    normal = np.concatenate([layer[1] for layer in layers])
    z = np.concatenate([np.full(len(layer[0]), layer[2]) for layer in layers])
    low, high = xy.min(axis=0), xy.max(axis=0)
    middle, level = 0.5 * (low + high), 0.5 * (float(z.min()) + float(z.max()))
    half = np.array([*(0.5 * (high - low)), 0.5 * float(np.ptp(z))])
    ends = np.cumsum([len(layer[0]) for layer in layers])[:-1]

    def settle(expected: Floats) -> Residuals | None:
        r: Residuals | None = None
        for _ in range(_ROUNDS):
            out, there = _outermost(layers, placed, usual, expected)
            met = np.flatnonzero(np.isfinite(out))
            if len(met) < max(_LEAST_POINTS, 0.3 * len(xy)):
                return r
            own = xy[met] - middle, z[met] - level, normal[met], out[met], there[met]
            unmet = np.array([np.mean(~np.isfinite(some)) for some in np.split(out, ends)])
            r = Residuals(*own, half, len(met) / len(xy), unmet)
            again = _explained(r, xy - middle, z - level, normal)
            if np.abs(again - expected).max() < 0.05:
                break
            expected = again
        return r

    best = settle(np.zeros(len(xy)))
    if best is None or _how_well(best) < _WELL:
        other = settle(_by_extent(layers, placed))
        if other is not None and (best is None or _how_well(other) > _how_well(best) + _SURE):
            return other
    return best


def _how_well(r: Residuals) -> float:
    return r.met * _settled(r, shape_changes(r))


def _by_extent(layers: list[_Outlined], placed: PlacedSections) -> Floats:
    """How far out points would lie if each layer's strands were the part's outline drawn out to their box."""
    ratio, shift = [], []
    for xy, _, _, strand, _ in layers:
        own = placed.to_part(strand)
        asked, found = (np.array([p.min(axis=0), p.max(axis=0)]) for p in (xy, own))
        size = np.maximum(asked[1] - asked[0], 1e-6)
        ratio.append((found[1] - found[0]) / size)
        shift.append(found[0] - ratio[-1] * asked[0])
    scale, by = np.median(ratio, axis=0), np.median(shift, axis=0)
    out: Floats = np.concatenate([((xy * scale + by - xy) * normal).sum(axis=1) for xy, normal, *_ in layers])
    return out


def _explained(r: Residuals, xy: Floats, z: Floats, normal: Floats) -> Floats:
    """How far outwards the changes found so far bring any point."""
    names = [c.name for c in shape_changes(r)]
    every = Residuals(xy, z, normal, np.zeros(len(xy)), np.zeros(len(xy), bool), r.half_mm, 1.0, np.zeros(0))

    def columns(of: Residuals) -> Floats:
        turn = (of.xy[:, 0] * of.normal[:, 1] - of.xy[:, 1] * of.normal[:, 0])[:, None]
        return np.column_stack([of.normal, turn, *(_changes(of)[name] for name in names)])

    out: Floats = columns(every) @ robust_fit(columns(r), r.out_mm, _STRAY_MM)
    return out


_Outlined = tuple[Floats, Floats, float, Floats, Floats]


def _layers(placed: PlacedSections, found: ProgramSurvey, usual: Usual) -> list[_Outlined]:
    """Of some layers points and normals of outlines, height, and points and directions of the strands; the
    first is left out, for a brim lies around it.
    """
    dz = placed.placement.shift_mm[2]
    kept = [at for at in sorted(found.sample) if at > found.first_layer]
    out = []
    # some that follow one another, besides those all the way up
    for at in sorted({*kept[:_FOLLOWING], *kept[:: max(1, -(-len(kept) // _LAYERS))]}):
        k = placed.layer_at(float(found.z_mm[at]) - 0.25 * usual.height_mm)
        if k < 0 or placed.stack.regions[k].is_empty:
            continue
        xy, normal = outward(offset_mitred(placed.stack.regions[k], -0.5 * usual.width_mm))
        if len(xy) < 8:
            continue
        some = np.linspace(0, len(xy) - 1, min(len(xy), _POINTS)).astype(np.int64)
        strand, across = strand_points(found.sample[at])
        out.append((xy[some], normal[some], float(found.z_mm[at]) - dz, strand, across))
    return out


def _outermost(
    layers: list[_Outlined],
    placed: PlacedSections,
    usual: Usual,
    expected: Floats,
) -> tuple[Floats, NDArray[np.bool_]]:
    """(n,) how far out the outermost strand lies that runs along each point, near where it is ``expected``;
    NaN where there is none. (n,) whether some strand lies just where it is expected.
    """
    from scipy.spatial import cKDTree

    inwards = _INWARDS * usual.width_mm
    out, there = np.full(len(expected), np.nan), np.zeros(len(expected), bool)
    begin = 0
    for xy, normal, _, strand, across in layers:
        mine = slice(begin, begin + len(xy))
        begin += len(xy)
        turned = placed.to_program(xy + normal) - placed.to_program(xy)
        # in the middle of where it may lie
        off = expected[mine] + 0.5 * (_OUTWARDS_MM - inwards)
        here = placed.to_program(xy) + off[:, None] * turned
        reach = 0.5 * (_OUTWARDS_MM + inwards)
        far, near = cKDTree(strand).query(here, _NEIGHBOURS, distance_upper_bound=reach)
        seen = np.isfinite(far)
        near = np.where(seen, near, 0)
        by = strand[near] - here[:, None, :]
        outwards = (by * turned[:, None, :]).sum(axis=2)
        along = np.abs(by[:, :, 0] * turned[:, None, 1] - by[:, :, 1] * turned[:, None, 0])
        runs = np.abs((across[near] * turned[:, None, :]).sum(axis=2)) > _PARALLEL
        good = seen & runs & (along < _BESIDE_MM)
        most = np.where(good, outwards, -np.inf).max(axis=1)
        out[mine] = np.where(np.isfinite(most), most + off, np.nan)
        just = np.abs(outwards + (off - expected[mine])[:, None]) < _FITS_MM
        there[mine] = (good & just).any(axis=1)
    return out, there


def shape_findings(
    name: str, placed: PlacedSections, found: ProgramSurvey, usual: Usual
) -> Iterable[Finding]:
    """What of the printed outlines is another shape than the part's."""
    r = residuals(placed, found, usual)
    if r is None:
        return
    changes = shape_changes(r)
    if _settled(r, changes) <= _FITTED:  # no change of shape explains what is there
        yield from _in_places(name, r, ())
        return
    told = [finding for change in changes for finding in _told(name, change, r, usual)]
    told = told or list(_aside(name, r, usual)) or list(_in_places(name, r, changes))
    yield from told or _not_along(name, r)


def _in_places(name: str, r: Residuals, changes: tuple[ShapeChange, ...]) -> Iterable[Finding]:
    """Outlines that lie elsewhere in some places: not in one layer alone, where steps of the part are cut
    differently.
    """
    out = _off(r, changes)
    off = (np.abs(out) > _ELSEWHERE_MM) & ~r.there
    few = np.sort([float(off[r.z == z].mean()) for z in np.unique(r.z)])[:-1]
    if (few > _ELSEWHERE).sum() < 2:
        return
    way = "outside" if float(np.median(out[off])) > 0.0 else "inside"
    far, share = float(np.median(np.abs(out[off]))), 100 * float(off.mean())
    says = f"{share:.0f} % of {name}'s outlines are laid {way} of where they should be, by {far:.1f} mm"
    cure = "Compare the part with what the program prints: it may have been drawn anew"
    yield Finding(0, "outline", FindingLevel.FAULT, says, cure, found=far, planned=0.0, unit="mm")


def _not_along(name: str, r: Residuals) -> Iterable[Finding]:
    """Outlines along which no strand runs, in most layers: corners cut or rounded, curves of few chords."""
    share = float(np.median(r.unmet))
    if len(r.unmet) >= _FOLLOWING and share > _NOT_ALONG:
        where = f"along {100 * share:.0f} % of {name}'s outlines no strand runs"
        says = f"{where}: corners or curves are drawn otherwise"
        cure = "Compare the part with what the program prints: it may have been drawn anew"
        yield Finding(0, "outline", FindingLevel.FAULT, says, cure, found=share, planned=0.0)


def is_changed(placed: PlacedSections, found: ProgramSurvey, usual: Usual) -> bool:
    """Whether it is the part after all, only of another shape: its outlines lie on strands once changes of
    shape are taken away.
    """
    r = residuals(placed, found, usual)
    if r is None:
        return False
    changes = shape_changes(r)
    return bool(changes) and r.met * _settled(r, changes) > _SURELY


def _settled(r: Residuals, changes: tuple[ShapeChange, ...]) -> float:
    """Share of the outlines that come to lie where strands are, once the changes are taken away."""
    return float((np.abs(_off(r, changes)) < _FITS_MM).mean())


def _off(r: Residuals, changes: tuple[ShapeChange, ...]) -> Floats:
    """(n,) how far out strands lie that no change explains."""
    turn = (r.xy[:, 0] * r.normal[:, 1] - r.xy[:, 1] * r.normal[:, 0])[:, None]
    columns = np.column_stack([r.normal, turn, *(_changes(r)[c.name] for c in changes)])
    out: Floats = r.out_mm - columns @ robust_fit(columns, r.out_mm, _STRAY_MM)
    return out


def _aside(name: str, r: Residuals, usual: Usual) -> Iterable[Finding]:
    """Layers that lie beside the others, each by itself."""
    levels = np.unique(r.z)
    shifts = np.array([robust_fit(r.normal[r.z == z], r.out_mm[r.z == z], _STRAY_MM) for z in levels])
    if len(levels) < _FOLLOWING:
        return
    off = np.hypot(*(shifts - np.median(shifts, axis=0)).T)
    many = int((off > _ASIDE_MM).sum())
    if many < 2:
        return
    far = float(off.max())
    level = FindingLevel.RUIN if far > usual.width_mm else FindingLevel.FAULT
    says = f"{many} of {len(off)} layers of {name} that were looked at lie {far:.1f} mm aside of the others"
    cure = "Make the program again; look for what moves whole layers"
    yield Finding(0, "skewed", level, says, cure, many, found=far, planned=0.0, unit="mm")


def _told(name: str, change: ShapeChange, r: Residuals, usual: Usual) -> Iterable[Finding]:
    cure = "Make the program again from the part as it was given; look for what changes its shape"
    edge = r.half_mm[:2]
    if change.name in _SIZES:
        yield from _of_size(name, change, edge)
        return
    if change.name == "wider":
        by = change.amounts[0]
        if abs(by) < _NARROW_MM:
            return
        if abs(-by / usual.width_mm - 1.0) < _LIKE_A_WALL:
            says = f"the outer walls are missing: everything begins {-by:.2f} mm inside {name}'s outline"
        else:
            way = "thicker" if by > 0 else "thinner"
            says = f"{name} is {abs(by):.2f} mm {way} all round than it is drawn"
        cure = "Look for walls that are left out, and for an offset of outlines"
        yield Finding(0, "outline", FindingLevel.FAULT, says, cure, found=by, planned=0.0, unit="mm")
        return
    if change.name == "skew":
        by = change.amounts[0] * float(edge.max())
        says = f"{name} is printed skewed: {abs(by):.1f} mm out of square at its edges"
    elif change.name == "lean":
        by = math.hypot(*change.amounts) * 2.0 * r.half_mm[2]
        says = f"{name} leans: from bottom to top it moves aside by {by:.1f} mm"
    else:
        by = change.amounts[0] * r.half_mm[2] * float(edge.max())
        degrees = abs(np.degrees(change.amounts[0])) * 2.0 * r.half_mm[2]
        says = f"{name} is twisted by {degrees:.1f}° from bottom to top"
    if abs(by) > 2.0 * _TELLS_MM:
        yield Finding(0, "skewed", FindingLevel.FAULT, says, cure, found=abs(by), planned=0.0, unit="mm")


def _of_size(name: str, change: ShapeChange, edge: Floats) -> Iterable[Finding]:
    axes = {"size": "", "along x": "x", "along y": "y", "both": "xy"}[change.name]
    told = []
    for axis, by in zip(axes or "-", change.amounts, strict=True):
        half = float(edge.max()) if axis == "-" else float(edge["xy".index(axis)])
        if abs(by) * half > _TELLS_MM and abs(by) > _TELLS_SHARE:
            told.append((axis, by))
    if not told:
        return
    way = [f"{100 * abs(by):.1f} % {'larger' if by > 0 else 'smaller'}" for _, by in told]
    along = [w if axis == "-" else f"{w} along {axis}" for w, (axis, _) in zip(way, told, strict=True)]
    says = f"{name} is printed {' and '.join(along)} than it is"
    cure = "Set its scale to 100 % along every axis, unless that allows for shrinking"
    most = 1.0 + max((by for _, by in told), key=abs)
    yield Finding(0, "scale", FindingLevel.FAULT, says, cure, found=most, planned=1.0)
