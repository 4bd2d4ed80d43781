"""What straight strands take: supports, strand by strand, or estimated from their volume."""

from __future__ import annotations

import numpy as np

from falsework.cost.cost import Cost
from falsework.cost.filament import cost_of, costs_of
from falsework.kernels.bead.motion import rest_to_rest_times, round_times
from falsework.layers.stack import Floats, Indices
from falsework.process import Process, bead_section_mm2

BACK_S = 0.1  # drawing the filament back before a travel and feeding it again after; from memory
NEAR_MM = 2.0  # shorter travels within a support are made without; from memory
APPROACH_MM = 15.0  # mean travel to a piece of support in each of its layers; from memory
TYPICAL_STRAND_MM = 10.0  # mean strand of supports that are only estimated; from memory


def strand_volumes_mm3(lengths_mm: Floats, layer: Indices, heights_mm: Floats, process: Process) -> Floats:
    """(E,) volume of each strand: a bead as wide as the process's line and as high as its layer."""
    sections: Floats = bead_section_mm2(process.line_width_mm, np.asarray(heights_mm, dtype=np.float64))
    volumes: Floats = lengths_mm * sections[layer]
    return volumes


def strand_times_s(
    lengths_mm: Floats, layer: Indices, process: Process, speed_mm_s: float, hop_mm: float | None = None
) -> Floats:
    """(E,) time of each strand, laid from rest to rest, with the travel that leads to it.

    The first layer is laid no faster than ``first_layer_speed_mm_s``. ``hop_mm`` is the mean travel from one
    strand to the next, by default the spacing of the support's lines.
    """
    hop_mm = process.structure.spacing_mm if hop_mm is None else hop_mm
    first = min(speed_mm_s, process.first_layer_speed_mm_s)
    speeds = np.where(np.asarray(layer) == 0, first, speed_mm_s)
    lengths = np.asarray(lengths_mm, dtype=np.float64)
    return rest_to_rest_times(lengths, speeds, process.printer.acceleration_mm_s2) + hop_time_s(
        hop_mm, process
    )


def hop_time_s(hop_mm: float, process: Process) -> float:
    """Time of one travel from rest to rest."""
    printer = process.printer
    times = rest_to_rest_times(np.array([hop_mm]), printer.travel_speed_mm_s, printer.acceleration_mm_s2)
    return float(times[0])


def strands_cost(
    lengths_mm: Floats, layer: Indices, heights_mm: Floats, process: Process, speed_mm_s: float
) -> Cost:
    """What all the strands together take.

    lengths_mm (E,), layer (E,) index of each strand's layer, heights_mm (L,) of the layers.
    """
    volumes = strand_volumes_mm3(lengths_mm, layer, heights_mm, process)
    times = strand_times_s(lengths_mm, layer, process, speed_mm_s)
    return cost_of(float(volumes.sum()), float(times.sum()), process)


def strands_cost_by(
    key: Indices,
    n: int,
    lengths_mm: Floats,
    layer: Indices,
    heights_mm: Floats,
    process: Process,
    speed_mm_s: float,
) -> list[Cost]:
    """What the strands of each group take: ``key`` (E,) is each strand's group in 0..n−1.

    They add up to ``strands_cost`` of all of them.
    """
    volumes = strand_volumes_mm3(lengths_mm, layer, heights_mm, process)
    times = strand_times_s(lengths_mm, layer, process, speed_mm_s)
    volume_of = np.bincount(key, weights=volumes, minlength=n).astype(np.float64)
    time_of = np.bincount(key, weights=times, minlength=n).astype(np.float64)
    return costs_of(volume_of, time_of, process)


def laid_costs(
    piece: Indices,
    n: int,
    ends_mm: Floats,
    layer: Indices,
    heights_mm: Floats,
    process: Process,
    speed_mm_s: float,
) -> list[Cost]:
    """What the strands of each piece take as they are laid: ``piece`` (E,) is each strand's, in 0..n−1.

    ``ends_mm`` (E, 4) x0, y0, x1, y1. In every layer of a piece the head goes to it, drawing the filament
    back, and lays its strands in a round, from each to the nearest that is left.
    """
    lengths = np.hypot(ends_mm[:, 2] - ends_mm[:, 0], ends_mm[:, 3] - ends_mm[:, 1])
    volume_of = np.bincount(
        piece, weights=strand_volumes_mm3(lengths, layer, heights_mm, process), minlength=n
    ).astype(np.float64)
    order = np.lexsort((layer, piece))
    step = np.diff(layer[order], prepend=-1) | np.diff(piece[order], prepend=-1)
    first = np.flatnonzero(step).astype(np.int64)
    printer = process.printer
    slow = min(speed_mm_s, process.first_layer_speed_mm_s)
    seconds = round_times(
        np.ascontiguousarray(ends_mm[order]),
        np.append(first, len(order)),
        np.where(layer[order][first] == 0, float(slow), float(speed_mm_s)),
        printer.acceleration_mm_s2,
        printer.corner_speed_mm_s,
        printer.travel_speed_mm_s,
        BACK_S,
        NEAR_MM,
    ) + (hop_time_s(APPROACH_MM, process) + BACK_S)
    time_of = np.bincount(piece[order][first], weights=seconds, minlength=n).astype(np.float64)
    return costs_of(volume_of, time_of, process)


def region_cost(
    volume_mm3: float, process: Process, speed_mm_s: float, strand_mm: float = TYPICAL_STRAND_MM
) -> Cost:
    """An estimate from extruded volume alone, before any strand is drawn.

    The volume is taken as full-height beads of the mean length ``strand_mm``, each with its travel; it is the
    plastic's, not the space's that thin supports fill. Real strands of half that length take up to twice as
    long a millimetre, very long ones approach ``speed_mm_s``; the volume's share of the cost is exact.
    """
    section = bead_section_mm2(process.line_width_mm, process.layer_height_mm)
    one = float(rest_to_rest_times(np.array([strand_mm]), speed_mm_s, process.printer.acceleration_mm_s2)[0])
    strands = volume_mm3 / (section * strand_mm)
    return cost_of(volume_mm3, strands * (one + hop_time_s(process.structure.spacing_mm, process)), process)
