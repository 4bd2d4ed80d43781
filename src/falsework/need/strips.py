"""What each layer lays over air: the strips that reach too far past the layer beneath."""

from __future__ import annotations

import numpy as np
import shapely

from falsework.layers.stack import Indices, Regions
from falsework.watch import QUIET, Watch

# A wall exactly at the limit must hold whatever the rounding: the reach is taken this much longer.
BIAS_SHARE = 0.01
BIAS_LEAST_MM = 0.002
# A convex corner steps out by √2 times its sides' step at 90°: its sides decide, so corners grow mitred.
# Sharper ones are cut off at this multiple of the reach.
MITRE = 1.5
# Numerical dust: smaller than this share of a squared line width, or narrower on average than the bias.
DUST_SHARE = 1e-3
_LAYERS_PER_STEP = 64


def biased_reach_mm(reach_mm: float) -> float:
    """The reach with the stated bias in favour of holding: 1 % or 2 µm, whichever is more."""
    return reach_mm + max(BIAS_SHARE * reach_mm, BIAS_LEAST_MM)


def strips_over_air(
    sections: Regions, reach_mm: float, line_width_mm: float, on_bed: bool, watch: Watch = QUIET
) -> tuple[Regions, Indices]:
    """Connected strips of one layer each that lie over air and are not held by the layer beneath.

    A layer's *loose* bit is what lies farther than the reach (see :func:`biased_reach_mm`) from the section
    beneath. The strip is all of the layer's material over air connected with a loose bit, up to the section
    beneath, so that strips of successive layers tile the projection of the surface. Layer 0 rests on the bed
    if ``on_bed``, else all of it lies over air.
    Returns (N,) polygons, exterior counter-clockwise, and (N,) their layers, ascending.
    """
    strips: list[Regions] = []
    layers: list[Indices] = []
    if not on_bed and len(sections):
        parts = shapely.get_parts(sections[:1])
        strips.append(parts)
        layers.append(np.zeros(len(parts), np.int64))
    for first in range(1, len(sections), _LAYERS_PER_STEP):
        watch.at("finding what lies over air", first / len(sections))
        upper = sections[first : first + _LAYERS_PER_STEP]
        lower = sections[first - 1 : first - 1 + len(upper)]
        parts, owner = _strips(lower, upper, biased_reach_mm(reach_mm), line_width_mm)
        strips.append(parts)
        layers.append(owner + first)
    if not strips:
        return np.empty(0, object), np.empty(0, np.int64)
    found = np.concatenate(strips)
    keep = shapely.area(found) > DUST_SHARE * line_width_mm**2
    return shapely.orient_polygons(found[keep]), np.concatenate(layers)[keep]


def _strips(lower: Regions, upper: Regions, hold_mm: float, line_width_mm: float) -> tuple[Regions, Indices]:
    """Strips of ``upper`` (k,) over ``lower`` (k,): polygons and the index of each into the k."""
    held = shapely.buffer(lower, hold_mm, join_style="mitre", mitre_limit=MITRE)
    bits, owner = shapely.get_parts(shapely.difference(upper, held), return_index=True)
    area = shapely.area(bits)
    real = (area > DUST_SHARE * line_width_mm**2) & (2 * area > BIAS_LEAST_MM * shapely.length(bits))
    if not real.any():
        return np.empty(0, object), np.empty(0, np.int64)
    layers, group = np.unique(owner[real], return_inverse=True)
    loose = shapely.multipolygons(bits[real], indices=group)
    # back to the section beneath: the loose bit starts ``hold_mm`` away from it
    grown = shapely.buffer(loose, 1.05 * hold_mm, join_style="mitre", mitre_limit=MITRE)
    pieces, of = shapely.get_parts(shapely.intersection(grown, upper[layers]), return_index=True)
    parts, piece = shapely.get_parts(shapely.difference(pieces, lower[layers[of]]), return_index=True)
    of = of[piece]
    # growing may also reach the far side of a thin wall: only what is connected with the loose bit belongs
    mine = (shapely.area(parts) > DUST_SHARE * line_width_mm**2) & shapely.intersects(parts, loose[of])
    return parts[mine], layers[of[mine]].astype(np.int64)
