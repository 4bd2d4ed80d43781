"""Set operations and offsets that always end: shapely's own calls, and what is done where its library fails.

The library (GEOS) works in floating point and gives up on outlines that cross or nearly touch by rounding:
one such region would fail a whole array. Here the regions that fail are singled out, and each is worked out
again in ever coarser ways: mended, on a grid of a nanometre, on grids of 10 and 100 nm, and at last by
integer clipping (Clipper2), which has no such case. The same input gives the same bytes. All names,
arguments and results are shapely's; outside this module none of them is called there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, Literal

import numpy as np
import shapely

from falsework.cores import in_chunks
from falsework.watch import breathe

GRIDS_MM = (1e-6, 1e-5, 1e-4)
_LEAST = 8  # regions that a thread takes at a time
_WORTH_SHARING = 4 * _LEAST
_AT_A_TIME = 32  # and between two looks at whether the work is to stop
_STEP = "working on outlines"
_DIVIDED_MM = 0.02  # length of the bits a line is taken apart into where all else fails

Areas = Any  # a shapely geometry, or an array of them
Set = Literal["union", "difference", "intersection", "symmetric_difference"]


def union(a: Areas, b: Areas) -> Areas:
    """a ∪ b, elementwise."""
    return _overlaid("union", a, b)


def difference(a: Areas, b: Areas) -> Areas:
    """a \\ b, elementwise; ``a`` may hold lines."""
    return _overlaid("difference", a, b)


def intersection(a: Areas, b: Areas) -> Areas:
    """a ∩ b, elementwise; ``a`` may hold lines."""
    return _overlaid("intersection", a, b)


def symmetric_difference(a: Areas, b: Areas) -> Areas:
    """What lies in one of the two alone, elementwise."""
    return _overlaid("symmetric_difference", a, b)


def union_all(geometries: Areas) -> Areas:
    """All of them together, as one geometry."""
    return _taken_together(shapely.union_all, "union", geometries)


def intersection_all(geometries: Areas) -> Areas:
    """What is common to all of them, as one geometry."""
    return _taken_together(shapely.intersection_all, "intersection", geometries)


def buffer(geometries: Areas, distance_mm: Any, **how: Any) -> Areas:
    """Regions or lines grown by a distance, elementwise; ``how`` as shapely takes it."""
    with np.errstate(divide="ignore", invalid="ignore"):  # edges of next to no length
        return _elementwise(
            lambda g, d: shapely.buffer(g, d, **how),
            lambda g, d: _buffered(g, d, how),
            geometries,
            distance_mm,
        )


def make_valid(geometries: Areas) -> Areas:
    """Regions made valid where they are not.

    By structure: by lines a hole that runs along its outer ring for a stretch would be filled.
    """
    return _elementwise(
        lambda g: shapely.make_valid(g, method="structure", keep_collapsed=False), _clipped_clean, geometries
    )


def clip_by_rect(geometries: Areas, *box_mm: float) -> Areas:
    """What of them lies in the box (lowest x and y, highest x and y), elementwise."""
    box = shapely.box(*box_mm)
    return _elementwise(
        lambda g: shapely.clip_by_rect(g, *box_mm), lambda g: intersection(g, box), geometries
    )


def build_area(rings: shapely.Geometry) -> shapely.Geometry:
    """The area that a collection of rings bounds, counted even and odd."""
    try:
        return shapely.build_area(rings)
    except shapely.GEOSException:
        parts = [shapely.Polygon(ring) for ring in shapely.get_parts(rings)]
        out: shapely.Geometry = shapely.MultiPolygon()
        for part in parts:
            out = symmetric_difference(out, make_valid(part))
        return out


def _overlaid(kind: Set, a: Areas, b: Areas) -> Areas:
    operation = getattr(shapely, kind)
    return _elementwise(operation, lambda one, other: _overlaid_one(kind, one, other), a, b)


def _elementwise(operation: Callable[..., Areas], coarser: Callable[..., Areas], *arguments: Any) -> Areas:
    """``operation`` of all elements, among threads where they are many; of those that fail alone,
    ``coarser``."""
    if max(np.size(a) for a in arguments) >= _WORTH_SHARING:
        arrays = _alike(arguments)
        if arrays[0].ndim == 1:
            found = in_chunks(partial(_by_turns, operation, coarser), _LEAST, *arrays)
            return np.concatenate(found)
    breathe(_STEP)
    return _in_one(operation, coarser, *arguments)


def _by_turns(operation: Callable[..., Areas], coarser: Callable[..., Areas], *arrays: Any) -> Areas:
    """A few regions at a time, so that the work may be stopped between them."""
    found = []
    for first in range(0, len(arrays[0]), _AT_A_TIME):
        breathe(_STEP)
        some = (array[first : first + _AT_A_TIME] for array in arrays)
        found.append(_in_one(operation, coarser, *some))
    return np.concatenate(found)


def _in_one(operation: Callable[..., Areas], coarser: Callable[..., Areas], *arguments: Any) -> Areas:
    try:
        return operation(*arguments)
    except shapely.GEOSException:
        arrays = _alike(arguments)
    flat = [array.reshape(-1) for array in arrays]
    out = np.empty(flat[0].shape, dtype=object)
    waiting = [(0, len(out))]
    while waiting:  # halves, for one region fails among thousands
        low, high = waiting.pop()
        try:
            out[low:high] = operation(*(array[low:high] for array in flat))
        except shapely.GEOSException:
            if high - low == 1:
                out[low] = coarser(*(array[low] for array in flat))
            else:
                middle = (low + high) // 2
                waiting += [(middle, high), (low, middle)]
    return out.reshape(arrays[0].shape)[()]


def _alike(arguments: Sequence[Any]) -> list[Any]:
    """Arrays of one shape that cannot be written to: of others numpy warns when their flags are looked at."""
    arrays = [_array(argument) for argument in arguments]
    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    return [np.broadcast_to(array, shape) for array in arrays]


def _array(argument: Any) -> Any:
    if isinstance(argument, shapely.Geometry) or argument is None:
        held = np.empty((), dtype=object)
        held[()] = argument
        return held
    return np.asarray(argument)


def _taken_together(operation: Callable[..., Areas], kind: Set, geometries: Areas) -> Areas:
    breathe(_STEP)
    try:
        return operation(geometries)
    except shapely.GEOSException:
        parts = [g for g in _array(geometries).reshape(-1) if g is not None]
    while len(parts) > 1:  # by twos, and those by twos
        pairs = len(parts) // 2
        joined = _overlaid(kind, _objects(parts[: 2 * pairs : 2]), _objects(parts[1 : 2 * pairs : 2]))
        parts = [*joined, *parts[2 * pairs :]]
    return parts[0]


def _objects(geometries: list[Any]) -> Any:
    out = np.empty(len(geometries), dtype=object)
    out[:] = geometries
    return out


def _overlaid_one(kind: Set, a: Any, b: Any) -> Any:
    """The operation of two regions, or of a line and a region, for which the library failed."""
    operation = getattr(shapely, kind)
    for one, other, how in _tamed(a, b):
        try:
            return operation(one, other, **how)
        except shapely.GEOSException:
            continue
    if shapely.get_dimensions(a) == 1:
        return _bits_of_line(a, b, kind != "difference")
    return _clipped(kind, a, b)


def _tamed(a: Any, b: Any) -> Iterator[tuple[Any, Any, dict[str, float]]]:
    a, b = _mended(a), _mended(b)
    yield a, b, {}
    for grid_mm in GRIDS_MM:
        yield a, b, {"grid_size": grid_mm}
        try:
            yield shapely.set_precision(a, grid_mm), shapely.set_precision(b, grid_mm), {"grid_size": grid_mm}
        except shapely.GEOSException:
            continue


def _mended(geometry: Any) -> Any:
    if shapely.get_dimensions(geometry) < 2 or shapely.is_valid(geometry):
        return geometry
    return make_valid(geometry)


def _buffered(geometry: Any, distance_mm: float, how: dict[str, Any]) -> Any:
    mended = _mended(geometry)
    for grid_mm in (0.0, *GRIDS_MM):
        try:
            return shapely.buffer(
                shapely.set_precision(mended, grid_mm) if grid_mm else mended, distance_mm, **how
            )
        except shapely.GEOSException:
            continue
    if shapely.get_dimensions(mended) < 2:
        bits = _bits(mended)
        return union_all(shapely.buffer(bits, distance_mm, **how))
    from manifold3d import CrossSection, JoinType

    joins = {"mitre": JoinType.Miter, "bevel": JoinType.Square}
    grown: CrossSection = _section(mended).offset(
        float(distance_mm),
        joins.get(str(how.get("join_style", "round")), JoinType.Round),
        float(how.get("mitre_limit", 5.0)),
        4 * int(how.get("quad_segs", 16)),
    )
    return _regions(grown)


def _clipped_clean(geometry: Any) -> Any:
    return _regions(_section(geometry)) if shapely.get_dimensions(geometry) == 2 else geometry


def _clipped(kind: Set, a: Any, b: Any) -> Any:
    """By integer clipping, which has no case that fails."""
    one, other = _section(a), _section(b)
    if kind == "union":
        return _regions(one + other)
    if kind == "difference":
        return _regions(one - other)
    if kind == "intersection":
        return _regions(one ^ other)
    return _regions((one - other) + (other - one))


def _section(geometry: Any) -> Any:
    """The polygons of a geometry for the integer library; lines and points have no part in it."""
    from manifold3d import CrossSection, FillRule

    rings = [
        shapely.get_coordinates(ring)[:-1]
        for part in shapely.get_parts(geometry, return_index=False)
        if part.geom_type in ("Polygon", "MultiPolygon")
        for polygon in shapely.get_parts(part)
        for ring in shapely.get_rings(shapely.orient_polygons(polygon, exterior_cw=False))
    ]
    return CrossSection(rings, FillRule.Positive) if rings else CrossSection()


def _regions(section: Any) -> Any:
    """What the integer library found, as polygons with holes."""
    polygons = []
    for piece in section.decompose():
        rings = sorted(
            (ring for ring in piece.to_polygons() if len(ring) > 2), key=_doubled_area, reverse=True
        )
        if rings and _doubled_area(rings[0]) > 0.0:
            polygons.append(shapely.Polygon(rings[0], rings[1:]))
    return shapely.MultiPolygon(polygons)


def _doubled_area(ring: Any) -> float:
    x, y = np.asarray(ring).T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def _bits(line: Any) -> Any:
    """The line in straight bits no longer than the library's failure matters."""
    lines = shapely.get_parts(shapely.segmentize(line, _DIVIDED_MM))
    xy, index = shapely.get_coordinates(lines, return_index=True)
    inner = index[1:] == index[:-1]
    return shapely.linestrings(np.stack([xy[:-1][inner], xy[1:][inner]], axis=1))


def _bits_of_line(line: Any, region: Any, inside: bool) -> Any:
    """The bits of a line whose middle lies inside the region, or outside."""
    bits = _bits(line)
    xy = shapely.get_coordinates(bits).reshape(-1, 2, 2).mean(axis=1)
    return shapely.line_merge(
        shapely.multilinestrings(bits[shapely.contains_xy(region, xy[:, 0], xy[:, 1]) == inside])
    )
