"""Names for the arrays that rooms hand to each other: what they hold, not what it means."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Ints = NDArray[np.int32]  # faces of meshes, and what goes with them

Vector = tuple[float, float, float]
Point = tuple[float, ...]  # in the plane or in space
