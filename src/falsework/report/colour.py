"""Colours: the droop scale, readable with every kind of colour vision, and the tones of the drawings."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from falsework.need.underside import UndersideKind

# Cividis at 17 even steps, sRGB 0..255: Nuñez, Anderton, Renslow 2018, "Optimizing colormaps with
# consideration for color vision deficiency", PLoS ONE 13(7): e0199239, doi 10.1371/journal.pone.0199239.
# The values are from memory, within a few units; that lightness rises steadily is tested.
_CIVIDIS = np.array(
    [[0, 34, 78], [0, 43, 97], [8, 51, 112], [38, 61, 109], [56, 70, 108], [70, 80, 108], [83, 89, 109],
     [95, 99, 112], [107, 109, 117], [119, 119, 120], [132, 130, 120], [146, 141, 117], [161, 153, 112],
     [177, 166, 103], [194, 179, 91], [213, 193, 73], [254, 232, 56]], dtype=np.float64,
)  # fmt: skip

LEAST_MM, MOST_MM = 0.05, 5.0  # ends of the droop scale: the same on every work order, so sheets compare
TICKS_MM = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)

Rgb = tuple[float, float, float]

PAPER: Rgb = (0.973, 0.965, 0.937)
PART: Rgb = (0.86, 0.85, 0.82)
SUPPORT: Rgb = (0.80, 0.46, 0.36)  # brick: outside the droop scale, and told apart by its many lines as well
BED: Rgb = (0.90, 0.89, 0.84)

HATCH = {
    UndersideKind.HOLDS: 0,
    UndersideKind.BRIDGE: 1,
    UndersideKind.CANTILEVER: 2,
    UndersideKind.ISLAND: 3,
}
"""Pattern of ``kernels.picture.drawing.ink_picture`` for each kind: plain, upright, diagonal, crossed."""


def scale_position(droop_mm: float) -> float:
    """Where a droop lies on the scale, 0 (least) to 1 (most), by its logarithm; clipped beyond the ends."""
    if not droop_mm > LEAST_MM:
        return 0.0
    return min(1.0, math.log(droop_mm / LEAST_MM) / math.log(MOST_MM / LEAST_MM))


def _cividis(share: float) -> NDArray[np.float64]:
    steps = np.linspace(0.0, 1.0, len(_CIVIDIS))
    return np.array([np.interp(share, steps, _CIVIDIS[:, k]) for k in range(3)]) / 255.0


def droop_rgb(droop_mm: float) -> Rgb:
    """Colour of a droop, 0..1: the darker, the more it sags."""
    return share_rgb(scale_position(droop_mm))


def share_rgb(share: float) -> Rgb:
    """Colour of a share of the way from best (0, light) to worst (1, dark)."""
    red, green, blue = _cividis(1.0 - min(max(share, 0.0), 1.0))
    return float(red), float(green), float(blue)


def tone_rgb(grade: float) -> Rgb:
    """Colour of a grade between 0 (worst) and 4 (best): the darker, the worse."""
    red, green, blue = _cividis(0.08 + 0.21 * grade)
    return float(red), float(green), float(blue)


def hatch_rgb(rgb: Rgb) -> Rgb:
    """Ink that shows on ``rgb``: a lighter tone on dark colours, a darker one on light colours."""
    light = 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]
    if light < 0.45:
        return (rgb[0] * 0.5 + 0.5, rgb[1] * 0.5 + 0.5, rgb[2] * 0.5 + 0.5)
    return (rgb[0] * 0.6, rgb[1] * 0.6, rgb[2] * 0.6)


def css(rgb: Rgb) -> str:
    """``#rrggbb`` of a colour 0..1."""
    return "#" + "".join(f"{int(np.floor(255 * v + 0.5)):02x}" for v in rgb)
