"""Closing sections of meshes with holes: open chains joined at their nearest ends."""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.mesh.section import turn_round

# A join of two heads or two tails needs one chain turned round: taken only where it is this much nearer.
_TURN = 3.0
_SELF = 0.5  # a chain may close on itself across at most this share of its own length


@inner
def _gap(xy, e, f):
    return np.hypot(xy[2 * e] - xy[2 * f], xy[2 * e + 1] - xy[2 * f + 1])


@inner
def _nearest(e, xy, partner, other, length, cap):
    """Nearest free end that ``e`` may be joined with, -1 if there is none; ties go to the lower end."""
    best, best_cost = -1, np.inf
    for f in range(partner.shape[0]):
        if f == e or partner[f] >= 0:
            continue
        gap = _gap(xy, e, f)
        allowed = _SELF * length[e] if other[e] == f else max(cap, min(length[e], length[f]))
        if gap > allowed:
            continue
        cost = gap if (e ^ f) & 1 else _TURN * gap
        if cost < best_cost:
            best, best_cost = f, cost
    return best


@inner
def _ends(points, chain_start, chain_open, first, last, opened):
    """The open chains of a layer, where their ends lie (2 j is the head of open chain j, 2 j + 1 its tail),
    and of every end the length of its chain."""
    chain = np.empty(opened, dtype=np.int64)
    xy = np.empty(4 * opened, dtype=np.float64)
    length = np.empty(2 * opened, dtype=np.float64)
    j = 0
    for c in range(first, last):
        if not chain_open[c]:
            continue
        head, tail = chain_start[c], chain_start[c + 1] - 1
        total = 0.0
        for k in range(head, tail):
            total += np.hypot(points[2 * k + 2] - points[2 * k], points[2 * k + 3] - points[2 * k + 1])
        chain[j] = c
        xy[4 * j], xy[4 * j + 1] = points[2 * head], points[2 * head + 1]
        xy[4 * j + 2], xy[4 * j + 3] = points[2 * tail], points[2 * tail + 1]
        length[2 * j], length[2 * j + 1] = total, total
        j += 1
    return chain, xy, length


@inner
def _joined(xy, length, cap):
    """The end that each end is joined with, -1 where it stays free: in each round all that are each other's
    nearest. ``other`` is the far end of the chains joined so far to this one, ``length`` their length."""
    ends = length.shape[0]
    partner = np.empty(ends, dtype=np.int64)
    other = np.empty(ends, dtype=np.int64)
    choice = np.empty(ends, dtype=np.int64)
    for e in range(ends):
        partner[e], other[e] = -1, e ^ 1
    joined = True
    while joined:
        joined = False
        for e in range(ends):
            choice[e] = -1
            if partner[e] < 0:
                choice[e] = _nearest(e, xy, partner, other, length, cap)
        for e in range(ends):
            f = choice[e]
            if f <= e or choice[f] != e:
                continue
            gap = _gap(xy, e, f)
            partner[e], partner[f] = f, e
            far_e, far_f = other[e], other[f]
            if far_e != f:
                other[far_e], other[far_f] = far_f, far_e
                total = length[e] + length[f] + gap
                length[far_e], length[far_f] = total, total
            joined = True
    return partner


@inner
def _walked(points, chain_start, chain, xy, partner, entry, out, used):
    """Writes the chains that are joined, round from the head of one. Returns where that stops, by how many
    points it runs along them rather than against, the widest gap, and whether it came round: a walk that
    meets a free end belongs to what stays open."""
    end, votes, gaps = entry, 0, 0.0
    while True:
        c, backward = chain[end >> 1], end & 1
        first, last = chain_start[c], chain_start[c + 1]
        for k in range(last - first):
            p = last - 1 - k if backward else first + k
            out[2 * used], out[2 * used + 1] = points[2 * p], points[2 * p + 1]
            used += 1
        votes += first - last if backward else last - first
        leave = end ^ 1
        end = partner[leave]
        if end < 0:
            return used, votes, gaps, False
        gaps = max(gaps, _gap(xy, leave, end))
        if end == entry:
            return used, votes, gaps, True


@kernel
def stitch_chains(points, chain_start, chain_open, layer_start, cap):
    """Close the open chains of each layer; drop what stays open.

    Parameters
    ----------
    points (2 P,) float64, chain_start (C + 1,), chain_open (C,), layer_start (L + 1,) int64: as
    ``section_chains`` returns them.
    cap : gap that may always be bridged. A wider one is bridged only where it is no longer than the
        shorter of the two chains it joins, or, closing one chain on itself, than half its length: a loose
        sheet is dropped, a missing wall is closed straight.

    Returns
    -------
    points, ring_start, layer_start : closed rings, in each layer those that were closed before first.
    widest (L,) float64 : widest gap bridged. loose (L,) int64 : chains dropped.

    In each round all ends that are each other's nearest are joined. O(E^2) a round for E open ends of a
    layer, a few rounds; layers without open chains are copied.
    """
    layers = layer_start.shape[0] - 1
    chains = chain_start.shape[0] - 1
    out = np.empty(points.shape[0], dtype=np.float64)
    ring_start = np.zeros(chains + 1, dtype=np.int64)
    out_layer = np.zeros(layers + 1, dtype=np.int64)
    widest = np.zeros(layers, dtype=np.float64)
    loose = np.zeros(layers, dtype=np.int64)
    used = rings = 0
    for i in range(layers):
        opened = 0
        for c in range(layer_start[i], layer_start[i + 1]):
            if chain_open[c]:
                opened += 1
                continue
            for k in range(2 * chain_start[c], 2 * chain_start[c + 1]):
                out[2 * used + k - 2 * chain_start[c]] = points[k]
            used += chain_start[c + 1] - chain_start[c]
            rings += 1
            ring_start[rings] = used
        if opened == 0:
            out_layer[i + 1] = rings
            continue

        chain, xy, length = _ends(points, chain_start, chain_open, layer_start[i], layer_start[i + 1], opened)
        partner = _joined(xy, length, cap)
        for j in range(opened):
            chain_open[chain[j]] = 1
        for j in range(opened):
            if chain_open[chain[j]] == 2:
                continue
            begin, entry = used, 2 * j
            used, votes, gaps, closed = _walked(points, chain_start, chain, xy, partner, entry, out, used)
            if not closed:
                used = begin
                loose[i] += 1
                continue
            end = entry
            while True:
                chain_open[chain[end >> 1]] = 2
                end = partner[end ^ 1]
                if end == entry:
                    break
            if votes < 0:
                turn_round(out, begin, used)
            widest[i] = max(widest[i], gaps)
            rings += 1
            ring_start[rings] = used
        out_layer[i + 1] = rings
    return out[: 2 * used], ring_start[: rings + 1], out_layer, widest, loose
