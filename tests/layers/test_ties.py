"""Flat faces in the middle of a layer: slicing programs put them into it or leave them out."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold, Mesh

from falsework.layers.slicing import layer_boundaries, stack_layers
from falsework.planning import plan
from solids import box, merged, part_of

LAYER = 0.2


def joined(*boxes):
    vertices, faces = merged(*(box(size, at) for size, at in boxes))
    return part_of(vertices, np.asarray(faces, dtype=np.int32))


def shelf(underside_mm: float, base_top_mm: float = 2.0):
    """A shelf over a base, both held by a wall."""
    return joined(
        ((6.0, 20.0, 24.0), (0.0, 0.0, 0.0)),
        ((32.0, 20.0, base_top_mm), (5.0, 0.0, 0.0)),
        ((32.0, 20.0, 24.0 - underside_mm), (5.0, 0.0, underside_mm)),
    )


def printed(part, lift_mm: float) -> list[float]:
    """Area by layer as a program prints it that cuts a little above or below the middles."""
    bounds = layer_boundaries(float(part.vertices[:, 2].max()), LAYER, LAYER)
    middles = 0.5 * (bounds[1:] + bounds[:-1]) + lift_mm
    return [area_at(part, z) for z in middles]


def area_at(part, z: float) -> float:
    """By a general-purpose library's own section."""
    solid = Manifold(Mesh(part.vertices.astype(np.float32), part.faces.astype(np.uint32)))
    return float(solid.slice(z).area())


@pytest.mark.parametrize("noise_mm", [0.0, 4e-6, -4e-6])
@pytest.mark.parametrize("underside_mm", [10.5, 10.4, 10.6, 10.47])
def test_the_gap_is_never_printed_smaller_than_it_is_said(underside_mm: float, noise_mm: float) -> None:
    part = shelf(underside_mm + noise_mm, 2.1 + noise_mm)
    made = plan(part, standing="bed-or-part", release=False)
    scheme = made.geometry.scheme
    top, foot = scheme.vertices[:, 2].max(), scheme.vertices[:, 2].min()
    assert foot > 2.0, "it stands on the base"
    for lift in (-1e-4, 1e-4):
        solid = np.array(printed(part, lift)) > 200.0  # more than the wall alone
        bounds = LAYER * np.arange(len(solid) + 1)
        above = bounds[:-1][solid & (bounds[:-1] > 5.0)].min()
        below = bounds[1:][solid & (bounds[1:] < 5.0)].max()
        assert above - top > made.gap.realised_mm - 1e-6
        assert foot - below > made.gap_below.realised_mm - 1e-6


def test_an_underside_and_a_top_in_the_middle_of_one_layer_are_both_in_it() -> None:
    part = joined(
        ((10.0, 10.0, 1.1), (0.0, 0.0, 0.0)),
        ((4.0, 4.0, 3.0), (20.0, 0.0, 0.0)),
        ((9.0, 4.0, 1.9), (23.0, 0.0, 1.1)),
    )
    areas = stack_layers(part, layer_boundaries(3.0, LAYER, LAYER)).areas_mm2
    assert areas[4] == pytest.approx(100.0 + 16.0)
    assert areas[5] == pytest.approx(100.0 + 4.0 * 12.0, rel=3e-5)
    assert areas[6] == pytest.approx(4.0 * 12.0, rel=1e-6)


def test_a_flat_face_a_little_off_the_middle_is_no_tie() -> None:
    for offset, areas in ((1e-3, 16.0), (-1e-3, 116.0)):
        part = joined(
            ((4.0, 4.0, 3.0), (0.0, 0.0, 0.0)), ((10.0, 10.0, 1.9 - offset), (4.0, 0.0, 1.1 + offset))
        )
        assert stack_layers(part, layer_boundaries(3.0, LAYER, LAYER)).areas_mm2[5] == pytest.approx(areas)
