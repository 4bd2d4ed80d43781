"""``Geometry``: a part with the supports that were built for it."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.need.measured import MeasuredPart
from falsework.support.scheme import SupportScheme
from falsework.support.sparing import Spared


@dataclass(frozen=True, eq=False)
class Geometry(MeasuredPart):
    """The arrays behind a plan: not part of its value, written as files beside ``plan.json``."""

    scheme: SupportScheme
    spared: Spared | None = None
