"""What the cautions of a plan's pages and sheets need to know of the print."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from falsework.process.settings import Process
from falsework.wording.cautions import PrintFacts

if TYPE_CHECKING:
    from falsework.release.value import Release


def job_of(
    process: Process, turn_deg: Sequence[float] = (0.0, 0.0, 0.0), release: Release | None = None
) -> PrintFacts:
    """A print by ``process`` of a part turned so, whose supports come off as ``release`` says.

    A turn about z leaves the direction of the layers as it was.
    """
    material = process.material
    return PrintFacts(
        material.name,
        material.nozzle_temperature_c,
        material.bed_temperature_c,
        turned=any(angle % 360.0 for angle in turn_deg[:2]),
        hold_n=max((piece.bed_hold_n.value for piece in release.pieces), default=0.0) if release else 0.0,
    )
