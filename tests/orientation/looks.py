"""Directions that were looked at, of prices that are given."""

from __future__ import annotations

import numpy as np

from falsework.kernels.column.intervals import FIGURES, LEAN_DEG
from falsework.objective import PARTS
from falsework.orientation.price import Priced
from falsework.orientation.search import Looked

FINISH, TIME = PARTS.index("finish"), PARTS.index("time")
BEST = np.array([0.36, -0.48, 0.8])  # where a price that rises all around is least


def looked(directions, total, *, finish=0.0, fit=1.0, lean=20.0) -> Looked:
    directions = np.atleast_2d(np.asarray(directions, float))
    n = len(directions)
    parts = np.zeros((n, len(PARTS)))
    parts[:, FINISH] = finish
    parts[:, TIME] = np.asarray(total) - parts[:, FINISH]
    figures = np.zeros((n, FIGURES))
    figures[:, LEAN_DEG] = lean
    zero = np.zeros(n)
    priced = Priced(zero, zero, zero, zero, zero, parts)
    return Looked(directions, figures, zero, zero.astype(bool), np.broadcast_to(fit, n).astype(float), priced)
