"""Least squares that a few values elsewhere do not mislead."""

from __future__ import annotations

import numpy as np

from falsework.layers.stack import Floats

_ROUNDS = 6
_MEDIANS = 1.5  # so many median residuals off a value counts half
_SMALL = 1e-4  # what the values do not tell stays small


def robust_fit(columns: Floats, values: Floats, least: float, weight: Floats | None = None) -> Floats:
    """(k,) amounts of the columns (n, k) that come nearest to values (n,); ``weight`` (n,) of these.

    Each value counts less the farther it lies off, but residuals much below ``least`` count fully, however
    small the others are.
    """
    of = np.ones(len(values)) if weight is None else weight
    a, b = columns * np.sqrt(of)[:, None], values * np.sqrt(of)
    scale = np.maximum(np.sqrt(np.mean(a**2, axis=0)), 1e-9)
    a = a / scale
    counts = np.ones(len(b))
    by = np.zeros(columns.shape[1])
    for _ in range(_ROUNDS):
        lhs = (a * counts[:, None]).T @ a + _SMALL * len(a) * np.eye(a.shape[1])
        by = np.linalg.solve(lhs, (a * counts[:, None]).T @ b)
        off = np.abs(b - a @ by)
        counts = 1.0 / (1.0 + (off / max(_MEDIANS * float(np.median(off)), least)) ** 2)
    out: Floats = by / scale
    return out
