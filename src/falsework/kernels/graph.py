"""What hangs together, and by which way: plain arrays of numbered things and of pairs that are joined."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.compiled import bare, inner, kernel


@bare
def root(parent, k):
    """The one that stands for all that hang together with k; the way there is shortened."""
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@bare
def join(parent, a, b):
    """Let a and b hang together, and say whether they did not before; the first member stands for all."""
    a, b = root(parent, a), root(parent, b)
    if a != b:
        parent[max(a, b)] = min(a, b)
    return a != b


@inner
def numbered(parent):
    """Labels of what hangs together, alike in type to ``parent``, in order of the first members."""
    label = np.empty_like(parent)
    groups = 0
    for k in range(len(parent)):
        first = root(parent, k)
        if first == k:
            label[k] = groups
            groups += 1
        else:
            label[k] = label[first]
    return label


def joined_groups(count: int, i: NDArray[Any], j: NDArray[Any]) -> NDArray[np.int64]:
    """(count,) labels of the connected groups of ``count`` things joined by the pairs ``i``, ``j`` (n,),
    numbered in order of their first member."""
    label: NDArray[np.int64] = _joined_groups(count, np.asarray(i, np.int64), np.asarray(j, np.int64))
    return label


@kernel
def _joined_groups(count, i, j):
    parent = np.arange(count)
    for k in range(len(i)):
        join(parent, i[k], j[k])
    return numbered(parent)


@kernel
def narrowest_on_ways(size, i, j, order, start):
    """(count,) the narrowest of the things on the way from ``start`` to each, -1 where there is none.

    ``size`` (count,) of each thing; ``i``, ``j`` (n,) pairs that are joined, ``order`` (n,) the widest pair
    first: ways run along the tree that these join first. Of things alike the one nearer to the start.
    """
    count = len(size)
    parent = np.arange(count)
    degree = np.zeros(count + 1, np.int64)
    tree = np.empty(count, np.int64)
    edges = 0
    for k in order:
        if join(parent, i[k], j[k]):
            tree[edges] = k
            edges += 1
            degree[i[k] + 1] += 1
            degree[j[k] + 1] += 1
    begin = np.cumsum(degree)
    cursor = begin.copy()
    beside = np.empty(2 * edges, np.int64)
    for n in range(edges):
        a, b = i[tree[n]], j[tree[n]]
        beside[cursor[a]], beside[cursor[b]] = b, a
        cursor[a] += 1
        cursor[b] += 1
    out = np.full(count, -1, np.int64)
    waiting = np.empty(count, np.int64)
    waiting[0], out[start] = start, start
    first, end = 0, 1
    while first < end:
        here = waiting[first]
        first += 1
        for n in range(begin[here], begin[here + 1]):
            there = beside[n]
            if out[there] < 0:
                near = out[here]
                out[there] = there if size[there] < size[near] else near
                waiting[end] = there
                end += 1
    return out
