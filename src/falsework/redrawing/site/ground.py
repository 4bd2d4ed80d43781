"""``ground_of``: from a plan to the ground that changes are drawn on; and which undersides ask for one."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from falsework.droop import PRIOR, Belief
from falsework.droop.laws import Laws
from falsework.need.underside import Underside, UndersideKind
from falsework.planning.value import Inspection, Plan
from falsework.process.settings import Process
from falsework.redrawing.body.solids import solid_of
from falsework.redrawing.site.value import PlannedPart

# What droops by no more than this many layers is clean: a bridge evens it out in the layer above; at a free
# edge the nozzle meets it again, so there it must be less. Common practice, no source.
CLEAN_BRIDGE_LAYERS = 1.0
CLEAN_EDGE_LAYERS = 0.25
# What may be left asking in sum, unless it is an island: two lines square, but little of what was there.
LEFT_WIDTHS2, LEFT_SHARE = 4.0, 0.1
DAB_WIDTHS2 = 1.0  # line widths squared: less is a dab that no nozzle can aim at


def ground_of(
    planned: Plan | Inspection, spared: NDArray[np.bool_] | None = None, belief: Belief = PRIOR
) -> PlannedPart:
    """The ground of a plan or an inspection that holds its geometry; ``PartError`` for an open mesh.

    ``spared`` (m,): faces of the placed part, in their order, that must stay as they are.
    """
    at_hand = planned.geometry if isinstance(planned, Plan) else planned.ground
    assert at_hand is not None
    part, process = at_hand.part, planned.process
    tolerance_mm = CLEAN_BRIDGE_LAYERS * process.layer_height_mm
    span_mm = Laws(process, belief).longest_clean_bridge_mm(tolerance_mm).value
    return PlannedPart(
        part=part,
        solid=solid_of(part),
        stack=at_hand.stack,
        need=at_hand.need,
        process=process,
        belief=belief,
        spared=np.zeros(len(part.faces), dtype=bool) if spared is None else spared,
        span_mm=span_mm if math.isfinite(span_mm) else float(np.hypot(*part.size_mm[:2])),
    )


def asks(underside: Underside, process: Process) -> bool:
    """Whether an underside, left to itself, would come out worse than clean."""
    if underside.kind is UndersideKind.HOLDS:
        return False
    if underside.kind is UndersideKind.ISLAND:
        return True
    layers = CLEAN_BRIDGE_LAYERS if underside.kind is UndersideKind.BRIDGE else CLEAN_EDGE_LAYERS
    return underside.droop_mm.value > layers * process.layer_height_mm


def left_allowed_mm2(ground: PlannedPart, number: int) -> float:
    """How much of an underside may be left asking: see ``LEFT_WIDTHS2``."""
    most = LEFT_WIDTHS2 * ground.process.line_width_mm**2
    return min(most, LEFT_SHARE * ground.need.undersides[number - 1].area_mm2)
