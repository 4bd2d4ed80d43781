"""Whether a part fits the printer at all: asked before anything else is worked out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from falsework.errors import PartError
from falsework.orientation.directions import (
    even_directions,
    fit_ratios,
    hull_corners,
    outline_of,
    resting_directions,
    rotations_to_up,
    spin_for,
    turn_deg_of,
)
from falsework.part.part import Part
from falsework.part.placing import fits
from falsework.process.settings import Process
from falsework.wording.figures import given

_LOOKED_AT = 300  # directions, beside the part's own and those that lay it on a face
_MOST_CORNERS = 400  # of the hull: what is left out lies within a hair of what is kept
_MOST_PIECES = 12  # a cut into more is no advice


@dataclass(frozen=True)
class WaysToFit:
    """How a part that does not fit as it lies would fit.

    ``turn_deg`` lays it so that it does (None: nothing does); ``share`` of its size at which it fits as it
    lies; ``pieces`` that a cut straight across would leave, in the lie with the fewest.
    """

    turn_deg: tuple[float, float, float] | None
    share: float
    pieces: int


def room_for(part: Part, process: Process) -> WaysToFit | None:
    """None for a part that fits as it lies."""
    printer = process.printer
    build_mm = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    misfits = fits(part, build_mm)
    if not misfits:
        return None
    pieces = min(
        math.prod(math.ceil(long / room - 1e-9) for long, room in zip(part.size_mm, order, strict=True))
        for order in permutations(build_mm)
    )
    corners = hull_corners(part.vertices)
    if len(corners) > _MOST_CORNERS:
        corners = corners[np.unique((corners @ even_directions(_MOST_CORNERS).T).argmax(axis=0))]
    up = np.concatenate([np.eye(3)[[2, 0, 1]], resting_directions(corners, 40), even_directions(_LOOKED_AT)])
    ratios = fit_ratios(corners, rotations_to_up(up), build_mm)
    best = int(np.argmax(ratios >= 1.0)) if (ratios >= 1.0).any() else None
    turn = None
    if best is not None:
        outline = outline_of((corners @ rotations_to_up(up[best : best + 1])[0].T)[:, :2])
        turn = turn_deg_of(up[best], spin_for(outline, build_mm[:2])[0])
    return WaysToFit(turn, misfits[0].fits_at_percent / 100.0, pieces)


def check_room(part: Part, process: Process, *, scale: float = 1.0, turnable: bool = False) -> None:
    """PartError where the part, scaled as is asked, does not fit; with the turn, scale or cut that helps.

    ``turnable``: its lie is what is looked for; then only what fits in no lie is refused.
    """
    room = room_for(part, process)
    if room is None or (turnable and room.turn_deg is not None):
        return
    printer = process.printer
    build_mm = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    size, space = (
        " × ".join(given(round(float(v), 1)) for v in three) + "\u00a0mm"
        for three in (part.size_mm, build_mm)
    )
    ways = []
    if room.turn_deg is not None:
        ways.append(f"turn it (--turn={','.join(given(round(v, 2)) for v in room.turn_deg)})")
    ways.append(f"scale it (--scale {_rounded_down(scale * room.share)})")
    if 1 < room.pieces <= _MOST_PIECES:
        ways.append(f"cut it (into {room.pieces} or more pieces)")
    choice = f"{', '.join(ways[:-1])} or {ways[-1]}" if len(ways) > 1 else ways[0]
    raise PartError(
        part.name,
        f"it is {size} as it came, and the printer builds {space}: nothing was worked out",
        f"{choice[0].upper()}{choice[1:]}; with --too-large it is worked out all the same",
    )


def _rounded_down(factor: float) -> str:
    """Three figures, never more than the factor."""
    digits = 2 - math.floor(math.log10(factor))
    return given(math.floor(factor * 10.0**digits + 1e-9) / 10.0**digits, max(digits, 0))
