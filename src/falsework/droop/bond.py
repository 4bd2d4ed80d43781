"""How firmly a strand holds to the support beneath it: what must be broken to let go.

Two laws for the gap, because no reading has decided between them:

*clearance*: contact ends where the gap eats up d − h of this strand;
*layers*: the gap counts in layer heights, and contact ends where it does for the reference strand.

They agree on the reference strand (0.45 × 0.2 mm). Either may be pulled towards a gap that counts in
millimetres, whatever the layer height (``gap_by_height``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from falsework.droop.parameters import Parameters
from falsework.droop.smooth import log_softplus
from falsework.droop.strand import (
    REFERENCE_DIAMETER_MM,
    REFERENCE_MM,
    Array,
    LaidStrands,
)
from falsework.droop.supported import touching
from falsework.process.settings import Process

FULL_RUN_MM = 1000.0  # strands so long always sag onto the support
_NOTHING = 1e-12  # share that stands for no contact at all


@dataclass(frozen=True, eq=False)
class Landing:
    """What the strands come to lie on: numbers, or one array each.

    ``coverage`` share of it that is strands, ``dense`` layers of cap, ``grid`` 1 for two crossing sets,
    ``perimeter`` closed lines, ``along`` 0 where strands cross the lines beneath, 1 where they run along.
    """

    coverage: Array = 1.0
    dense: Array = 2
    grid: Array = 0.0
    perimeter: Array = 0.0
    along: Array = 0.0


CAP = Landing()


def coverage(width_mm: Array, spacing_mm: Array, dense_layers: Array, grid: Array) -> Array:
    """Share of a support's top that is strands: all of a dense layer, else width over spacing."""
    lines = np.minimum(1.0, width_mm / spacing_mm)
    return np.where(
        np.asarray(dense_layers) > 0, 1.0, np.where(np.asarray(grid) > 0, lines * (2.0 - lines), lines)
    )


def top_of(process: Process, dense_layers: int) -> Landing:
    """The top, or the underneath, of the process's support with so many dense layers, strands across it."""
    structure = process.structure
    grid = float(structure.weave == "crossed")
    share = float(coverage(process.line_width_mm, structure.spacing_mm, dense_layers, grid))
    return Landing(share, dense_layers, grid, structure.perimeter_lines)


def log_contact_share(height: Array, softness: Array) -> Array:
    """Log of flat width over diameter of a strand squeezed to ``height`` diameters between nozzle and
    support.

    It keeps its section: w_c/d = (π/4)(d/H − H/d), zero at H = d. Softplus of width ``softness`` stands for
    the undulation of real strands, which touch here and there before that.
    """
    flat = np.pi / 4 * (1.0 / height - height)
    return np.log(softness) + log_softplus(flat / softness)


def between_layers(layers: Array, values: Sequence[Array]) -> Array:
    """What is told for gaps of 1, 2, … whole layers at gaps between them, by straight lines; nearer and
    farther as at the first and the last."""
    at = np.clip(layers, 1.0, len(values)) - 1.0
    return sum(np.maximum(1.0 - np.abs(at - k), 0.0) * value for k, value in enumerate(values))


def log_bond(
    gap_mm: Array, run_mm: Array, top: Landing, strand: LaidStrands, p: Parameters, by_layers: Array
) -> Array:
    """Log of what holds per area, as a share of a full weld, before the limit of 1.

    Squeezed contact by the law in force, relative to that without a gap; a strand that only sagged onto the
    support holds by a little; then heat, fan and how the support is built.
    """
    k, softness = np.exp(p.log_clearance), np.exp(p.log_softness)
    height = strand.height_mm
    own = height / (k * strand.diameter_mm)
    usual = REFERENCE_MM[1] / (k * REFERENCE_DIAMETER_MM)
    start = np.where(by_layers, usual, own)
    unit = height * np.exp(-p.gap_by_height * strand.log_height)
    squeezed = np.exp(
        log_contact_share(start * (1.0 + gap_mm / unit), softness) - log_contact_share(start, softness)
    )
    missed = (p.bond_at_1, p.bond_at_2, p.bond_at_3, p.bond_at_4, p.bond_at_5, p.bond_at_6)
    touched = np.exp(p.log_touch) * touching(gap_mm, run_mm, strand, p)
    return (
        np.log(squeezed + touched + _NOTHING)
        + p.bond
        + between_layers(gap_mm / height, missed)
        + p.bond_by_height * strand.log_height
        + p.bond_by_width * strand.log_width
        + p.bond_by_heat * strand.hotter
        + p.bond_by_fan * strand.cooler
        + p.bond_by_coverage * np.log(top.coverage)
        + p.bond_grid * top.grid
        + p.bond_perimeter * top.perimeter
        + p.bond_along * top.along
    )
