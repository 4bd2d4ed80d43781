"""Forces that a growing print bears, what is asked to hold against them, and the least post that does."""

from __future__ import annotations

import numpy as np

from falsework.arrays import Floats
from falsework.process.settings import Process

NOZZLE_PRESS_N = 1.0  # from memory: what a nozzle presses down with where a bead curls up
NOZZLE_DRAG_N = 0.2  # from memory: sideways pull of a nozzle on the layer it lays
BED_BOND_MPA = 0.5  # from memory, cautious: first layer on a warm build surface
LEAST_BUCKLING_SAFETY = 2.0  # from memory: common for columns whose load is known roughly
LEAST_TOPPLE_SAFETY = 1.5  # from memory
GRAVITY_M_S2 = 9.81
GIVES_WIDTHS = 1.0  # a post's head may give way by so much when the nozzle drags at it
THINNEST_WIDTHS = 4.0  # side of a post at least


def bending_side_mm(height_mm: Floats, process: Process) -> Floats:
    """Side of a square post, a tube of one line, that drag of the nozzle at its head does not bend too far.

    F H³ / (3 E I), I = 2/3 b³ w of a thin square tube (from memory).
    """
    width = process.line_width_mm
    stiffness = 2.0e3 * process.material.youngs_modulus_gpa * width * GIVES_WIDTHS * width
    side: Floats = height_mm * np.cbrt(NOZZLE_DRAG_N / stiffness)
    return side


def standing_side_mm(height_mm: Floats, bond_mpa: float | Floats) -> Floats:
    """Side of a square foot that drag of the nozzle at that height does not turn over: F H against the bond
    A b / 3 of the foot, with the margin of the stability checks."""
    side: Floats = np.cbrt(3.0 * LEAST_TOPPLE_SAFETY * NOZZLE_DRAG_N * height_mm / bond_mpa)
    return side
