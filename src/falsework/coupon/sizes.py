"""Sizes that the cells of a piece share: whole layers high, whole lines wide, labels fit for the nozzle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from falsework.coupon.lettering import HIGH, WIDE
from falsework.coupon.reading import Condition, ConditionKind
from falsework.droop.laws import Laws
from falsework.process.derived import whole_layers
from falsework.process.settings import Process

_FIN_MM, _FIN_WIDE_MM = 5.0, 6.0  # height and width of a fin, if the layers and lines allow
_FIN_LAYERS, _LEAST_FIN_LAYERS = 8, 5
_FOOT_SHARE = 0.7  # of how far the farthest fin leans out
_FIN_OUT_MM = 18.0  # a flat fin is built lower, so that it does not lean out farther than this
_ROOF_WIDE_MM, _LINES_WIDE = 6.0, 6.0
_ROOF_MM, _LEAST_LAYERS = 0.5, 3  # thick enough to be measured and not to tear
_UNDER_MM = 2.4  # least height of what is printed over air or support
FOOT_LAYERS = 1  # of supports: low as they are, they stand without the process's broader feet
_BODY_LAYERS = 3  # least layers of a support's body, between foot and roof
_PEG_MM = 1.0
_PLATE_MM = 1.0
_POST_MM, _POST_WIDE_MM = 3.0, 4.0
_BETWEEN_MM = 3.0  # least free space between cells: fingers, pliers, and supports that must not meet
_SLIM_SPARE = 1.05


@dataclass(frozen=True)
class Sizes:
    """Lengths in mm, counts of layers; see the functions for what depends on a cell's own condition."""

    process: Process
    stroke: float  # of lettering
    wall: float  # thickness that closed lines fill alone
    strip: float  # width of the low strip that joins the cells and carries their labels
    foot: float  # depth of the strip under fins: it reaches back as far as keeps them from tipping
    post: float  # length, along the strands, of the posts that carry rungs and roofs
    between: float  # free space between cells
    raised: int  # layers that lettering stands proud
    plate: int  # layers of the strip and of the plate with the code
    under: int  # layers beneath rungs
    roof: int  # layers of rungs, roofs and ledges
    peg: int  # layers of pegs

    def z(self, layers: int) -> float:
        """Height of the top of so many layers."""
        process = self.process
        return process.first_layer_height_mm + (layers - 1) * process.layer_height_mm if layers else 0.0

    @property
    def fin_wide(self) -> float:
        return max(_FIN_WIDE_MM, _LINES_WIDE * self.process.line_width_mm)

    @property
    def rung_wide(self) -> float:
        """A rung is all closed lines, so its strands run along it whatever program lays them."""
        return self.wall

    @property
    def post_wide(self) -> float:
        """Width of the posts that carry a rung."""
        return max(self.wall, _POST_WIDE_MM)

    def pitch(self, wide: float) -> float:
        """From the middle of one cell to the next, for cells of that width, with room for the label."""
        return max(wide + self.between, HIGH * self.stroke + self.process.line_width_mm)

    def fin_layers(self, angle_deg: float) -> int:
        """Layers of the leaning part of a fin."""
        return _fin_layers(angle_deg, self.process.layer_height_mm)

    def under_roof(self, condition: Condition) -> int:
        """Layers beneath a roof: all supports have as much body between foot and dense layers."""
        height = self.process.layer_height_mm
        gap = whole_layers(condition.air_gap_mm or height, height)
        support = FOOT_LAYERS + _BODY_LAYERS + (condition.interface_layers or 0)
        return max(_LEAST_LAYERS, math.ceil(_UNDER_MM / height), support + gap)

    def roof_wide(self, condition: Condition) -> float:
        """Width of a cell over support: so wide that lines carry it, as they do under real parts."""
        assert condition.span_mm is not None and condition.spacing_mm is not None
        width, spacing = self.process.line_width_mm, condition.spacing_mm
        run = condition.span_mm - 2 * self.process.structure.side_gap_mm
        apart = spacing + width
        lined = _SLIM_SPARE * run * apart / (run - apart) if run > apart else math.inf
        return max(_ROOF_WIDE_MM, _LINES_WIDE * width, lined)


def stroke_mm(process: Process) -> float:
    """Width of the strokes of lettering: what a program will not leave out as too narrow."""
    return max(1.2 * process.line_width_mm + 0.2, 0.6)


def foot_widening_mm(process: Process) -> float:
    """How far the feet of supports reach past their bodies."""
    return min(process.structure.foot_widening_mm, process.line_width_mm)


def strip_mm(process: Process) -> float:
    """Width of the strip that bears the labels."""
    return WIDE * stroke_mm(process) + process.line_width_mm


def _fin_layers(angle_deg: float, height_mm: float) -> int:
    step = math.tan(math.radians(angle_deg)) * height_mm
    tall = max(_FIN_LAYERS, math.ceil(_FIN_MM / height_mm))
    return max(min(tall, int(_FIN_OUT_MM / step)), _LEAST_FIN_LAYERS)


def sizes_of(conditions: Sequence[Condition], laws: Laws) -> Sizes:
    """The sizes for a piece with these conditions: all rungs at one height, clear of the bed."""
    process = laws.process
    width, height = process.line_width_mm, process.layer_height_mm
    stroke = stroke_mm(process)
    wall = 2 * max(2, process.wall_lines) * width
    strip = strip_mm(process)
    foot = strip + wall
    under = max(_LEAST_LAYERS, math.ceil(_UNDER_MM / height))
    for condition in conditions:
        if condition.kind is ConditionKind.OVERHANG and condition.angle_deg is not None:
            layers = _fin_layers(condition.angle_deg, height)
            out = layers * height * math.tan(math.radians(condition.angle_deg))
            foot = max(foot, _FOOT_SHARE * out)
        elif condition.kind is ConditionKind.BRIDGE and condition.span_mm is not None:
            sag = laws.bridge_droop(condition.span_mm).high
            under = max(under, math.ceil(min(1.5 * sag, 3 * _UNDER_MM) / height))
    return Sizes(
        process=process,
        stroke=stroke,
        wall=wall,
        strip=strip,
        foot=foot,
        post=max(2 * width, _POST_MM),
        between=max(_BETWEEN_MM, 2 * foot_widening_mm(process) + 2 * width),
        raised=max(2, math.ceil(0.4 / height)),
        plate=max(2, math.ceil(_PLATE_MM / height)),
        under=under,
        roof=max(_LEAST_LAYERS, math.ceil(_ROOF_MM / height)),
        peg=max(_LEAST_LAYERS, math.ceil(_PEG_MM / height)),
    )
