"""What each layer lays over air: the strips that reach too far past the layer beneath."""

from __future__ import annotations

import numpy as np
import shapely

from falsework.layers.polygons import despiked, offset_mitred, overlaid
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
    found, index = despiked(found)
    keep = shapely.area(found) > DUST_SHARE * line_width_mm**2
    return shapely.orient_polygons(found[keep]), np.concatenate(layers)[index[keep]]


def _strips(lower: Regions, upper: Regions, hold_mm: float, line_width_mm: float) -> tuple[Regions, Indices]:
    """Strips of ``upper`` (k,) over ``lower`` (k,): polygons and the index of each into the k.

    Every connected piece of a layer is set against the pieces beneath it alone: on lattices the layer as a
    whole would cost its square.
    """
    dust_mm2 = DUST_SHARE * line_width_mm**2
    pieces, layer = shapely.get_parts(upper, return_index=True)
    if len(pieces) == 0:
        return pieces, layer.astype(np.int64)
    below = _pieces_below(pieces, layer, lower, hold_mm)
    held = offset_mitred(below, hold_mm, limit=MITRE)
    bits, owner = shapely.get_parts(overlaid(shapely.difference, pieces, held), return_index=True)
    area = shapely.area(bits)
    real = (area > dust_mm2) & (2 * area > BIAS_LEAST_MM * shapely.length(bits))
    if not real.any():
        return np.empty(0, object), np.empty(0, np.int64)
    loose_piece, group = np.unique(owner[real], return_inverse=True)
    loose = shapely.multipolygons(bits[real], indices=group)
    # back to the section beneath: the loose bit starts ``hold_mm`` away from it
    grown = offset_mitred(loose, 1.05 * hold_mm, limit=MITRE)
    near, of = shapely.get_parts(
        overlaid(shapely.intersection, grown, pieces[loose_piece]), return_index=True
    )
    parts, which = shapely.get_parts(
        overlaid(shapely.difference, near, below[loose_piece[of]]), return_index=True
    )
    of = of[which]
    # growing may also reach the far side of a thin wall: only what is connected with the loose bit belongs
    mine = (shapely.area(parts) > dust_mm2) & shapely.intersects(parts, loose[of])
    return parts[mine], layer[loose_piece[of[mine]]].astype(np.int64)


def _pieces_below(pieces: Regions, layer: Indices, lower: Regions, hold_mm: float) -> Regions:
    """(n,) for each piece what lies beneath it or within the hold: all pieces of its lower layer that come
    near its box, as one region."""
    beneath, beneath_layer = shapely.get_parts(lower, return_index=True)
    out = np.full(len(pieces), shapely.MultiPolygon(), dtype=object)
    if len(beneath) == 0:
        return out
    # layers laid out side by side, so that one tree answers for all of them
    boxes, boxes_beneath = shapely.bounds(pieces), shapely.bounds(beneath)
    margin = 2 * MITRE * hold_mm
    ends = np.concatenate([boxes, boxes_beneath])
    stride = float(ends[:, 2].max() - ends[:, 0].min()) + 4 * margin
    x, x_beneath = stride * layer, stride * beneath_layer
    tree = shapely.STRtree(
        shapely.box(
            boxes_beneath[:, 0] + x_beneath,
            boxes_beneath[:, 1],
            boxes_beneath[:, 2] + x_beneath,
            boxes_beneath[:, 3],
        )
    )
    piece, found = tree.query(
        shapely.box(
            boxes[:, 0] + x - margin, boxes[:, 1] - margin, boxes[:, 2] + x + margin, boxes[:, 3] + margin
        )
    )
    if len(piece) == 0:
        return out
    order = np.lexsort((found, piece))
    with_some, group = np.unique(piece[order], return_inverse=True)
    out[with_some] = shapely.multipolygons(beneath[found[order]], indices=group)
    return out
