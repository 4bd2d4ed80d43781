"""Bodies that grow layer by layer: what holds each upright while it does, and what tips it.

A body is what hangs together of the layers laid so far. Everything about it is a sum or a maximum, so two
bodies that join are one by adding these up.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.graph import root

# sums of an area: itself, first moments, second moments about the origin
AREA, SX, SY, SXX, SXY, SYY = range(6)
SUMS = 6
FAR = -1e30  # support function of nothing
MOST = 1e6  # reported where nothing tips a body


@inner
def turning_moment(sums, ux, uy, pivot, far):
    """Moment about an edge across (ux, uy) at ``pivot`` that an area bears at unit stress at its far end.

    Stress grows in proportion to the distance from the edge, up to 1 at ``pivot − far``: ∫ ξ² dA / ξ_max.
    """
    first = sums[SX] * ux + sums[SY] * uy
    second = sums[SXX] * ux * ux + 2.0 * sums[SXY] * ux * uy + sums[SYY] * uy * uy
    about = second - 2.0 * pivot * first + pivot * pivot * sums[AREA]
    reach = pivot - far
    return max(about, 0.0) / reach if reach > 1e-9 else 0.0


@kernel
def tipping(
    layer,
    weight,
    weight_moment,
    bed,
    bed_hull,
    borne_hull,
    lower_start,
    lower,
    top_mm,
    along,
    bed_bond,
    side_force,
):
    """(n, 3) righting moment, overturning moment and worst direction of the body of each piece of section.

    layer (n,) ascending; weight (n,) and weight_moment (n, 2) of each piece, about the origin; bed (n, SUMS)
    of its area on the bed; bed_hull and borne_hull (n, d) support functions of that and of what supports bear
    it, ``FAR`` where there is none; lower[lower_start[k]:lower_start[k + 1]] pieces beneath it; top_mm (n,)
    upper side; along (d, 2) unit directions, the opposite of each half of them away.
    Figures are those when the piece's layer is done. Bodies that have nothing on the bed yet get ``MOST``.
    O(n d).
    """
    n, d = len(layer), len(along)
    parent = np.arange(n)
    w, m = weight.copy(), weight_moment.copy()
    on_bed = bed.copy()
    hull_bed, hull_all = bed_hull.copy(), np.maximum(bed_hull, borne_hull)
    seen = np.full(n, -1, np.int64)
    out = np.zeros((n, 3))
    first = 0
    while first < n:
        last = first
        while last < n and layer[last] == layer[first]:
            last += 1
        for k in range(first, last):
            for e in range(lower_start[k], lower_start[k + 1]):
                a, b = root(parent, k), root(parent, lower[e])
                if a == b:
                    continue
                if b > a:
                    a, b = b, a
                parent[a] = b  # the older one stays
                w[b] += w[a]
                m[b] += m[a]
                on_bed[b] += on_bed[a]
                for i in range(d):
                    hull_bed[b, i] = max(hull_bed[b, i], hull_bed[a, i])
                    hull_all[b, i] = max(hull_all[b, i], hull_all[a, i])
        for k in range(first, last):
            body = root(parent, k)
            if seen[body] >= first:
                out[k] = out[seen[body]]
                continue
            seen[body] = k
            if on_bed[body, AREA] <= 0.0:
                out[k, 0], out[k, 1] = MOST, 1.0
                continue
            least = math.inf
            turn = side_force * top_mm[k]
            for i in range(d):
                ux, uy = along[i, 0], along[i, 1]
                edge = hull_all[body, i]
                away = (i + d // 2) % d
                arm = edge * w[body] - (m[body, 0] * ux + m[body, 1] * uy)
                righting, turning = max(arm, 0.0), turn + max(-arm, 0.0)
                far = -hull_bed[body, away]
                righting += bed_bond * turning_moment(on_bed[body], ux, uy, edge, far)
                safety = righting / turning if turning > 0.0 else MOST
                if safety < least:
                    least = safety
                    out[k, 0], out[k, 1], out[k, 2] = righting, turning, i
        first = last
    return out
