"""Sorting for kernels. Where one calls numpy's, numba compiles four functions anew for each kind of array:
that costs seconds at the first run, and saves none later, since what is sorted here is short."""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner


@inner
def sort_part(values, start, end):
    """Sort values[start:end] in place by insertion, after wider steps where there are many (Shell)."""
    gap = 1
    while gap < (end - start) // 6:
        gap = 3 * gap + 1
    while gap > 0:
        for k in range(start + gap, end):
            v = values[k]
            m = k
            while m - gap >= start and values[m - gap] > v:
                values[m] = values[m - gap]
                m -= gap
            values[m] = v
        gap //= 3


@inner
def distinct(values):
    """The values (n,) ascending, each once; ``values`` is sorted in place."""
    sort_part(values, 0, values.shape[0])
    n = 0
    for k in range(values.shape[0]):
        if n == 0 or values[k] != values[n - 1]:
            values[n] = values[k]
            n += 1
    return values[:n]


@inner
def order_of(values, n):
    """(n,) int64 order in which values[:n] ascend, of equals the first first. As :func:`sort_part`."""
    order = np.arange(n)
    gap = 1
    while gap < n // 6:
        gap = 3 * gap + 1
    while gap > 0:
        for k in range(gap, n):
            o = order[k]
            v = values[o]
            m = k
            while m - gap >= 0:
                before = order[m - gap]
                if values[before] < v or (values[before] == v and before < o):
                    break
                order[m] = before
                m -= gap
            order[m] = o
        gap //= 3
    return order


@inner
def grouped(group, count):
    """``(start, index)`` int64: index[start[c] : start[c + 1]] are the places of group (n,) that hold c,
    ascending, for c from 0 to count − 1. O(n + count)."""
    start = np.zeros(count + 1, np.int64)
    for k in range(len(group)):
        start[group[k] + 1] += 1
    for c in range(count):
        start[c + 1] += start[c]
    place = start[:-1].copy()
    index = np.empty(len(group), np.int64)
    for k in range(len(group)):
        index[place[group[k]]] = k
        place[group[k]] += 1
    return start, index
