"""Droop of an underside that has support beneath it."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from falsework.droop.belief import PRIOR
from falsework.droop.bridge import clean_span_mm, sag_mm
from falsework.droop.parameters import Parameters
from falsework.droop.smooth import lesser, logistic
from falsework.droop.strand import Array, LaidStrands, strand_diameter_mm, strand_of
from falsework.process.settings import Process

LEAST_ROOM_MM = 1e-3  # a strand that is pressed has no room to sink, but for this
_TOUCHING = 0.25  # log sag over which a strand comes to touch; constructed
SAG_SHARE = (
    0.05  # of the way an underside sinks onto its support: so much more where the roof sags between lanes
)
_WHOLE_MM = 0.5  # spacings are rounded down to this


def clearance_mm(gap_mm: float, process: Process, factor: float = 1.0) -> float:
    """How far a free strand may sink until it touches the support, mm: e = g + h − k·d; below 0: pressed."""
    return gap_mm + process.layer_height_mm - factor * strand_diameter_mm(process)


def room_mm(gap_mm: Array, strand: LaidStrands, p: Parameters) -> Array:
    """The same as far as it is positive."""
    room = gap_mm + strand.height_mm - np.exp(p.log_clearance) * strand.diameter_mm
    return np.where(np.real(room) > LEAST_ROOM_MM, room, LEAST_ROOM_MM)


def settled_mm(gap_mm: Array, run_mm: Array, between_mm: Array, strand: LaidStrands, p: Parameters) -> Array:
    """Droop of strands over a run (anchor to anchor) with support ``gap_mm`` beneath, mm.

    A strand sinks until it touches, at most by the clearance, and then sags between the support's lines,
    ``between_mm`` apart.
    """
    free = sag_mm(run_mm, strand, p)
    room = room_mm(gap_mm, strand, p) + sag_mm(between_mm, strand, p)
    return lesser(free, room)


def touching(gap_mm: Array, run_mm: Array, strand: LaidStrands, p: Parameters) -> Array:
    """Share of strands that sag far enough over their run to touch the support."""
    return logistic(np.log(sag_mm(run_mm, strand, p) / room_mm(gap_mm, strand, p)) / _TOUCHING)


@lru_cache(maxsize=256)
def lane_spacing_mm(process: Process) -> float:
    """Distance of the lanes under a designed support's roof: as set, or by the bridge law.

    By the law a strand of the roof that is laid from lane to lane sags by ``SAG_SHARE`` of what the underside
    sinks anyway until it touches the roof (:func:`clearance_mm`). At least the spacing of a curtain's lines.
    """
    structure = process.structure
    if structure.lane_spacing_mm > 0:
        return structure.lane_spacing_mm
    room = max(clearance_mm(process.air_gap.realised_mm, process), 0.5 * process.layer_height_mm)
    spans = clean_span_mm(SAG_SHARE * room, strand_of(process), PRIOR.parameters(process))
    span = float(np.median(spans))
    return max(structure.spacing_mm, math.floor(min(span, 50.0) / _WHOLE_MM) * _WHOLE_MM)
