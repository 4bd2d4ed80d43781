"""What each layer lays over air: the strips that reach too far past the layer beneath."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.outline.following import following
from falsework.layers import overlay, planar
from falsework.layers.polygons import despiked, gathered, offset_mitred, parts
from falsework.layers.stack import Indices, LayerStack, Regions
from falsework.watch import QUIET, Watch

# A wall exactly at the limit must hold whatever the rounding: the reach is taken this much longer.
BIAS_SHARE = 0.01
BIAS_LEAST_MM = 0.002
# A convex corner steps out by √2 times its sides' step at 90°: its sides decide, so corners grow mitred.
# Sharper ones are cut off at this multiple of the reach.
MITRE = 1.5
# The ends of a corner that is cut off lie that many times the reach away from it, and a hair.
_GROWS_AT_MOST = 1.01 * float(np.hypot(1.0, MITRE))
# Numerical dust: smaller than this share of a squared line width, or narrower on average than the bias.
DUST_SHARE = 1e-3
_LAYERS_PER_STEP = 64


def biased_reach_mm(reach_mm: float) -> float:
    """The reach with the stated bias in favour of holding: 1 % or 2 µm, whichever is more."""
    return reach_mm + max(BIAS_SHARE * reach_mm, BIAS_LEAST_MM)


def without_dust(stack: LayerStack, line_width_mm: float) -> LayerStack:
    """The stack without bits of section too small to count: the very tip of a cone, just cut by a layer.

    Were it kept, the next layer would seem to rest on it, and nothing would start in mid-air.
    """
    pieces, layer = parts(stack.regions)
    real = planar.area(pieces) > DUST_SHARE * line_width_mm**2
    if real.all():
        return stack
    regions = gathered(pieces[real], layer[real], stack.count)
    return LayerStack.of(stack.z_mm, regions, stack.widest_stitch_mm, stack.stitched_layers)


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
    hold_mm = biased_reach_mm(reach_mm)
    pieces, layer = parts(sections)
    strips: list[Regions] = []
    layers: list[Indices] = []
    if not on_bed:
        strips.append(pieces[layer == 0])
        layers.append(layer[layer == 0])
    doubtful = np.flatnonzero((layer > 0) & ~_held_all_round(pieces, layer, len(sections), hold_mm))
    pieces_from = np.searchsorted(layer, np.arange(len(sections) + 1))
    for first in range(1, len(sections), _LAYERS_PER_STEP):
        watch.at("finding what lies over air", first / len(sections))
        last = min(first + _LAYERS_PER_STEP, len(sections))
        upper = doubtful[np.searchsorted(layer[doubtful], first) : np.searchsorted(layer[doubtful], last)]
        lower = slice(pieces_from[first - 1], pieces_from[last - 1])
        below = _pieces_below(pieces[upper], layer[upper], pieces[lower], layer[lower] + 1, hold_mm)
        found, of = _strips(pieces[upper], below, hold_mm, line_width_mm)
        strips.append(found)
        layers.append(layer[upper[of]])
    if not strips:
        return np.empty(0, object), np.empty(0, np.int64)
    found, index = despiked(np.concatenate(strips))
    keep = planar.area(found) > DUST_SHARE * line_width_mm**2
    return planar.orient_polygons(found[keep]), np.concatenate(layers)[index[keep]].astype(np.int64)


def _held_all_round(pieces: Regions, layer: Indices, layers: int, hold_mm: float) -> NDArray[np.bool_]:
    """(n,) whether a piece holds for certain, because its outline keeps near that of a piece beneath it.

    Nothing of such a piece lies farther than the hold from the section beneath, and mitred growth covers all
    that does not. Most pieces of most parts are such, and they cost next to nothing.
    """
    if len(pieces) == 0:
        return np.zeros(0, bool)
    _, points, (ring_start, polygon_ring) = planar.to_ragged_array(pieces, include_z=False)
    start = np.searchsorted(layer, np.arange(layers + 1))
    held: NDArray[np.bool_] = following(
        points, ring_start.astype(np.int64), polygon_ring.astype(np.int64), start, hold_mm
    )
    return held


def _strips(pieces: Regions, below: Regions, hold_mm: float, line_width_mm: float) -> tuple[Regions, Indices]:
    """Strips of pieces (n,) over what lies ``below`` each: polygons, and the index of the piece of each.

    Every connected piece of a layer is set against the pieces beneath it alone: on lattices the layer as a
    whole would cost its square.
    """
    dust_mm2 = DUST_SHARE * line_width_mm**2
    held = offset_mitred(below, hold_mm, limit=MITRE)
    bits, owner = planar.get_parts(overlay.difference(pieces, held), return_index=True)
    area = planar.area(bits)
    real = (area > dust_mm2) & (2 * area > BIAS_LEAST_MM * planar.length(bits))
    if not real.any():
        return np.empty(0, object), np.empty(0, np.int64)
    loose_piece, group = np.unique(owner[real], return_inverse=True)
    loose = planar.multipolygons(bits[real], indices=group)
    # back to the section beneath: the loose bit starts ``hold_mm`` away from it
    grown = offset_mitred(loose, 1.05 * hold_mm, limit=MITRE)
    near, of = planar.get_parts(overlay.intersection(grown, pieces[loose_piece]), return_index=True)
    found, which = planar.get_parts(overlay.difference(near, below[loose_piece[of]]), return_index=True)
    of = of[which]
    # growing may also reach the far side of a thin wall: only what is connected with the loose bit belongs
    mine = (planar.area(found) > dust_mm2) & planar.intersects(found, loose[of])
    return found[mine], loose_piece[of[mine]].astype(np.int64)


def _pieces_below(
    pieces: Regions, layer: Indices, beneath: Regions, beneath_layer: Indices, hold_mm: float
) -> Regions:
    """(n,) for each piece what lies beneath it or within the hold, as one region: all of ``beneath`` in its
    layer that, grown by the hold, can come near it."""
    out = np.full(len(pieces), planar.MultiPolygon(), dtype=object)
    if len(pieces) == 0 or len(beneath) == 0:
        return out
    # layers laid out side by side, so that one tree answers for all of them
    boxes, boxes_beneath = planar.bounds(pieces), planar.bounds(beneath)
    margin = _GROWS_AT_MOST * hold_mm
    ends = np.concatenate([boxes, boxes_beneath])
    stride = float(ends[:, 2].max() - ends[:, 0].min()) + 4 * margin
    x, x_beneath = stride * layer, stride * beneath_layer
    tree = planar.STRtree(
        planar.box(
            boxes_beneath[:, 0] + x_beneath,
            boxes_beneath[:, 1],
            boxes_beneath[:, 2] + x_beneath,
            boxes_beneath[:, 3],
        )
    )
    piece, found = tree.query(
        planar.box(
            boxes[:, 0] + x - margin, boxes[:, 1] - margin, boxes[:, 2] + x + margin, boxes[:, 3] + margin
        )
    )
    if len(piece) == 0:
        return out
    # of several some are near its box alone
    several = np.bincount(piece)[piece] > 1
    planar.prepare(beneath)
    several[several] = ~planar.dwithin(beneath[found[several]], pieces[piece[several]], margin)
    piece, found = piece[~several], found[~several]
    order = np.lexsort((found, piece))
    with_some, group = np.unique(piece[order], return_inverse=True)
    out[with_some] = planar.multipolygons(beneath[found[order]], indices=group)
    return out
