"""Drawing triangles without a window: depth buffer, smooth normals, ink and hatching.

Screen coordinates are pixels, x to the right, y downwards; pixel (r, c) has its centre at (c + 0.5, r + 0.5).
Depth grows towards the viewer. All arrays are C-contiguous; nothing here knows what is drawn.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.compiled import inner, kernel

BUSY_VERTEX = 256  # corners around a vertex with more faces than this keep their facet's own normal


@kernel
def draw_triangles(
    points: NDArray[np.float64],
    faces: NDArray[np.int32],
    tags: NDArray[np.int64],
    depth: NDArray[np.float64],
    face: NDArray[np.int64],
    tag: NDArray[np.int64],
) -> None:
    """Draw triangles into a z-buffer, in place; O(pixels covered).

    ``points`` (n, 3): x, y, depth; ``faces`` (m, 3) of them. ``tags`` (m,) go to ``tag`` where a triangle is
    nearest. ``depth`` (H, W) starts at -inf, ``face`` and ``tag`` (H, W) at -1. A pixel is covered when its
    centre lies inside or on the edge; of equal depths the first triangle stays.
    """
    rows, columns = depth.shape
    slack = 1e-9  # of a barycentric weight, so that no crack opens between two triangles
    for m in range(faces.shape[0]):
        p, q, s = faces[m, 0], faces[m, 1], faces[m, 2]
        x0, y0, d0 = points[p, 0], points[p, 1], points[p, 2]
        x1, y1, d1 = points[q, 0], points[q, 1], points[q, 2]
        x2, y2, d2 = points[s, 0], points[s, 1], points[s, 2]
        twice_area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        if twice_area == 0.0:
            continue
        first_row = max(0, int(np.ceil(min(y0, y1, y2) - 0.5)))
        last_row = min(rows - 1, int(np.floor(max(y0, y1, y2) - 0.5)))
        left, right = min(x0, x1, x2), max(x0, x1, x2)
        far, near = min(d0, d1, d2), max(d0, d1, d2)
        # weights of the corners along a row: rise * x + start
        rise = ((y1 - y2) / twice_area, (y2 - y0) / twice_area, (y0 - y1) / twice_area)
        depth_rise = rise[0] * d0 + rise[1] * d1 + rise[2] * d2
        for r in range(first_row, last_row + 1):
            y = r + 0.5
            start = (
                (x1 * (y2 - y) - x2 * (y1 - y)) / twice_area,
                (x2 * (y0 - y) - x0 * (y2 - y)) / twice_area,
                (x0 * (y1 - y) - x1 * (y0 - y)) / twice_area,
            )
            low, high = left, right
            for k in range(3):
                if rise[k] > 0.0:
                    low = max(low, (-slack - start[k]) / rise[k])
                elif rise[k] < 0.0:
                    high = min(high, (-slack - start[k]) / rise[k])
                elif start[k] < -slack:
                    high = -np.inf
            if not low <= high:
                continue
            depth_start = start[0] * d0 + start[1] * d1 + start[2] * d2
            first_column = max(0, int(np.ceil(low - 0.5)))
            last_column = min(columns - 1, int(np.floor(high - 0.5)))
            for c in range(first_column, last_column + 1):
                d = min(near, max(far, depth_rise * (c + 0.5) + depth_start))
                if d > depth[r, c]:
                    depth[r, c] = d
                    face[r, c] = m
                    tag[r, c] = tags[m]


@kernel
def corner_normals(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], crease_cosine: float
) -> NDArray[np.float32]:
    """(m, 3, 3) unit normal at each corner of each face, smoothed over faces that meet at a small angle.

    Normals of the faces around a vertex are summed, weighted by area, over those whose cosine with the
    corner's own face is at least ``crease_cosine``. O(sum of squared valences), bounded by ``BUSY_VERTEX``.
    """
    count, total = faces.shape[0], vertices.shape[0]
    flat = np.zeros((count, 3))
    weight = np.zeros(count)
    start = np.zeros(total + 1, dtype=np.int64)
    for m in range(count):
        a, b, c = faces[m, 0], faces[m, 1], faces[m, 2]
        ux, uy = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1]
        vx, vy = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1]
        uz, vz = vertices[b, 2] - vertices[a, 2], vertices[c, 2] - vertices[a, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = np.sqrt(nx * nx + ny * ny + nz * nz)
        weight[m] = length
        if length > 0.0:
            flat[m, 0], flat[m, 1], flat[m, 2] = nx / length, ny / length, nz / length
        for k in range(3):
            start[faces[m, k] + 1] += 1
    for v in range(total):
        start[v + 1] += start[v]
    around = np.empty(3 * count, dtype=np.int32)
    cursor = start[:-1].copy()
    for m in range(count):
        for k in range(3):
            v = faces[m, k]
            around[cursor[v]] = m
            cursor[v] += 1
    normals = np.empty((count, 3, 3), dtype=np.float32)
    for m in range(count):
        for k in range(3):
            v = faces[m, k]
            sx, sy, sz = 0.0, 0.0, 0.0
            if start[v + 1] - start[v] <= BUSY_VERTEX:
                for at in range(start[v], start[v + 1]):
                    o = around[at]
                    cosine = flat[m, 0] * flat[o, 0] + flat[m, 1] * flat[o, 1] + flat[m, 2] * flat[o, 2]
                    if cosine >= crease_cosine:
                        sx += weight[o] * flat[o, 0]
                        sy += weight[o] * flat[o, 1]
                        sz += weight[o] * flat[o, 2]
            length = np.sqrt(sx * sx + sy * sy + sz * sz)
            if length > 0.0:
                normals[m, k, 0], normals[m, k, 1], normals[m, k, 2] = sx / length, sy / length, sz / length
            else:
                normals[m, k, 0], normals[m, k, 1], normals[m, k, 2] = flat[m, 0], flat[m, 1], flat[m, 2]
    return normals


@kernel
def turned(
    points: NDArray[np.float64], axes: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Coordinates (k, 3) along ``axes`` (3, 3, one a row) of points (k, 3), and their least and greatest."""
    out = np.empty_like(points)
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for p in range(points.shape[0]):
        for i in range(3):
            v = axes[i, 0] * points[p, 0] + axes[i, 1] * points[p, 1] + axes[i, 2] * points[p, 2]
            out[p, i] = v
            low[i], high[i] = min(low[i], v), max(high[i], v)
    return out, low, high


@kernel
def pixel_normals(
    points: NDArray[np.float64],
    faces: NDArray[np.int32],
    normals: NDArray[np.float32],
    axes: NDArray[np.float64],
    face: NDArray[np.int64],
    out: NDArray[np.float32],
) -> None:
    """Puts into ``out`` (H, W, 3) the normal along ``axes`` at each pixel, interpolated between the corners
    of the face seen there.

    ``points`` and ``faces`` as drawn, ``normals`` (m, 3, 3) not yet turned; where ``face`` is -1 ``out``
    stays.
    """
    rows, columns = face.shape
    for r in range(rows):
        for c in range(columns):
            m = face[r, c]
            if m < 0:
                continue
            x, y = c + 0.5, r + 0.5
            p, q, s = faces[m, 0], faces[m, 1], faces[m, 2]
            x0, y0 = points[p, 0], points[p, 1]
            x1, y1 = points[q, 0], points[q, 1]
            x2, y2 = points[s, 0], points[s, 1]
            twice_area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
            w0 = ((x1 - x) * (y2 - y) - (x2 - x) * (y1 - y)) / twice_area
            w1 = ((x2 - x) * (y0 - y) - (x0 - x) * (y2 - y)) / twice_area
            w2 = 1.0 - w0 - w1
            nx = w0 * normals[m, 0, 0] + w1 * normals[m, 1, 0] + w2 * normals[m, 2, 0]
            ny = w0 * normals[m, 0, 1] + w1 * normals[m, 1, 1] + w2 * normals[m, 2, 1]
            nz = w0 * normals[m, 0, 2] + w1 * normals[m, 1, 2] + w2 * normals[m, 2, 2]
            length = 0.0
            for k in range(3):
                n = axes[k, 0] * nx + axes[k, 1] * ny + axes[k, 2] * nz
                out[r, c, k] = n
                length += n * n
            if length > 0.0:
                length = np.sqrt(length)
                for k in range(3):
                    out[r, c, k] /= length


@inner
def _steps(
    depth: NDArray[np.float64],
    normal: NDArray[np.float32],
    tag: NDArray[np.int64],
    r: int,
    c: int,
    jump: float,
) -> float:
    """Share of ink at pixel (r, c): 1 on a silhouette or step, 0.55 on a crease or border, 0 elsewhere."""
    rows, columns = depth.shape
    ink = 0.0
    here = tag[r, c]
    for k in range(2):
        dr, dc = (0, 1) if k == 0 else (1, 0)
        if r + dr >= rows or c + dc >= columns:
            continue
        there = tag[r + dr, c + dc]
        if here < 0 and there < 0:
            continue
        if here < 0 or there < 0:
            return 1.0
        step = depth[r + dr, c + dc] - depth[r, c]
        # a plane has equal steps on both sides, however steep it is seen: only a change of step is an edge
        before, after = np.inf, np.inf
        if r >= dr and c >= dc and tag[r - dr, c - dc] >= 0:
            before = abs(step - (depth[r, c] - depth[r - dr, c - dc]))
        if r + 2 * dr < rows and c + 2 * dc < columns and tag[r + 2 * dr, c + 2 * dc] >= 0:
            after = abs(step - (depth[r + 2 * dr, c + 2 * dc] - depth[r + dr, c + dc]))
        bend = min(before, after)
        if bend < np.inf and bend > jump:
            return 1.0
        cosine = 0.0
        for i in range(3):
            cosine += normal[r, c, i] * normal[r + dr, c + dc, i]
        if cosine < 0.88 or here != there:
            ink = 0.55
    return ink


@inner
def _hatched(pattern: int, r: int, c: int, pitch: int, thick: int) -> bool:
    """Whether hatch ``pattern`` inks pixel (r, c): 1 upright lines, 2 diagonals, 3 crossed diagonals."""
    if pattern == 1:
        return c % pitch < thick
    if pattern == 2:
        return (r + c) % pitch < thick
    if pattern == 3:
        return (r + c) % pitch < thick or (r - c) % pitch < thick
    return False


@inner
def _level(shade: float) -> np.uint8:
    """The sum of four samples, 0..1 each, as a byte."""
    return np.uint8(min(255.0, max(0.0, np.floor(shade * 63.75 + 0.5))))


@inner
def _bare(tag: NDArray[np.int64], y: int, x: int) -> bool:
    """Whether neither the four samples from (y, x) on nor the next ones to their right and beneath show
    anything: no ink falls there."""
    rows, columns = tag.shape
    for v in range(y, min(y + 3, rows)):
        for u in range(x, min(x + 3, columns)):
            if tag[v, u] >= 0:
                return False
    return True


@kernel
def ink_picture(
    depth: NDArray[np.float64],
    normal: NDArray[np.float32],
    tag: NDArray[np.int64],
    soft: NDArray[np.float64],
    tones: NDArray[np.float64],
    hatches: NDArray[np.int64],
    hatch_tones: NDArray[np.float64],
    paper: NDArray[np.float64],
    light: NDArray[np.float64],
    jump: float,
    pitch: int,
    wanted: NDArray[np.bool_],
) -> NDArray[np.uint8]:
    """(H/2, W/2, 3) picture from buffers at twice its size: tones, soft light, hatching and outlines.

    Only pixels ``wanted`` (H/2, W/2) are drawn, the others are paper.

    ``tones`` (K, 3) colour 0..1 of each tag, ``hatches`` (K,) pattern, ``hatch_tones`` (K, 3) its ink;
    ``soft`` (H, W) blurred depth: what lies behind its surroundings is darkened (unsharp masking of the depth
    buffer, Luft, Colditz, Deussen 2006, doi 10.1145/1141911.1142016). ``light`` unit vector in screen axes
    (x right, y up, z to the viewer), the same axes as ``normal``; ``jump`` depth step that draws a line.
    """
    rows, columns = depth.shape[0] // 2, depth.shape[1] // 2
    out = np.empty((rows, columns, 3), dtype=np.uint8)
    blank = np.empty(3, dtype=np.uint8)
    for i in range(3):
        blank[i] = _level(paper[i] + paper[i] + paper[i] + paper[i])
    shade = np.empty(3)
    for r in range(rows):
        for c in range(columns):
            if not wanted[r, c] or _bare(tag, 2 * r, 2 * c):
                for i in range(3):
                    out[r, c, i] = blank[i]
                continue
            shade[:] = 0.0
            for half in range(4):
                y, x = 2 * r + half // 2, 2 * c + half % 2
                k = tag[y, x]
                ink = _steps(depth, normal, tag, y, x, jump)
                lit, drawn = 1.0, False
                if k >= 0:
                    cosine = 0.0
                    for i in range(3):
                        cosine += normal[y, x, i] * light[i]
                    if normal[y, x, 2] < 0.0:  # a back face of an open mesh: lit as its front would be
                        cosine = -cosine
                    lit = 0.72 + 0.32 * max(0.0, cosine)
                    behind = (soft[y, x] - depth[y, x]) / (8.0 * jump)
                    lit *= 1.0 - 0.22 * min(1.0, max(0.0, behind))
                    drawn = _hatched(hatches[k], y, x, pitch, pitch // 6)
                for i in range(3):
                    tone = paper[i]
                    if k >= 0:
                        tone = lit * (hatch_tones[k, i] if drawn else tones[k, i])
                    shade[i] += tone * (1.0 - ink) + ink * 0.13
            for i in range(3):
                out[r, c, i] = _level(shade[i])
    return out


@kernel
def blur_depth(depth: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """(H, W) mean of ``depth`` over a square of side ``2 reach + 1``, over drawn pixels only; O(H W)."""
    rows, columns = depth.shape
    along = np.zeros((rows, columns))
    share = np.zeros((rows, columns))
    out = np.full((rows, columns), -np.inf)
    for r in range(rows):
        total, count = 0.0, 0.0
        for c in range(-reach, columns):
            if c + reach < columns and depth[r, c + reach] > -np.inf:
                total += depth[r, c + reach]
                count += 1.0
            if c - reach - 1 >= 0 and depth[r, c - reach - 1] > -np.inf:
                total -= depth[r, c - reach - 1]
                count -= 1.0
            if c >= 0:
                along[r, c], share[r, c] = total, count
    total_row, count_row = np.zeros(columns), np.zeros(columns)
    for r in range(-reach, rows):
        for c in range(columns):
            if r + reach < rows:
                total_row[c] += along[r + reach, c]
                count_row[c] += share[r + reach, c]
            if r - reach - 1 >= 0:
                total_row[c] -= along[r - reach - 1, c]
                count_row[c] -= share[r - reach - 1, c]
            if r >= 0 and count_row[c] > 0.5:
                out[r, c] = total_row[c] / count_row[c]
    return out
