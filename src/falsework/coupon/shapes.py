"""The solids of single cells, each in a frame of its own, with what is looked at and measured on it.

A cell stands on z = 0. Strands over air run along x, the cell is centred on y = 0, and x = 0 is the middle of
the free run (for fins: the foot of the underside). A low strip at low x joins it to its neighbours and bears
its label.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from falsework.coupon.lettering import HIGH, lettering, width_strokes
from falsework.coupon.reading import Condition
from falsework.coupon.sizes import Sizes
from falsework.coupon.value import Shape
from falsework.layers import planar

if TYPE_CHECKING:
    from manifold3d import CrossSection, Manifold

_OVERLAP_MM = 0.01  # neighbouring strips reach into each other by this, so that they are one body


@dataclass(frozen=True, eq=False)
class CellSolid:
    """One cell as a solid, not yet placed.

    ``low_mm`` and ``high_mm``: x of its ends; ``pitch_mm``: y from cell to cell; ``wide_mm``: its own y.
    ``underside_mm``: height of what is read off. ``nominal_mm``: reading of outside jaws without any sag.
    """

    condition: Condition
    shape: Shape
    solid: Manifold
    low_mm: float
    high_mm: float
    wide_mm: float
    pitch_mm: float
    underside_mm: float
    nominal_mm: float


def draft_of(condition: Condition, shape: Shape, sizes: Sizes, joined: bool) -> CellSolid:
    """The cell of that condition. ``joined``: a strip joins the posts at high x, too."""
    if shape is Shape.FIN:
        return _fin(condition, sizes)
    if shape is Shape.RUNG:
        return _rung(condition, sizes)
    return _over_support(condition, shape, sizes, joined)


def lettered(draft: CellSolid, label: str, sizes: Sizes) -> Manifold:
    """The cell with its label standing on the strip."""
    middle = draft.low_mm + 0.5 * sizes.strip
    half = 0.5 * sizes.stroke
    corner = (middle - half * width_strokes(label), -half * HIGH)
    return draft.solid + raised(label, sizes, corner, sizes.z(sizes.plate))


def raised(text: str, sizes: Sizes, corner: tuple[float, float], z_mm: float) -> Manifold:
    """Lettering that stands on a surface at ``z_mm``, sunk into it a little so that they are one body."""
    sunk = 0.5 * sizes.process.layer_height_mm
    outline = planar.transform(lettering(text, sizes.stroke), lambda p: p + np.array(corner))
    height = sunk + sizes.raised * sizes.process.layer_height_mm
    return _section(outline).extrude(height).translate((0.0, 0.0, z_mm - sunk))


def box(low: Sequence[float], high: Sequence[float]) -> Manifold:
    """A box between two corners."""
    from manifold3d import Manifold

    return Manifold.cube([h - l for l, h in zip(low, high, strict=True)]).translate(tuple(low))


def _section(region: planar.Geometry) -> CrossSection:
    from manifold3d import CrossSection, FillRule

    polygons = planar.orient_polygons(planar.get_parts(region), exterior_cw=False)
    rings = [np.asarray(ring.coords)[:-1] for p in polygons for ring in (p.exterior, *p.interiors)]
    return CrossSection(rings, FillRule.Positive)


def _strip(low: float, high: float, pitch: float, sizes: Sizes) -> Manifold:
    """A stretch of the low strip that joins a cell to its neighbours."""
    half = 0.5 * pitch + _OVERLAP_MM
    return box((low, -half, 0.0), (high, half, sizes.z(sizes.plate)))


def _joined(solids: list[Manifold]) -> Manifold:
    from manifold3d import Manifold, OpType

    return Manifold.batch_boolean(solids, OpType.Add)


def _fin(condition: Condition, sizes: Sizes) -> CellSolid:
    assert condition.angle_deg is not None
    lean, height = math.radians(condition.angle_deg), sizes.process.layer_height_mm
    base = sizes.z(sizes.plate)
    top = sizes.z(sizes.plate + sizes.fin_layers(condition.angle_deg))
    out, thick, width = (top - base) * math.tan(lean), sizes.wall, sizes.fin_wide
    low, pitch, sunk = -sizes.foot, sizes.pitch(width), 0.5 * base
    profile = [(0.0, sunk), (0.0, base), (out, top), (out - thick, top), (-thick, base), (-thick, sunk)]
    # extruded along z, then laid down so that z becomes y and y becomes z
    fin = _section(planar.Polygon(profile)).extrude(width).translate((0, 0, -0.5 * width)).rotate((90, 0, 0))
    return CellSolid(
        condition,
        Shape.FIN,
        _joined([_strip(low, 0.0, pitch, sizes), fin]),
        low,
        out,
        width,
        pitch,
        base,
        # each layer ends in half circles, which the jaws touch
        (thick - height) * math.cos(lean) + height,
    )


def _rung(condition: Condition, sizes: Sizes) -> CellSolid:
    assert condition.span_mm is not None
    half, width, wide = 0.5 * condition.span_mm, sizes.rung_wide, sizes.post_wide
    under, top = sizes.z(sizes.under), sizes.z(sizes.under + sizes.roof)
    low, high, pitch = -half - sizes.post, half + sizes.post, sizes.pitch(wide)
    solids = [
        _strip(low - sizes.strip, -half, pitch, sizes),
        box((low, -0.5 * wide, 0.0), (-half, 0.5 * wide, top)),
        box((half, -0.5 * wide, 0.0), (high, 0.5 * wide, top)),
        box((-half - 0.5 * sizes.post, -0.5 * width, under), (half + 0.5 * sizes.post, 0.5 * width, top)),
    ]
    return CellSolid(
        condition, Shape.RUNG, _joined(solids), low - sizes.strip, high, wide, pitch, under, top - under
    )


def _over_support(condition: Condition, shape: Shape, sizes: Sizes, joined: bool) -> CellSolid:
    assert condition.span_mm is not None
    run, width = 0.5 * condition.span_mm, sizes.roof_wide(condition)
    side, pitch = 0.5 * width, sizes.pitch(width)
    layers = sizes.under_roof(condition)
    under = sizes.z(layers)
    half = run
    if shape is Shape.PEG:
        layers += sizes.peg
        half += max(2.0, 4 * sizes.process.line_width_mm)  # from peg to post: the roof bridges that
    roof, top = sizes.z(layers), sizes.z(layers + sizes.roof)
    low, high = -half - sizes.post, half + sizes.post
    solids = [
        _strip(low - sizes.strip, -half, pitch, sizes),
        box((low, -side, 0.0), (-half, side, top)),
    ]
    if shape is Shape.LEDGE:
        high = half
    else:
        solids.append(box((half, -side, 0.0), (high, side, top)))
        if joined:
            solids.append(_strip(half, high, pitch, sizes))
    solids.append(box((-half - 0.5 * sizes.post, -side, roof), (high - 0.5 * (high - half), side, top)))
    if shape is Shape.PEG:
        solids.append(box((-run, -side, under), (run, side, 0.5 * (roof + top))))
    return CellSolid(
        condition, shape, _joined(solids), low - sizes.strip, high, width, pitch, under, top - under
    )
