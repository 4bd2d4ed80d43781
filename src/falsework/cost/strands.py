"""What straight strands take: supports, strand by strand, or estimated from their volume."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.cost.cost import Cost
from falsework.cost.filament import Rates
from falsework.kernels.bead.motion import rest_to_rest_times, round_times
from falsework.layers.stack import Floats, Indices
from falsework.process import Process, bead_section_mm2

BACK_S = 0.1  # drawing the filament back before a travel and feeding it again after; from memory
NEAR_MM = 2.0  # shorter travels within a support are made without; from memory
APPROACH_MM = 15.0  # mean travel to a piece of support in each of its layers; from memory
TYPICAL_STRAND_MM = 10.0  # mean strand of supports that are only estimated; from memory


@dataclass(frozen=True, slots=True)
class Laying:
    """How a process lays straight strands, at ``speed_mm_s``: in the first layer no faster than its
    ``first_layer_speed_mm_s``."""

    process: Process
    speed_mm_s: float

    def volumes_mm3(self, lengths_mm: Floats, layer: Indices, heights_mm: Floats) -> Floats:
        """(E,) volume of each strand: a bead as wide as the process's line and as high as its layer.

        lengths_mm (E,), layer (E,) index of each strand's layer, heights_mm (L,) of the layers.
        """
        heights = np.asarray(heights_mm, dtype=np.float64)
        volumes: Floats = lengths_mm * bead_section_mm2(self.process.line_width_mm, heights)[layer]
        return volumes

    def costs(
        self, piece: Indices, n: int, ends_mm: Floats, layer: Indices, heights_mm: Floats
    ) -> list[Cost]:
        """What the strands of each piece take: ``piece`` (E,) is each strand's, in 0..n−1.

        ``ends_mm`` (E, 4) x0, y0, x1, y1; layer and heights as in ``volumes_mm3``. In every layer of a piece
        the head goes to it, drawing the filament back, and lays its strands in a round, from each to the
        nearest that is left.
        """
        lengths = np.hypot(ends_mm[:, 2] - ends_mm[:, 0], ends_mm[:, 3] - ends_mm[:, 1])
        volumes = self.volumes_mm3(lengths, layer, heights_mm)
        volume_of = np.bincount(piece, weights=volumes, minlength=n).astype(np.float64)
        order = np.lexsort((layer, piece))
        step = np.diff(layer[order], prepend=-1) | np.diff(piece[order], prepend=-1)
        first = np.flatnonzero(step).astype(np.int64)
        printer = self.process.printer
        slow = min(self.speed_mm_s, self.process.first_layer_speed_mm_s)
        seconds = round_times(
            np.ascontiguousarray(ends_mm[order]),
            np.append(first, len(order)),
            np.where(layer[order][first] == 0, float(slow), float(self.speed_mm_s)),
            printer.acceleration_mm_s2,
            printer.corner_speed_mm_s,
            printer.travel_speed_mm_s,
            BACK_S,
            NEAR_MM,
        ) + (self._travel_s(APPROACH_MM) + BACK_S)
        time_of = np.bincount(piece[order][first], weights=seconds, minlength=n).astype(np.float64)
        return Rates(self.process).costs(volume_of, time_of)

    def estimate(self, volume_mm3: float, strand_mm: float = TYPICAL_STRAND_MM) -> Cost:
        """From extruded volume alone, before any strand is drawn.

        The volume is taken as full-height beads of the mean length ``strand_mm``, each with its travel; it is
        the plastic's, not the space's that thin supports fill. Real strands of half that length take up to
        twice as long a millimetre, very long ones approach ``speed_mm_s``; the volume's share of the cost is
        exact.
        """
        process = self.process
        section = bead_section_mm2(process.line_width_mm, process.layer_height_mm)
        acceleration = process.printer.acceleration_mm_s2
        one = float(rest_to_rest_times(np.array([strand_mm]), self.speed_mm_s, acceleration)[0])
        strands = volume_mm3 / (section * strand_mm)
        time_s = strands * (one + self._travel_s(process.structure.spacing_mm))
        return Rates(process).cost(volume_mm3, time_s)

    def _travel_s(self, hop_mm: float) -> float:
        """Time of one travel from rest to rest."""
        printer = self.process.printer
        times = rest_to_rest_times(np.array([hop_mm]), printer.travel_speed_mm_s, printer.acceleration_mm_s2)
        return float(times[0])
