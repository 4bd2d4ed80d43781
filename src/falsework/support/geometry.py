"""``Geometry``: a part with the supports that were built for it."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.need.measured import MeasuredPart
from falsework.request.marks import Vector
from falsework.support.scheme import SupportScheme
from falsework.support.sparing import Spared


@dataclass(frozen=True)
class Cared:
    """What of a part is cared for: ``show`` (U,), the share of each underside that lies on faces to keep
    clean (empty: none is), and the load axis in the part's own frame (None: no load).
    """

    show: tuple[float, ...] = ()
    load_axis: Vector | None = None


@dataclass(frozen=True, eq=False)
class Geometry(MeasuredPart):
    """The arrays behind a plan: not part of its value, written as files beside ``plan.json``."""

    scheme: SupportScheme
    spared: Spared | None = None
    cared: Cared = Cared()
