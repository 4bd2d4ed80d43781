"""What the part itself takes, layer by layer, from its sections."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from falsework.cost.cost import Cost
from falsework.cost.filament import Rates
from falsework.kernels.bead.motion import path_times, rest_to_rest_times
from falsework.kernels.outline.covered import covered_chords
from falsework.layers import planar
from falsework.layers.polygons import offset_mitred, rings_of
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.process import Printer, Process, bead_section_mm2
from falsework.watch import QUIET, Watch

# Shortest round through N random points in an area A is about 0.7124 √(N A): the constant of the theorem of
# Beardwood, Halton and Hammersley (1959); its value from memory.
_ROUND_TRIP = 0.7124
_LANES = 256  # across a stack, along which it is measured what covers what
_TURNS = (math.radians(22.5), math.radians(112.5))  # along no usual side
_SIMPLER = 0.05  # of the line width: how far outlines may move before they are inset
# Outlines with more points are inset and compared in every second, third, … layer only: that moved mass and
# time of detailed parts by 0.1 % at most.
MOST_POINTS = 150_000


@dataclass(frozen=True, eq=False)
class PartLayers:
    """Where the part's material and time go; all arrays (L,).

    Areas mm² of each section: ``wall`` by the lines along its outline, ``solid`` near the top or bottom of
    the part, ``sparse`` the rest of the inside. ``volume`` mm³ is what is extruded, ``time`` s.
    """

    wall_mm2: Floats
    solid_mm2: Floats
    sparse_mm2: Floats
    volume_mm3: Floats
    time_s: Floats


def part_cost(
    stack: LayerStack, process: Process, watch: Watch = QUIET, *, every: int | None = None
) -> tuple[Cost, PartLayers]:
    """What it takes to print the part, without supports, and how that spreads over its layers.

    Beads lie side by side at the pitch at which they leave no void (section over height). Walls take a band
    of ``wall_lines`` pitches; inside it is solid whatever is not covered by all of the ``solid_layers``
    layers above and all below, else filled with the share ``fill``. With ``fill`` 1 the volume is exactly the
    stack's. Outlines may move by 5 % of the line width before they are inset: the areas err by less than that
    times the outline's length (on curved parts towards more wall). Only every layer of so many (None: of
    as many as a stack of more than ``MOST_POINTS`` asks for, as of a lattice) is divided into wall, solid and
    sparse; those between take shares between their neighbours', which blurs a step of the part over so many.

    Time: the outline by the motion kernel, the other walls in proportion to their length; solid and sparse
    fill as parallel lines of the region's mean chord, π area / perimeter (Crofton), from rest to rest; one
    travel for each ring and each fill, of the mean length of a shortest round. Printing over air, retraction,
    lifting and waiting for layers to cool are left out, so the time errs to the short side.
    """
    empty = np.zeros(stack.count)
    if stack.count == 0:
        return Cost(), PartLayers(empty, empty, empty, empty, empty)
    heights = stack.heights_mm
    section: Floats = bead_section_mm2(process.line_width_mm, heights)
    pitch = section / heights
    area = stack.areas_mm2

    watch.at("walls", 0.0)
    every = every or 1 + len(stack.points_mm) // MOST_POINTS
    at = _chosen_layers(stack.count, process.solid_layers, every)
    core = _core(stack.regions[at], process.wall_lines * pitch[at], _SIMPLER * process.line_width_mm)
    watch.at("solid layers", 0.4)
    covered = _covered(core, stack, at, process.solid_layers)

    def everywhere(chosen: Floats) -> Floats:
        return np.interp(np.arange(stack.count), at, chosen)

    core_mm2 = area * everywhere(_share(planar.area(core), area[at]))
    sparse_mm2 = core_mm2 * everywhere(covered.share)
    sparse_mm2[: process.solid_layers] = sparse_mm2[max(0, stack.count - process.solid_layers) :] = 0.0
    wall_mm2 = area - core_mm2
    solid_mm2 = core_mm2 - sparse_mm2
    core_chord = _mean_chord_mm(core)
    solid_chord = everywhere(core_chord * covered.solid_chord)
    sparse_chord = everywhere(core_chord * covered.sparse_chord)

    watch.at("times", 0.8)
    first = np.arange(stack.count) == 0
    most = np.where(first, process.first_layer_speed_mm_s, np.inf)
    wall_speed = np.minimum(process.wall_speed_mm_s, most)
    fill_speed = np.minimum(process.fill_speed_mm_s, most)
    printer, sparser = process.printer, pitch / max(process.fill, 1e-6)
    time_s = (
        _wall_times(stack, wall_mm2 / pitch, wall_speed, printer)
        + _fill_times(solid_mm2, solid_chord, pitch, pitch, fill_speed, printer)
        + _fill_times(sparse_mm2 * process.fill, sparse_chord, pitch, sparser, fill_speed, printer)
        + _hop_times(stack, solid_mm2, sparse_mm2 * process.fill, printer)
    )
    volume_mm3 = heights * (wall_mm2 + solid_mm2 + process.fill * sparse_mm2)
    cost = Rates(process).cost(float(volume_mm3.sum()), float(time_s.sum()))
    return cost, PartLayers(wall_mm2, solid_mm2, sparse_mm2, volume_mm3, time_s)


def _chosen_layers(count: int, solid_layers: int, every: int) -> Indices:
    """(S,) ascending indices of the layers to be divided.

    The ends of the stack are always among them, and the layers next to their solid ones.
    """
    last = count - 1
    ends = np.clip([0, solid_layers, last - solid_layers, last], 0, last)
    return np.union1d(np.arange(0, count, every), ends).astype(np.int64)


def _share(part_mm2: Floats, whole_mm2: Floats) -> Floats:
    """``part_mm2`` over ``whole_mm2``, from 0 to 1; 0 where there is nothing."""
    share: Floats = np.minimum(part_mm2, whole_mm2) / np.maximum(whole_mm2, 1e-12)
    return share


def _core(regions: Regions, inset_mm: Floats, tolerance_mm: float) -> Regions:
    """(S,) what lies deeper than ``inset_mm`` (S,) inside each region.

    Polygons of one layer are inset one by one: they cannot meet by shrinking, and it is faster.
    """
    polygons, layer = planar.get_parts(regions, return_index=True)
    simple = planar.simplify(polygons, tolerance_mm, preserve_topology=False)
    inset = offset_mitred(simple, -inset_mm[layer], limit=2.0)
    pieces, of = planar.get_parts(inset, return_index=True)
    full = ~planar.is_empty(pieces)
    core: Regions = np.full(len(regions), planar.MultiPolygon(), dtype=object)
    planar.multipolygons(pieces[full], indices=layer[of[full]], out=core)
    return core


@dataclass(frozen=True, eq=False)
class _Covered:
    """Of each core (S,): the ``share`` that is covered; mean chords of that and of the rest, as shares of the
    core's."""

    share: Floats
    sparse_chord: Floats
    solid_chord: Floats


def _covered(core: Regions, stack: LayerStack, at: Indices, layers: int) -> _Covered:
    """What all of ``layers`` sections above and below cover of each core, of layer ``at`` (S,).

    Beyond the first and last layer there is nothing. Measured along ``_LANES`` lanes across the stack, in two
    directions: shares of areas, never areas, so what is covered wholly is so exactly.
    """
    low, high = stack.points_mm.min(axis=0, initial=np.inf), stack.points_mm.max(axis=0, initial=-np.inf)
    if not len(stack.points_mm):
        nothing = np.zeros(len(at))
        return _Covered(nothing, nothing, nothing)
    cores = rings_of(core)
    sections = (np.ascontiguousarray(stack.points_mm), stack.ring_start, stack.layer_start)
    found = np.zeros((len(at), 5))
    for turn in _TURNS:
        c, s = math.cos(turn), math.sin(turn)
        across = np.array([c * y - s * x for x in (low[0], high[0]) for y in (low[1], high[1])])
        step = max(float(np.ptp(across)) / _LANES, 1e-9)
        first = float(across.min())
        found += step * covered_chords(cores, sections, at, layers, np.array([c, s]), first, step, _LANES)
    whole, stretches, covered, pieces, rest = found.T
    chord = whole / np.maximum(stretches, 1e-12)

    def over(length: Floats, count: Floats) -> Floats:
        some = (length > 0.0) & (count > 0.0)
        return np.divide(length, count * chord, out=np.zeros(len(at)), where=some)

    return _Covered(_share(covered, whole), over(covered, pieces), over(whole - covered, rest))


def _mean_chord_mm(regions: Regions) -> Floats:
    """(L,) mean length that lines in all directions cut from a region: π area / perimeter (Crofton)."""
    chord: Floats = math.pi * planar.area(regions) / np.maximum(planar.length(regions), 1e-9)
    return chord


def _wall_times(stack: LayerStack, length_mm: Floats, speed_mm_s: Floats, printer: Printer) -> Floats:
    """(L,) time of ``length_mm`` (L,) of walls, run like the layer's outline."""
    rings_of = np.diff(stack.layer_start)
    seconds = path_times(
        np.ascontiguousarray(stack.points_mm, dtype=np.float64),
        np.ascontiguousarray(stack.ring_start, dtype=np.int64),
        True,
        np.repeat(speed_mm_s, rings_of),
        printer.acceleration_mm_s2,
        printer.corner_speed_mm_s,
    )
    layer = np.repeat(np.arange(stack.count), rings_of)
    outline_s = np.bincount(layer, weights=seconds, minlength=stack.count)
    outline_mm = planar.length(stack.regions)
    times: Floats = outline_s * length_mm / np.maximum(outline_mm, 1e-9)
    return times


def _fill_times(
    full_mm2: Floats,
    chord_mm: Floats,
    pitch_mm: Floats,
    step_mm: Floats,
    speed_mm_s: Floats,
    printer: Printer,
) -> Floats:
    """(L,) time of parallel lines, ``step_mm`` apart, that fill ``full_mm2`` at a pitch of ``pitch_mm``, each
    with the step to the next at its end."""
    used = (full_mm2 > 0) & (chord_mm > 0)
    lines = np.divide(full_mm2, pitch_mm * chord_mm, out=np.zeros_like(full_mm2), where=used)
    times: Floats = lines * (
        rest_to_rest_times(chord_mm, speed_mm_s, printer.acceleration_mm_s2)
        + rest_to_rest_times(step_mm, speed_mm_s, printer.acceleration_mm_s2)
    )
    return times


def _hop_times(stack: LayerStack, solid_mm2: Floats, sparse_mm2: Floats, printer: Printer) -> Floats:
    """(L,) time of travels: one to each ring and one to each fill, along a short round through them all."""
    hops = np.diff(stack.layer_start) + (solid_mm2 > 0).astype(np.int64) + (sparse_mm2 > 0)
    box = planar.bounds(stack.regions)
    box_mm2 = np.nan_to_num((box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1]))
    hop_mm = _ROUND_TRIP * np.sqrt(box_mm2 / np.maximum(hops, 1))
    times: Floats = hops * rest_to_rest_times(hop_mm, printer.travel_speed_mm_s, printer.acceleration_mm_s2)
    return times
