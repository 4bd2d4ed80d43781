"""Smooth steps and corners that also take complex numbers, for derivatives by complex steps."""

from __future__ import annotations

from typing import Any

import numpy as np


def softplus(x: Any) -> Any:
    """log(1 + e^x): 0 far below zero, x far above."""
    up = np.where(np.real(x) > 0, x, -x)
    return np.where(np.real(x) > 0, x, 0.0) + np.log1p(np.exp(-up))


def log_softplus(x: Any) -> Any:
    """log(log(1 + e^x)), which is x far below zero."""
    low = np.real(x) < -30.0
    return np.where(low, x, np.log(softplus(np.where(low, 0.0, x))))


def logistic(x: Any) -> Any:
    """1 / (1 + e^-x)."""
    fall = np.exp(-np.where(np.real(x) > 0, x, -x))
    return np.where(np.real(x) > 0, 1.0, fall) / (1.0 + fall)


def lesser(a: Any, b: Any) -> Any:
    """The lesser of two positive figures, its corner rounded (8 % low where they are equal)."""
    small, large = np.where(np.real(a) < np.real(b), a, b), np.where(np.real(a) < np.real(b), b, a)
    return small * (1.0 + (small / large) ** 8) ** -0.125
