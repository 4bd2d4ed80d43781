"""Supports where little can be built: a plan, or one clear sentence."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.droop.laws import Laws
from falsework.errors import ProcessError
from falsework.need.needmap import need_map
from falsework.process.settings import Process, Structure
from falsework.request.standing import Standing
from falsework.support.generate import build_scheme
from stacks import stack_of


def scheme_of(sections, process):
    stack = stack_of(sections, 0.2)
    need = need_map(stack, Laws(process))
    return need, build_scheme(stack, need, [Standing.BED_OR_PART] * len(need.undersides), process)


@pytest.mark.parametrize("form", ["designed", "curtain"])
def test_many_undersides_each_get_their_own(form) -> None:
    """A plate on a post with a field of knobs beneath it."""
    post, plate = shapely.box(-6, -6, -3, -3), shapely.box(-6, -6, 60, 60)
    knobs = shapely.union_all(
        [shapely.box(x, y, x + 2, y + 2) for x in range(0, 60, 5) for y in range(0, 60, 5)]
    )
    need, scheme = scheme_of(
        [post] * 20 + [post | knobs] * 5 + [plate] * 3, Process(structure=Structure(form=form))
    )
    assert len(need.undersides) > 140
    carried = {number for piece in scheme.pieces for number in piece.undersides}
    assert len(carried) > 140


@pytest.mark.parametrize("form", ["designed", "curtain"])
def test_a_closed_void_is_carried_from_its_own_floor(form) -> None:
    block = shapely.box(0, 0, 40, 40)
    hollow = block - shapely.box(5, 5, 35, 35)
    _, scheme = scheme_of([block] * 5 + [hollow] * 60 + [block] * 5, Process(structure=Structure(form=form)))
    (piece,) = scheme.pieces
    assert piece.bottom_mm > 1.0 and piece.foot_mm2 == 0.0 and piece.scar_mm2 > 0.0


@pytest.mark.parametrize("form", ["designed", "curtain"])
def test_no_gap_at_all_is_built_against_the_part(form) -> None:
    structure = Structure(form=form, air_gap_layers=0.0, air_gap_below_layers=0.0)
    sections = [shapely.box(0, 0, 4, 20)] * 50 + [shapely.box(0, 0, 30, 20)] * 5
    _, scheme = scheme_of(sections, Process(structure=structure))
    assert max(piece.top_mm for piece in scheme.pieces) == pytest.approx(9.8)  # one layer at least


def test_lines_wider_than_their_spacing_are_refused_or_built_dense() -> None:
    sections = [shapely.box(0, 0, 4, 20)] * 50 + [shapely.box(0, 0, 30, 20)] * 5
    try:
        process = Process(structure=Structure(form="curtain", spacing_mm=0.3))
        _, scheme = scheme_of(sections, process)
    except ProcessError as problem:
        assert "spacing" in str(problem)
    else:
        filled = sum(shapely.area(scheme.body)) * 0.2
        laid = sum(piece.cost.volume_mm3 for piece in scheme.pieces)
        assert np.isfinite(laid) and laid < 2.0 * filled + 1e3
