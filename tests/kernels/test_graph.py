"""What hangs together and by which way, beside a general-purpose library of graphs and all ways tried."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from falsework.kernels.graph import joined_groups, narrowest_on_ways


def pairs(seed: int) -> tuple[int, np.ndarray, np.ndarray]:
    """So many things, and pairs of them: some twice, some of a thing with itself."""
    draw = np.random.default_rng(seed)
    count, many = int(draw.integers(1, 60)), int(draw.integers(0, 80))
    return count, draw.integers(0, count, many), draw.integers(0, count, many)


@pytest.mark.parametrize("seed", range(40))
def test_groups_are_those_of_the_library(seed: int) -> None:
    count, i, j = pairs(seed)
    graph = coo_array((np.ones(len(i)), (i, j)), shape=(count, count))
    label = joined_groups(count, i, j)
    assert np.array_equal(label, connected_components(graph, directed=False)[1])


@pytest.mark.parametrize("seed", range(40))
def test_ways_are_the_widest(seed: int) -> None:
    """The narrowest thing on the way is as wide as on the best of all ways, by trying."""
    count, i, j = pairs(seed)
    size = np.random.default_rng(seed).random(count)
    start = int(np.argmax(size))
    order = np.argsort(-np.minimum(size[i], size[j]), kind="stable")
    found = narrowest_on_ways(size, i, j, order, start)
    best = np.full(count, -1.0)
    best[start] = size[start]
    for _ in range(count):
        for a, b in [*zip(i, j, strict=True), *zip(j, i, strict=True)]:
            best[b] = max(best[b], min(best[a], size[b]))
    assert np.array_equal(np.where(found >= 0, size[found], -1.0), best)


def test_of_things_alike_the_one_nearer_to_the_start_counts() -> None:
    i, j = np.array([0, 1, 2]), np.array([1, 2, 3])
    size = np.array([2.0, 1.0, 1.0, 2.0])
    assert narrowest_on_ways(size, i, j, np.arange(3), 0).tolist() == [0, 1, 1, 1]
    assert narrowest_on_ways(np.ones(2), i[:0], j[:0], np.arange(0), 1).tolist() == [-1, 1]
