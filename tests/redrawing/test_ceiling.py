"""What still asks once layers are changed: the short way against the need of all strips."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from manifold3d import Manifold

from falsework.need.needmap import need_of
from falsework.redrawing.changes.trellis import trellis
from falsework.redrawing.changes.walls import Wall, trial
from falsework.redrawing.site.ceiling import Ceiling, asking_of, ceiling_of, may_ask
from falsework.redrawing.site.ground import asks
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from grounds import block, ground, worst


def ball() -> PlannedPart:
    return ground(
        Manifold.sphere(1.0, 96).scale((9, 6, 7)).translate((9, 6, 12)) + block((30, 0, 0), (34, 4, 1))
    )


def arch() -> PlannedPart:
    """Bridges of up to 24 mm, of which some are clean and some droop."""
    hole = Manifold.cylinder(12.0, 12.0, 12.0, 96).rotate((90, 0, 0)).translate((16, 12, 4))
    return ground(block((0, 0, 0), (32, 10, 24)) - hole - block((4, -1, -1), (28, 11, 4)))


def walls_under(site: UndersideSite, ceiling: Ceiling) -> list[Wall]:
    found = trellis(site, ceiling)
    assert found is not None
    return found.walls


@pytest.mark.parametrize("make", [ball, arch])
def test_undersides_none_of_whose_strips_may_ask_do_not(make) -> None:
    on = make()
    site = worst(on)
    ceiling = ceiling_of(site)
    walls = walls_under(site, ceiling)
    found = []
    for count in (1, 2, 3, len(walls) // 2, len(walls)):
        tried = trial(site, ceiling, walls[:count])
        may = may_ask(on, tried.figures)
        short = asking_of(on, tried.stack, *tried.strips, may)
        need = need_of(tried.stack, *tried.strips, on.laws)
        asking = np.array([asks(u, on.process) for u in need.undersides], dtype=bool)
        full = need.regions[asking[need.region_underside]]
        assert sorted(shapely.to_wkb(short)) == sorted(shapely.to_wkb(full))
        assert len(short) <= len(may)
        found.append(len(short))
    assert found[0] > 0  # some ask
    assert found[-1] < found[0]


@pytest.mark.parametrize("make", [ball, arch])
def test_layers_alike_are_taken_over_from_the_trial_before(make) -> None:
    site = worst(make())
    ceiling = ceiling_of(site)
    walls = walls_under(site, ceiling)
    before, kept = None, 0
    for some in (walls[:2], walls, walls[1:], walls[1:]):
        tried, anew = trial(site, ceiling, some, before), trial(site, ceiling, some)
        assert shapely.equals_exact(tried.sections, anew.sections, 1e-9).all()
        assert tried.strips[1].tolist() == anew.strips[1].tolist()
        assert (shapely.to_wkb(tried.strips[0]) == shapely.to_wkb(anew.strips[0])).all()
        if before is not None:
            kept += sum(a is b for a, b in zip(tried.sections, before.sections, strict=True))
        before = tried
    assert kept > 0
