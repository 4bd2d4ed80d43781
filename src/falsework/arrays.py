"""Names for the arrays that rooms hand to each other: what they hold, not what it means; and a mesh of some
of the faces of another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Ints = NDArray[np.int32]  # faces of meshes, and what goes with them

Vector = tuple[float, float, float]
Point = tuple[float, ...]  # in the plane or in space

_DENSE = 4  # points for each corner, up to which to go through all of them is quicker than to sort (measured)


def with_own_points(faces: NDArray[np.integer], count: int) -> tuple[Indices, Indices]:
    """The points that faces (m, 3) use, of ``count``, ascending; and the faces with numbers among these.

    Examples
    --------
    >>> used, own = with_own_points(np.array([[7, 2, 9], [2, 9, 4]]), 10)
    >>> used.tolist(), own.tolist()
    ([2, 4, 7, 9], [[2, 0, 3], [0, 3, 1]])
    """
    if count > _DENSE * faces.size:
        used, own = np.unique(faces, return_inverse=True)
        return used.astype(np.int64), own.reshape(faces.shape)
    seen = np.zeros(count, dtype=bool)
    seen[faces] = True
    return np.flatnonzero(seen), (np.cumsum(seen) - 1)[faces]
