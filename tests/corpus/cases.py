"""Solids that once failed, each with what must be said of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.part.part import Part
from solids import box, merged, part_of


@dataclass(frozen=True)
class Case:
    """``once``: what went wrong. ``process`` and ``settings`` it is planned with; ``pieces`` of support that
    must come out; ``warnings``: what each must begin with, in their order."""

    name: str
    once: str
    part: Part
    settings: dict[str, str]
    undersides: int
    pieces: int
    warnings: tuple[str, ...] = ()


def joined_boxes(*boxes) -> Part:
    vertices, faces = merged(*(box(size, at) for size, at in boxes))
    return part_of(vertices, np.asarray(faces, dtype=np.int32))


THICK = {
    "nozzle_mm": "1.2",
    "line_width_mm": "1.35",
    "layer_height_mm": "0.9",
    "first_layer_height_mm": "0.9",
}
THICK |= {"structure.spacing_mm": "6"}

CASES = (
    Case(
        "three thick layers",
        "fewer layers than air gap and interface together: an array did not fit",
        joined_boxes(
            ((4.0, 6.0, 1.8), (0.0, 0.0, 0.0)),
            ((4.0, 6.0, 1.8), (16.0, 0.0, 0.0)),
            ((20.0, 6.0, 0.9), (0.0, 0.0, 1.8)),
        ),
        THICK,
        undersides=1,
        pieces=0,
        warnings=("underside 1: the bed is only 1.8 mm beneath",),
    ),
    Case(
        "a sheet beside a block",
        "a wall thinner than a line was planned without a word",
        joined_boxes(((20.0, 10.0, 10.0), (0.0, 0.0, 0.0)), ((0.3, 10.0, 10.0), (30.0, 0.0, 0.0))),
        {},
        undersides=0,
        pieces=0,
        warnings=("about 1 % of the part is narrower than a line", "the part may topple"),
    ),
)
