"""A small picture of a part for the table: from below, its undersides in the colours of the work orders."""

from __future__ import annotations

import base64

import numpy as np

from falsework.need.measured import MeasuredPart
from falsework.need.underside import Underside
from falsework.report.pictures import BELOW_LEFT, draw_part, png_address
from falsework.report.scene import tagged_part

PIXELS = 0.25  # per drawing unit: about 130 pixels across
FINEST_SHARE = 1 / 60  # of the part: faces smaller are not cut where an underside ends


def small_picture(ground: MeasuredPart, undersides: tuple[Underside, ...]) -> bytes:
    """The part as PNG; the same part gives the same bytes."""
    soup = tagged_part(ground, FINEST_SHARE)
    drawing = draw_part(soup, undersides, BELOW_LEFT, PIXELS)
    return base64.b64decode(png_address(np.ascontiguousarray(drawing.ink)).partition(",")[2])
