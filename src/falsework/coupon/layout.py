"""Where cells lie: columns of cells side by side, joined by a plate that bears the code of the piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

from falsework.coupon.lettering import HIGH, width_strokes
from falsework.coupon.shapes import CellSolid, box, raised
from falsework.coupon.sizes import Sizes

if TYPE_CHECKING:
    from manifold3d import Manifold

_LONGEST_MM = 150.0  # of a column, where the bed is larger
_MARGIN_MM = 5.0  # kept free along the edges of the bed


@dataclass(frozen=True)
class Layout:
    """``places_mm``: where the origin of each cell comes to lie; ``plate_mm``: x, y of the plate's corners;
    ``size_mm``: of the whole."""

    places_mm: tuple[tuple[float, float], ...]
    plate_mm: tuple[tuple[float, float], tuple[float, float]]
    size_mm: tuple[float, float]


def laid_out(drafts: Sequence[CellSolid], code: str, sizes: Sizes, joined: bool) -> Layout | None:
    """Cells in as few columns as the bed has length for, in their order; None where the bed is too small.

    All columns start on the plate, at y = 0; as long as its code and the strips need. ``joined``
    columns have a strip at their high ends, too.
    """
    printer, line = sizes.process.printer, sizes.process.line_width_mm
    deep = HIGH * sizes.stroke + 2 * line
    room = (printer.build_width_mm - 2 * _MARGIN_MM, printer.build_depth_mm - 2 * _MARGIN_MM)
    longest = min(_LONGEST_MM, room[1]) - deep
    ends = list(accumulate(draft.pitch_mm for draft in drafts))
    for many in range(1, len(drafts) + 1):
        column = [
            int(many * (end - 0.5 * d.pitch_mm) / ends[-1]) for end, d in zip(ends, drafts, strict=True)
        ]
        places: list[tuple[float, float]] = []
        x = length = strips = 0.0
        for number in range(many):
            mine = [draft for draft, own in zip(drafts, column, strict=True) if own == number]
            y = 0.0
            for draft in mine:  # low ends in one line, whatever the run
                places.append((x - draft.low_mm, y + 0.5 * draft.pitch_mm))
                y += draft.pitch_mm
            strips = x + sizes.strip
            x += max((draft.high_mm - draft.low_mm for draft in mine), default=0.0) + sizes.between
            length = max(length, y)
            strips = x - sizes.between if joined else strips
        along = max(strips, sizes.stroke * width_strokes(code) + 2 * line)
        wide = max(x - sizes.between, along)
        if length <= longest and wide <= room[0]:
            return Layout(tuple(places), ((0.0, -deep), (along, 0.0)), (wide, length + deep))
    return None


def plate(layout: Layout, code: str, sizes: Sizes) -> Manifold:
    """The plate with the raised code."""
    (x0, y0), (x1, y1) = layout.plate_mm
    line, top = sizes.process.line_width_mm, sizes.z(sizes.plate)
    return box((x0, y0, 0.0), (x1, y1, top)) + raised(code, sizes, (x0 + line, y0 + line), top)
