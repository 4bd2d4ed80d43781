"""Scan lines over many polygons at once: where strips of a given width fit, and which of them are carried."""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.sorting import order_of, sort_part


@inner
def _grown(table, used):
    if used < len(table):
        return table
    larger = np.empty((2 * len(table) + 16, table.shape[1]))
    for k in range(used):
        for m in range(table.shape[1]):
            larger[k, m] = table[k, m]
    return larger


@kernel
def fit_strips(points, ring_start, cell_start, spacing, phase, half):
    """Longest rectangles of half width ``half`` along u, centred on parallel lines, that lie inside polygons.

    points (P, 2) float64 : ring vertices (u, v), rings not closed, any winding (even-odd).
    ring_start (R + 1,), cell_start (C + 1,) int64 : polygon c owns rings cell_start[c]:cell_start[c + 1].
    spacing : distance of the lines; phase (C,), half (C,) float64 : line k of polygon c lies at
        v = phase[c] + k * spacing, its rectangle reaches half[c] to both sides.
    Returns (N, 4) float64: polygon, k, u from, u to; by polygon, then k, then u.
    O(lines x edges) per polygon.
    """
    out = np.empty((1024, 4))
    used = 0
    most = 1
    for c in range(len(cell_start) - 1):
        most = max(most, ring_start[cell_start[c + 1]] - ring_start[cell_start[c]])
    cross = np.empty(most + 1)
    block_from, block_to = np.empty(most + 1), np.empty(most + 1)
    for c in range(len(cell_start) - 1):
        first, last = ring_start[cell_start[c]], ring_start[cell_start[c + 1]]
        if first == last:
            continue
        low, high = points[first:last, 1].min(), points[first:last, 1].max()
        reach = half[c]
        k_from = int(np.ceil((low + reach - phase[c]) / spacing - 1e-9))
        k_to = int(np.floor((high - reach - phase[c]) / spacing + 1e-9))
        for k in range(k_from, k_to + 1):
            v = phase[c] + k * spacing
            below, above = v - reach + 1e-7, v + reach - 1e-7
            n_cross = 0
            n_block = 0
            for r in range(cell_start[c], cell_start[c + 1]):
                begin, end = ring_start[r], ring_start[r + 1]
                u0, v0 = points[end - 1, 0], points[end - 1, 1]
                for p in range(begin, end):
                    u1, v1 = points[p, 0], points[p, 1]
                    if (v0 <= v) != (v1 <= v):
                        cross[n_cross] = u0 + (u1 - u0) * (v - v0) / (v1 - v0)
                        n_cross += 1
                    if above > below and max(v0, v1) > below and min(v0, v1) < above:
                        if v0 == v1:
                            ua, ub = u0, u1
                        else:
                            slope = (u1 - u0) / (v1 - v0)
                            ua = u0 + slope * (min(max(v0, below), above) - v0)
                            ub = u0 + slope * (min(max(v1, below), above) - v0)
                        block_from[n_block] = min(ua, ub)
                        block_to[n_block] = max(ua, ub)
                        n_block += 1
                    u0, v0 = u1, v1
            sort_part(cross, 0, n_cross)
            order = order_of(block_from, n_block)
            b = 0
            blocked = -np.inf  # up to here, by edges that may reach past the gap in which they begin
            for j in range(0, n_cross - 1, 2):
                start, stop = max(cross[j], blocked), cross[j + 1]
                while b < n_block and block_from[order[b]] < stop:
                    lo, hi = block_from[order[b]], block_to[order[b]]
                    if lo > start:
                        out = _grown(out, used)
                        out[used, 0], out[used, 1], out[used, 2], out[used, 3] = c, k, start, lo
                        used += 1
                    blocked = max(blocked, hi)
                    start = max(start, blocked)
                    b += 1
                if stop > start:
                    out = _grown(out, used)
                    out[used, 0], out[used, 1], out[used, 2], out[used, 3] = c, k, start, stop
                    used += 1
    return out[:used].copy()


@kernel
def carried_spans(key, layer, span, ground_key, ground, reach, bridge, least):
    """What of spans on lines is carried by spans one layer beneath on the same line, or by the ground.

    key (N,) int64 ascending : line * stride + layer, so that key - 1 is the same line one layer beneath;
    layer (N,) int64 : spans of layer 0 lie on the bed and are carried whole; span (N, 2) float64 : from, to.
    ground_key (G,) int64 ascending, ground (G, 2) float64 : where anything else carries.
    reach : how far a span may reach past what carries it; bridge : how far it may run between two carriers;
    least : shorter remainders are dropped.
    Returns (M, 3): index of the span it comes from, from, to; same order. O(N log N).
    """
    out = np.empty((len(key) + 16, 3))
    used = 0
    previous_from, previous_to, previous_key = 0, 0, np.int64(-1)  # rows of ``out`` one layer beneath
    i = 0
    while i < len(key):
        here = key[i]
        beneath_from, beneath_to = 0, 0
        if previous_key == here - 1:
            beneath_from, beneath_to = previous_from, previous_to
        rows_from = used
        g_from, g_to = np.searchsorted(ground_key, here), np.searchsorted(ground_key, here + 1)
        count = (beneath_to - beneath_from) + (g_to - g_from)
        carrier_from, carrier_to = np.empty(count), np.empty(count)
        for b in range(beneath_from, beneath_to):
            carrier_from[b - beneath_from], carrier_to[b - beneath_from] = out[b, 1], out[b, 2]
        for g in range(g_from, g_to):
            c = beneath_to - beneath_from + g - g_from
            carrier_from[c], carrier_to[c] = ground[g, 0], ground[g, 1]
        order = order_of(carrier_from, count)
        while i < len(key) and key[i] == here:
            low, high = span[i, 0], span[i, 1]
            if layer[i] == 0:
                out = _grown(out, used)
                out[used, 0], out[used, 1], out[used, 2] = i, low, high
                used += 1
            else:
                start, stop, open_ = 0.0, 0.0, False
                for o in order:
                    lo, hi = max(carrier_from[o], low), min(carrier_to[o], high)
                    if hi <= lo:
                        continue
                    if open_ and lo <= stop + bridge:
                        stop = max(stop, hi)
                        continue
                    if open_ and min(stop + reach, high) - max(start - reach, low) >= least:
                        out = _grown(out, used)
                        out[used, 0], out[used, 1], out[used, 2] = (
                            i,
                            max(start - reach, low),
                            min(stop + reach, high),
                        )
                        used += 1
                    start, stop, open_ = lo, hi, True
                if open_ and min(stop + reach, high) - max(start - reach, low) >= least:
                    out = _grown(out, used)
                    out[used, 0], out[used, 1], out[used, 2] = (
                        i,
                        max(start - reach, low),
                        min(stop + reach, high),
                    )
                    used += 1
            i += 1
        previous_from, previous_to, previous_key = rows_from, used, here
    return out[:used].copy()


@kernel
def arched_spans(key, span, chord, bridge, step, leg, least):
    """Walls with arches carved out of them from below, between the closed lines that hold their ends.

    key (N,) int64 ascending : line * stride + layer; span (N, 2) float64 : from, to, ascending within a key.
    The top ``chord`` layers of every wall stay. Beneath them a span that ends on both sides where the layer
    beneath ends too (but for 1.5 steps: there the closed line beneath carries it) opens in the middle by
    ``bridge``, or is left out where it is no longer; openings widen by ``step`` a layer on both sides. What
    hangs on one side alone shrinks towards it, what hangs on none down to ``leg``.
    Returns (M, 3): index of the span it comes from, from, to; ascending by index. O(N log N + N chord).
    """
    n = len(key)
    first = np.empty(n + 1, np.int64)  # rows of one key each, from the last
    keys = 0
    for i in range(n):
        if i == 0 or key[i] != key[i - 1]:
            first[keys] = i
            keys += 1
    first[keys] = n
    out = np.empty((n + 16, 3))
    used = 0
    wanted = np.empty((64, 2))  # of the layer above, shrunk: what this layer must hold
    wanted_n = 0
    for g in range(keys - 1, -1, -1):
        a, b = first[g], first[g + 1]
        here = key[a]
        if g + 1 == keys or key[first[g + 1]] != here + 1:
            wanted_n = 0
        c, d = np.searchsorted(key, here + chord), np.searchsorted(key, here + chord + 1)
        e, f = np.searchsorted(key, here - 1), np.searchsorted(key, here)
        rows_from = used
        for i in range(a, b):
            low, high = span[i, 0], span[i, 1]
            block_from = used
            for w in range(wanted_n):
                lo, hi = max(low, wanted[w, 0]), min(high, wanted[w, 1])
                if hi > lo:
                    # walls may have parted beneath: what ends near the new end goes on to it
                    lo = low if lo - low <= bridge else lo
                    hi = high if high - hi <= bridge else hi
                    out = _grown(out, used)
                    out[used, 0], out[used, 1], out[used, 2] = i, lo, hi
                    used += 1
            at = low  # what has no wall so many layers above belongs to the chord
            for j in range(c, d + 1):
                lo, hi = (span[j, 0], span[j, 1]) if j < d else (high, high)
                if min(lo, high) - at > 1e-9:
                    out = _grown(out, used)
                    out[used, 0], out[used, 1], out[used, 2] = i, at, min(lo, high)
                    used += 1
                at = max(at, hi)
            used = _merged(out, block_from, used, least)
        if 2 * (used - rows_from) > len(wanted):
            wanted = np.empty((4 * (used - rows_from), 2))
        wanted_n = 0
        for r in range(rows_from, used):
            own = int(out[r, 0])
            lo, hi = out[r, 1], out[r, 2]
            left = right = False
            for j in range(e, f):
                left = left or (lo <= span[own, 0] + 1e-9 and abs(span[j, 0] - lo) <= 1.5 * step)
                right = right or (hi >= span[own, 1] - 1e-9 and abs(span[j, 1] - hi) <= 1.5 * step)
            if left and right:
                middle = 0.5 * (lo + hi)
                if hi - lo <= bridge:
                    continue
                wanted[wanted_n, 0], wanted[wanted_n, 1] = lo - 2 * step, middle - 0.5 * bridge
                wanted[wanted_n + 1, 0], wanted[wanted_n + 1, 1] = middle + 0.5 * bridge, hi + 2 * step
                wanted_n += 2
            elif left or right:
                if hi - lo <= step + least:
                    continue
                wanted[wanted_n, 0] = lo - 2 * step if left else lo + step
                wanted[wanted_n, 1] = hi + 2 * step if right else hi - step
                wanted_n += 1
            else:
                inward = min(step, max(0.0, 0.5 * (hi - lo - leg)))
                wanted[wanted_n, 0], wanted[wanted_n, 1] = lo + inward, hi - inward
                wanted_n += 1
    return out[order_of(out[:, 0], used)]


@inner
def _merged(rows, begin, end, least):
    """Rows begin:end sorted by their start, those that meet joined, short ones left out; the new end."""
    order = begin + order_of(rows[begin:end, 1], end - begin)
    block = rows[order].copy()
    used = begin
    for k in range(len(block)):
        if used > begin and block[k, 1] <= rows[used - 1, 2] + 1e-9:
            rows[used - 1, 2] = max(rows[used - 1, 2], block[k, 2])
        else:
            for m in range(rows.shape[1]):
                rows[used, m] = block[k, m]
            used += 1
    kept = begin
    for k in range(begin, used):
        if rows[k, 2] - rows[k, 1] >= least:
            for m in range(rows.shape[1]):
                rows[kept, m] = rows[k, m]
            kept += 1
    return kept


@kernel
def subtract_spans(key, span, other_key, other, least):
    """Spans without what other spans of the same key cover.

    key (N,), other_key (M,) int64 ascending; span (N, 2), other (M, 2) float64, ``other`` ascending by its
    start within a key. Remainders shorter than ``least`` are dropped. Returns (K, 3): index, from, to.
    O(N log M + M).
    """
    out = np.empty((len(key) + 16, 3))
    used = 0
    for i in range(len(key)):
        start, stop = span[i, 0], span[i, 1]
        for o in range(np.searchsorted(other_key, key[i]), np.searchsorted(other_key, key[i] + 1)):
            lo, hi = other[o, 0], other[o, 1]
            if hi <= start or lo >= stop:
                continue
            if lo - start >= least:
                out = _grown(out, used)
                out[used, 0], out[used, 1], out[used, 2] = i, start, lo
                used += 1
            start = max(start, hi)
        if stop - start >= least:
            out = _grown(out, used)
            out[used, 0], out[used, 1], out[used, 2] = i, start, stop
            used += 1
    return out[:used].copy()


@kernel
def stack_panels(key, span, least):
    """Joins spans on successive layers of one line into panels that branch nowhere.

    key (N,) int64 ascending as in ``carried_spans``; span (N, 2). A span continues a panel when it overlaps
    exactly one span beneath, by ``least`` or more, and that one no other above. Returns (N,) int64 panel of
    each span. O(N).
    """
    n = len(key)
    panel = np.full(n, -1, np.int64)
    ups = np.zeros(n, np.int64)
    parent = np.full(n, -1, np.int64)
    beneath = 0
    for i in range(n):
        while key[beneath] < key[i] - 1:
            beneath += 1
        downs = 0
        j = beneath
        while j < i and key[j] == key[i] - 1:
            if min(span[i, 1], span[j, 1]) - max(span[i, 0], span[j, 0]) >= least:
                downs += 1
                ups[j] += 1
                parent[i] = j
            j += 1
        if downs != 1:
            parent[i] = -1
    count = 0
    for i in range(n):
        if parent[i] >= 0 and ups[parent[i]] == 1:
            panel[i] = panel[parent[i]]
        else:
            panel[i] = count
            count += 1
    return panel


@kernel
def panel_levels(panel, layer, span, z, tolerance):
    """Panels as few trapezia: levels with straight edges between them that stay inside the stairs of spans.

    panel (N,) int64 ascending, layer (N,) int64 ascending by one within a panel; span (N, 2) float64;
    z (L + 1,) heights of layer boundaries. At a boundary the narrower of both spans counts; ends are drawn
    inwards by half the tolerance and edges stray by no more than that: they lie up to ``tolerance`` inside.
    Returns (M, 4): panel, z, from, to; at least two rows for each panel, first and last layer boundary
    exactly kept. O(n²) in the levels of a panel at worst.
    """
    out = np.empty((len(panel) + 2 * (panel.max() + 1) + 16 if len(panel) else 16, 4))
    used = 0
    begin = 0
    while begin < len(panel):
        end = begin
        while end < len(panel) and panel[end] == panel[begin]:
            end += 1
        n = end - begin + 1
        low, high, level = np.empty(n), np.empty(n), np.empty(n)
        for m in range(n):
            i, j = begin + max(m - 1, 0), begin + min(m, n - 2)
            low[m] = max(span[i, 0], span[j, 0]) + 0.5 * tolerance
            high[m] = min(span[i, 1], span[j, 1]) - 0.5 * tolerance
            level[m] = z[layer[begin] + m]
        start = 0
        out[used, 0], out[used, 1], out[used, 2], out[used, 3] = panel[begin], level[0], low[0], high[0]
        used += 1
        while start < n - 1:
            best = start + 1
            for stop in range(start + 2, n):
                good = True
                for m in range(start + 1, stop):
                    t = (level[m] - level[start]) / (level[stop] - level[start])
                    off_low = low[start] + t * (low[stop] - low[start]) - low[m]
                    off_high = high[start] + t * (high[stop] - high[start]) - high[m]
                    if abs(off_low) > 0.5 * tolerance or abs(off_high) > 0.5 * tolerance:
                        good = False
                        break
                if not good:
                    break
                best = stop
            out[used, 0], out[used, 1] = panel[begin], level[best]
            out[used, 2], out[used, 3] = low[best], high[best]
            used += 1
            start = best
        begin = end
    return out[:used].copy()
