"""How much of a stack's cores lies under and over solid layers, along lanes. Plain arrays only."""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel


@inner
def _sorted(x, sign, first, last):
    """Crossings from first to last in ascending order, in place: few, and mostly in order."""
    for k in range(first + 1, last):
        value, way, j = x[k], sign[k], k
        while j > first and x[j - 1] > value:
            x[j], sign[j] = x[j - 1], sign[j - 1]
            j -= 1
        x[j], sign[j] = value, way


@inner
def _crossings(points, ring_start, layer_start, axes, low, step, lanes):
    """Where lanes enter and leave each layer: start (layers * lanes + 1,), x and sign of each crossing.

    Lane k of a layer lies at ``low + (k + 1/2) step`` across; ``axes`` are the cosine and sine of its turn.
    """
    c, s = axes[0], axes[1]
    layers = len(layer_start) - 1
    start = np.zeros(layers * lanes + 1, np.int64)
    x, sign = np.empty(0), np.empty(0, np.int8)
    for turn in range(2):  # counted, then written
        for layer in range(layers):
            for ring in range(layer_start[layer], layer_start[layer + 1]):
                first, last = ring_start[ring], ring_start[ring + 1]
                for p in range(first, last):
                    q = p + 1 if p + 1 < last else first
                    va = (c * points[p, 1] - s * points[p, 0] - low) / step - 0.5
                    vb = (c * points[q, 1] - s * points[q, 0] - low) / step - 0.5
                    if va == vb:
                        continue
                    near, far = (va, vb) if va < vb else (vb, va)
                    k0, k1 = max(int(np.ceil(near)), 0), min(int(np.ceil(far)), lanes)
                    for k in range(k0, k1):
                        bucket = layer * lanes + k
                        if turn == 0:
                            start[bucket + 1] += 1
                            continue
                        t = (k - va) / (vb - va)
                        ua = c * points[p, 0] + s * points[p, 1]
                        ub = c * points[q, 0] + s * points[q, 1]
                        place = start[bucket]
                        x[place] = ua + t * (ub - ua)
                        sign[place] = 1 if vb < va else -1
                        start[bucket] += 1
        if turn == 0:
            for b in range(layers * lanes):
                start[b + 1] += start[b]
            x, sign = np.empty(start[-1]), np.empty(start[-1], np.int8)
    for b in range(layers * lanes, 0, -1):  # writing has moved each to its end
        start[b] = start[b - 1]
    start[0] = 0
    for b in range(layers * lanes):
        _sorted(x, sign, start[b], start[b + 1])
    return start, x, sign


@inner
def _inside(x, sign, first, last, out):
    """Stretches inside, by winding: how many, and their ends in ``out``."""
    count, winding = 0, 0
    for k in range(first, last):
        before = winding
        winding += sign[k]
        if before <= 0 < winding:
            out[count, 0] = x[k]
        elif winding <= 0 < before and x[k] > out[count, 0]:
            out[count, 1] = x[k]
            count += 1
    return count


@inner
def _common(a, count_a, b, count_b, out):
    """Stretches common to two ascending sets of stretches."""
    i, j, count = 0, 0, 0
    while i < count_a and j < count_b:
        low, high = max(a[i, 0], b[j, 0]), min(a[i, 1], b[j, 1])
        if low < high:
            out[count, 0], out[count, 1] = low, high
            count += 1
        if a[i, 1] < b[j, 1]:
            i += 1
        else:
            j += 1
    return count


@kernel
def covered_chords(core, sections, at, solid, axes, low, step, lanes):
    """(n, 5) of each core: length of lanes in it, and stretches; the same of what is covered, and the
    stretches of what is not.

    ``core`` and ``sections`` are (points, ring_start, layer_start) of stacks, outer rings counter-clockwise;
    core k lies in section ``at[k]`` and is covered by what all ``solid`` sections beneath and above cover,
    nothing at the ends. Lanes as in ``_crossings``. O(edges · lanes crossed).
    """
    count, layers = len(at), len(sections[2]) - 1
    start, x, sign = _crossings(sections[0], sections[1], sections[2], axes, low, step, lanes)
    core_start, core_x, core_sign = _crossings(core[0], core[1], core[2], axes, low, step, lanes)
    most = 1
    for b in range(len(start) - 1):
        most = max(most, start[b + 1] - start[b])
    for b in range(len(core_start) - 1):
        most = max(most, core_start[b + 1] - core_start[b])
    own, kept = np.zeros((2 * most + 2, 2)), np.zeros((2 * most + 2, 2))
    other, spare = np.zeros((2 * most + 2, 2)), np.zeros((2 * most + 2, 2))
    found = np.zeros((count, 5))
    for n in range(count):
        end = at[n] < solid or at[n] >= layers - solid
        for lane in range(lanes):
            b = n * lanes + lane
            many = _inside(core_x, core_sign, core_start[b], core_start[b + 1], own)
            if many == 0:
                continue
            left = many
            kept[:many] = own[:many]
            if end and solid > 0:
                left = 0
            for d in range(solid, 0, -1):
                for way in (-1, 1):
                    if left == 0:
                        break
                    b = (at[n] + way * d) * lanes + lane
                    size = _inside(x, sign, start[b], start[b + 1], other)
                    if left + size > len(spare):  # as many at most as there are crossings
                        longer = np.zeros((left + size, 2))
                        longer[:left] = kept[:left]
                        kept, spare = longer, np.zeros((left + size, 2))
                    left = _common(kept, left, other, size, spare)
                    kept, spare = spare, kept
            whole, covered, rest = 0.0, 0.0, many
            for k in range(many):
                whole += own[k, 1] - own[k, 0]
            j = 0
            for k in range(left):
                covered += kept[k, 1] - kept[k, 0]
                while own[j, 1] < kept[k, 1]:
                    j += 1
                # cut out of a stretch it leaves one more, or one fewer where it reaches its ends
                rest += 1 - (kept[k, 0] <= own[j, 0]) - (kept[k, 1] >= own[j, 1])
            found[n, 0] += whole
            found[n, 1] += many
            found[n, 2] += covered
            found[n, 3] += left
            found[n, 4] += rest
    return found
