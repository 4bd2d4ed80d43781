"""How far the carried edges of an outline in the plane are from the vertices of a grid, and by which way.

Grids have vertices (rows, columns) at ``x0 + column * step``, ``y0 + row * step``. An outline is given by
``ends`` (E, 4) edges x0, y0, x1, y1 with the region on their left and unit ``normals`` (E, 2) into it;
``carried`` (E,) marks the edges that distances are taken from. A convex corner of what carries sends its
distance out *mitred*: by ``fans`` (W, K, 2) unit normals at ``tips`` (W, 2), of which ``spokes`` (W,) count,
the distance from a tip is the greatest of the distances along them, within the angle from the first to the
last, which run clockwise; or it sends it out *round*: no spokes count, the first two bound its angle. Plain
arrays; O(vertices · E), which outlines of some hundred edges allow.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.field.grids import sample

# where a vertex lies: unknown, in the region, or behind a carried edge of it
NOTHING, INSIDE, BEHIND = range(3)
# where a path away from what carries ends: at a free edge, or where another one begins
FREE, MEETING = range(2)
_BENDS = 24
_TRIES = 200  # nearest things out of sight before a point counts as out of sight of all
_SAME = 1e-7  # mm


@inner
def _sees(ends, x, y, fx, fy):
    """Whether the straight way from a point to a foot on the outline stays within it."""
    dx, dy = fx - x, fy - y
    length = math.hypot(dx, dy)
    if length <= 2e-6:
        return True
    low, high = 1e-6 / length, 1.0 - 1e-6 / length
    for e in range(ends.shape[0]):
        ex, ey = ends[e, 2] - ends[e, 0], ends[e, 3] - ends[e, 1]
        det = dx * ey - dy * ex
        if det == 0.0:
            continue
        px, py = ends[e, 0] - x, ends[e, 1] - y
        t = (px * ey - py * ex) / det
        s = (px * dy - py * dx) / det
        if low < t < high and 0.0 <= s <= 1.0:
            return False
    return True


@inner
def _edge_way(ends, normals, e, x, y):
    """Distance along the normal of edge e, infinite beside it; and how far along it the foot lies, 0 to 1."""
    ex, ey = ends[e, 2] - ends[e, 0], ends[e, 3] - ends[e, 1]
    px, py = x - ends[e, 0], y - ends[e, 1]
    length2 = ex * ex + ey * ey
    if length2 <= 0.0:
        return np.inf, 0.0
    s = (px * ex + py * ey) / length2
    if s < -1e-12 or s > 1.0 + 1e-12:
        return np.inf, 0.0
    return px * normals[e, 0] + py * normals[e, 1], s


@inner
def _fan_way(tips, fans, spokes, w, x, y):
    """Distance from tip w and the unit way away from it; infinite outside its angle."""
    px, py = x - tips[w, 0], y - tips[w, 1]
    last = max(spokes[w], 2) - 1
    if (
        fans[w, 0, 0] * py - fans[w, 0, 1] * px > 1e-12
        or px * fans[w, last, 1] - py * fans[w, last, 0] > 1e-12
    ):
        return np.inf, 0.0, 0.0
    if spokes[w] == 0:
        d = math.hypot(px, py)
        return (d, px / d, py / d) if d > 0.0 else (0.0, fans[w, 0, 0], fans[w, 0, 1])
    best, spoke = -np.inf, 0
    for k in range(last + 1):
        d = fans[w, k, 0] * px + fans[w, k, 1] * py
        if d > best:
            best, spoke = d, k
    if best < 0.0:
        return np.inf, 0.0, 0.0
    return best, fans[w, spoke, 0], fans[w, spoke, 1]


@inner
def _nearest(ends, normals, carried, base, tips, fans, spokes, tip_base, bends, bend_base, rise, x, y):
    """Least of base + rise · distance over all that is carried and seen from a point.

    Returns (value, distance, nx, ny): the unit way away from it. Infinite where nothing is seen.
    """
    floor = -np.inf
    for _ in range(_TRIES):
        best, d, nx, ny, fx, fy = np.inf, 0.0, 0.0, 0.0, 0.0, 0.0
        for e in range(ends.shape[0]):
            if not carried[e]:
                continue
            a, s = _edge_way(ends, normals, e, x, y)
            if a < -1e-9 or not math.isfinite(a):
                continue
            value = (1.0 - s) * base[e, 0] + s * base[e, 1] + rise * a
            if floor < value < best:
                best, d, nx, ny = value, a, normals[e, 0], normals[e, 1]
                fx, fy = x - a * nx, y - a * ny
        for w in range(tips.shape[0]):
            a, mx, my = _fan_way(tips, fans, spokes, w, x, y)
            value = tip_base[w] + rise * a
            if floor < value < best:
                best, d, nx, ny, fx, fy = value, a, mx, my, tips[w, 0], tips[w, 1]
        for w in range(bends.shape[0]):
            a = math.hypot(x - bends[w, 0], y - bends[w, 1])
            value = bend_base[w] + rise * a
            if a > 1e-9 and floor < value < best:
                best, d, fx, fy = value, value / rise, bends[w, 0], bends[w, 1]
                nx, ny = (x - fx) / a, (y - fy) / a
        if not math.isfinite(best):
            break
        if _sees(ends, x, y, fx, fy):
            return best, d, nx, ny
        floor = best
    return np.inf, 0.0, 0.0, 0.0


@kernel
def nearest_at(points, ends, normals, carried, base, tips, fans, spokes, tip_base, bends, bend_base, rise):
    """(n,) least of base + rise · distance at (n, 2) points; infinite where nothing carried is seen."""
    out = np.empty(points.shape[0])
    for k in range(points.shape[0]):
        out[k] = _nearest(
            ends, normals, carried, base, tips, fans, spokes, tip_base, bends, bend_base, rise,
            points[k, 0], points[k, 1],
        )[0]  # fmt: skip
    return out


@inner
def _outside(ends, normals, x, y):
    """The edge of the outline nearest to a point outside it."""
    best, at = np.inf, -1
    for e in range(ends.shape[0]):
        ex, ey = ends[e, 2] - ends[e, 0], ends[e, 3] - ends[e, 1]
        px, py = x - ends[e, 0], y - ends[e, 1]
        length2 = ex * ex + ey * ey
        if length2 <= 0.0:
            continue
        s = min(max((px * ex + py * ey) / length2, 0.0), 1.0)
        qx, qy = px - s * ex, py - s * ey
        d = qx * qx + qy * qy
        depth = -(px * normals[e, 0] + py * normals[e, 1])
        # of two edges that share the nearest corner, the one that looks away the most
        if d < best - 1e-12 or (at >= 0 and d < best + 1e-12 and depth > -(
            (x - ends[at, 0]) * normals[at, 0] + (y - ends[at, 1]) * normals[at, 1]
        )):  # fmt: skip
            best, at = d, e
    return at


@kernel
def ways(
    ends,
    normals,
    carried,
    base,
    tips,
    fans,
    spokes,
    tip_base,
    bends,
    bend_base,
    rise,
    wanted,
    held,
    x0,
    y0,
    step,
):
    """For each ``wanted`` vertex (rows, columns) the least of base + rise · distance and the way there.

    ``held`` (rows, columns): inside the outline. Returns ``place`` int8 (see the constants), ``value``,
    ``distance`` (negative behind a carried edge, linearly continued) and ``away`` (rows, columns, 2), the
    unit direction in which the distance grows.
    """
    rows, columns = wanted.shape
    place = np.zeros((rows, columns), np.int8)
    value = np.full((rows, columns), np.nan)
    distance = np.full((rows, columns), np.nan)
    away = np.zeros((rows, columns, 2))
    for r in range(rows):
        y = y0 + r * step
        for s in range(columns):
            if not wanted[r, s]:
                continue
            x = x0 + s * step
            if not held[r, s]:
                e = _outside(ends, normals, x, y)
                if e >= 0 and carried[e]:
                    d = (x - ends[e, 0]) * normals[e, 0] + (y - ends[e, 1]) * normals[e, 1]
                    place[r, s] = BEHIND
                    distance[r, s] = d
                    ex, ey = ends[e, 2] - ends[e, 0], ends[e, 3] - ends[e, 1]
                    t = ((x - ends[e, 0]) * ex + (y - ends[e, 1]) * ey) / (ex * ex + ey * ey)
                    t = min(max(t, 0.0), 1.0)
                    value[r, s] = (1.0 - t) * base[e, 0] + t * base[e, 1] + rise * d
                    away[r, s, 0], away[r, s, 1] = normals[e, 0], normals[e, 1]
                continue
            v, d, nx, ny = _nearest(
                ends, normals, carried, base, tips, fans, spokes, tip_base, bends, bend_base, rise, x, y
            )
            if math.isfinite(v):
                place[r, s] = INSIDE
                value[r, s] = v
                distance[r, s] = d
                away[r, s, 0], away[r, s, 1] = nx, ny
    return place, value, distance, away


@inner
def _exit(ends, x, y, nx, ny, least):
    """Distance along a ray to the first edge of the outline past ``least``."""
    best = np.inf
    for e in range(ends.shape[0]):
        ex, ey = ends[e, 2] - ends[e, 0], ends[e, 3] - ends[e, 1]
        det = nx * ey - ny * ex
        if det == 0.0:
            continue
        px, py = ends[e, 0] - x, ends[e, 1] - y
        s = (px * ny - py * nx) / det
        if 0.0 <= s < 1.0:
            t = (px * ey - py * ex) / det
            if least < t < best:
                best = t
    return best


@inner
def _caught(lead, half, square):
    """The first t ≥ 0 at which lead + 2 half t + square t² falls to 0; −1 if it never does. ``lead`` ≥ 0."""
    if lead < -_SAME or half >= -1e-9:
        return -1.0
    lead = max(lead, 0.0)
    inner = half * half - square * lead
    return lead / (-half + math.sqrt(inner)) if inner >= 0.0 else -1.0


@inner
def _meeting(ends, normals, carried, tips, fans, spokes, x, y, d, nx, ny, rate, limit):
    """Where along a ray something else is as near: distance and the direction away from that, or ``limit``.

    ``d`` at the start grows by ``rate`` along the ray. What stays as near along the ray does not count.
    """
    floor = -1.0
    for _ in range(6):
        best, mx, my, fx, fy = limit, 0.0, 0.0, 0.0, 0.0
        for e in range(ends.shape[0]):
            if not carried[e]:
                continue
            grow = rate - (normals[e, 0] * nx + normals[e, 1] * ny)
            if grow <= 1e-9:
                continue
            lead = (x - ends[e, 0]) * normals[e, 0] + (y - ends[e, 1]) * normals[e, 1] - d
            t = max(lead, 0.0) / grow
            if lead < -_SAME or t <= floor or t >= best:
                continue
            qx, qy = x + t * nx, y + t * ny
            a, _ = _edge_way(ends, normals, e, qx, qy)
            if math.isfinite(a):
                best, mx, my = t, normals[e, 0], normals[e, 1]
                fx, fy = qx - a * mx, qy - a * my
        for w in range(tips.shape[0]):
            t = -1.0
            if spokes[w] == 0:
                px, py = x - tips[w, 0], y - tips[w, 1]
                t = _caught(px * px + py * py - d * d, px * nx + py * ny - d * rate, 1.0 - rate * rate)
            for k in range(spokes[w]):
                lead = (x - tips[w, 0]) * fans[w, k, 0] + (y - tips[w, 1]) * fans[w, k, 1] - d
                grow = rate - (fans[w, k, 0] * nx + fans[w, k, 1] * ny)
                if lead >= -_SAME:
                    t = max(t, max(lead, 0.0) / grow) if grow > 1e-9 else np.inf
            if t < 0.0 or t <= floor or t >= best:
                continue
            qx, qy = x + t * nx, y + t * ny
            a, ax, ay = _fan_way(tips, fans, spokes, w, qx, qy)
            if math.isfinite(a) and a <= d + rate * t + 1e-6:
                best, mx, my, fx, fy = t, ax, ay, tips[w, 0], tips[w, 1]
        if best >= limit:
            return limit, 0.0, 0.0
        if _sees(ends, x + best * nx, y + best * ny, fx, fy):
            return best, mx, my
        floor = best
    return limit, 0.0, 0.0


@kernel
def sunk(
    heights,
    flat,
    place,
    distance,
    away,
    ends,
    normals,
    carried,
    tips,
    fans,
    spokes,
    slopes,
    bend_cosine,
    x0,
    y0,
    step,
    first,
):
    """The least height of every way from the outline's far side down to each vertex, sinking by each of
    ``slopes`` (k,).

    ``heights`` (rows, columns): of the surface above, finite some cells past the outline too; ``flat``: all
    the same. ``place``, ``distance`` and ``away`` may hold some of the rows, from ``first`` on. The way to a
    vertex comes from upstream along ``away``; where another carried edge is as near it ends, unless that
    one's normal is within ``bend_cosine``: then both merge and it goes on between them.
    Returns heights of those rows, (k, rows, columns), nan where unknown, and how the way ends, int8.
    """
    rows, columns = place.shape
    count = len(slopes)
    out = np.full((count, rows, columns), np.nan)
    lowest = np.empty(count)
    ending = np.zeros((rows, columns), np.int8)
    for r in range(rows):
        for s in range(columns):
            if place[r, s] == NOTHING:
                continue
            x, y = x0 + s * step, y0 + (first + r) * step
            nx, ny = away[r, s, 0], away[r, s, 1]
            d = distance[r, s]
            lowest[:] = heights[first + r, s] if place[r, s] == INSIDE else np.inf
            gone = 0.0  # growth of the distance along the way so far
            if place[r, s] == BEHIND:
                gone = 1e-6 - d
                x, y, d = x + gone * nx, y + gone * ny, 1e-6
            rate = 1.0
            for _ in range(_BENDS):
                end = _exit(ends, x, y, nx, ny, 1e-9)
                if not math.isfinite(end):
                    break
                t, mx, my = _meeting(ends, normals, carried, tips, fans, spokes, x, y, d, nx, ny, rate, end)
                if not flat:
                    steps = int(t / step)
                    for k in range(1, steps + 1):
                        z = sample(heights, x0, y0, step, x + k * step * nx, y + k * step * ny)
                        if not math.isnan(z):
                            for i in range(count):
                                lowest[i] = min(lowest[i], z - slopes[i] * (gone + rate * k * step))
                x, y, d, gone = x + t * nx, y + t * ny, d + rate * t, gone + rate * t
                z = sample(heights, x0, y0, step, x, y)
                if not math.isnan(z):
                    for i in range(count):
                        lowest[i] = min(lowest[i], z - slopes[i] * gone)
                if t >= end:
                    ending[r, s] = FREE
                    break
                ending[r, s] = MEETING
                along = mx * nx + my * ny
                if along < bend_cosine:
                    break
                length = math.hypot(nx + mx, ny + my)
                nx, ny = (nx + mx) / length, (ny + my) / length
                rate = mx * nx + my * ny
            for i in range(count):
                if math.isfinite(lowest[i]):
                    out[i, r, s] = lowest[i]
    return out, ending


@kernel
def raised(heights, place, distance, away, values, slope, x0, y0, step):
    """Raise ``values`` (rows, columns) in place to what rises by ``slope`` from every height on the straight
    way between each vertex inside and what carries it: the dual of :func:`sunk`."""
    rows, columns = heights.shape
    for r in range(rows):
        for s in range(columns):
            if place[r, s] != INSIDE:
                continue
            x, y = x0 + s * step, y0 + r * step
            for k in range(1, int(distance[r, s] / step) + 1):
                t = k * step
                z = sample(heights, x0, y0, step, x - t * away[r, s, 0], y - t * away[r, s, 1])
                if z + slope * t > values[r, s]:
                    values[r, s] = z + slope * t
