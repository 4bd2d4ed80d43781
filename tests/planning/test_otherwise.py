"""A part that falls as it lies is laid on a face on which it stands by itself."""

from __future__ import annotations

from falsework import Wish, load_process
from falsework.planning.otherwise import position_that_stands
from falsework.request.context import Context
from solids import box, part_of, sphere

WISH = Wish(load_process("pla-0.4"))


def test_a_blade_on_its_edge_is_laid_flat_and_a_ball_nowhere():
    found = position_that_stands(part_of(*box((1.0, 20.0, 30.0))), WISH, Context())
    assert found is not None and abs(found.up[0]) == 1.0
    assert found.needs_no_support and found.fits
    assert position_that_stands(part_of(*sphere(5.0, 24, 12)), WISH, Context()) is None
