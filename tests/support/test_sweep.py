"""Columns swept down from undersides: nothing of them ends in mid-air."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.part.demo import demo_parts
from falsework.planning import plan
from falsework.process import load_process
from falsework.request.standing import Standing
from falsework.support.sweep import sweep_columns

PLA = load_process("pla-0.4")


@pytest.mark.parametrize("name", sorted(demo_parts().keys() - {"gull"}))
def test_columns_end_on_the_bed_or_on_the_part(name: str) -> None:
    """Outlines may stray by a third of a line, no more: what goes on above goes on beneath, or the part is
    there."""
    made = plan(demo_parts()[name](), PLA, standing="leave", release=False)
    at_hand = made.geometry
    assert at_hand is not None
    swept = sweep_columns(at_hand.stack, at_hand.need, [Standing.BED_OR_PART] * len(made.undersides), PLA)
    above, here = swept.columns[1:], swept.columns[:-1]
    ended = shapely.difference(above, shapely.union(here, swept.sections[:-1]))
    thick = shapely.buffer(ended, -0.35 * PLA.line_width_mm)
    assert shapely.area(thick).max(initial=0.0) < 0.1, np.flatnonzero(shapely.area(thick) > 0.1)
    assert any(u.kind != "holds" for u in made.undersides) == bool(shapely.area(swept.columns).sum() > 0)
