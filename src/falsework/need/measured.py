"""``MeasuredPart``: a part as it lies on the bed, with everything that is measured of it."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.layers.stack import LayerStack
from falsework.need.underside import NeedMap
from falsework.part.part import Part


@dataclass(frozen=True, eq=False)
class MeasuredPart:
    """The arrays behind an inspection: the placed part, its layers and its need."""

    part: Part
    stack: LayerStack
    need: NeedMap
