"""Changes made together on the plain table: proved by the plan made again, or else each added by itself."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from falsework.part import demo_parts
from falsework.planning import plan
from falsework.planning.value import Plan
from falsework.process import load_process
from falsework.redrawing.body.solids import redrawn_part
from falsework.redrawing.changes.draft import ChangeKind, Draft, Region
from falsework.redrawing.combine import Replanned, combine
from falsework.redrawing.pricing import priced
from falsework.redrawing.proof.prove import prove
from falsework.redrawing.site.ground import ground_of
from falsework.redrawing.site.value import Ground
from falsework.redrawing.value import Change
from falsework.request.weights import EQUAL
from falsework.support.choosing import chosen_option
from falsework.watch import QUIET, Watch

PROCESS = load_process("pla-0.4")


class Bench:
    """The table planned, and how often it was planned again."""

    def __init__(self) -> None:
        self.planned: Plan = plan(demo_parts()["table"](), PROCESS, release=False)
        self.ground: Ground = ground_of(self.planned)
        self.times = 0

    def change(self, *blocks: tuple[tuple[float, ...], tuple[float, ...]]) -> Change:
        """Blocks from corner to corner, in the frame of the table's own."""
        corner = self.ground.part.bounds_mm[0]
        solids = [Manifold.cube(np.subtract(high, low)).translate(corner + low) for low, high in blocks]
        draft = Draft(ChangeKind.CORBEL, 1, "", tuple(Region("block", solid) for solid in solids))
        option = chosen_option(self.planned.choices[0])
        return priced(self.ground, draft, prove(self.ground, draft), option, EQUAL)

    def again(self, solid: Manifold, watch: Watch) -> Replanned:
        self.times += 1
        redrawn = redrawn_part(self.ground.part, self.ground.solid, solid, {})
        replan = plan(redrawn, PROCESS, release=False)
        assert replan.geometry is not None  # the blocks lie within the table's outline: it stays in its place
        return Replanned(redrawn, replan, replan.geometry.stack, replan.geometry.need)


@pytest.fixture
def bench() -> Bench:
    return Bench()


WHOLE = ((0.0, 0.0, 0.0), (80.0, 50.0, 37.0))
SHELF = ((40.0, 25.0, 39.0), (41.0, 26.0, 60.0)), ((40.0, 25.0, 59.0), (70.0, 45.0, 60.0))


def test_what_is_good_together_is_planned_once(bench: Bench) -> None:
    found = combine(bench.ground, [(bench.change(WHOLE),), ()], bench.again, QUIET)
    assert [c.underside for c in found.changes] == [1] and found.dropped == ()
    assert found.proof is not None and found.proof.good and bench.times == 1
    assert found.replanned is not None and found.replanned.plan.pieces == ()


def test_what_hurts_is_left_out_and_the_next_best_taken(bench: Bench) -> None:
    good, hurts = bench.change(WHOLE), bench.change(*SHELF)
    assert good.proven and not hurts.proven
    found = combine(bench.ground, [(good,), (hurts,)], bench.again, QUIET)
    assert found.changes == (good,) and bench.times == 2
    (said,) = found.dropped
    assert (
        said.startswith("Underside 1: its changes do not go with those of 1: ") and "ask for support" in said
    )
    assert found.replanned is not None and found.replanned.redrawn.volume_mm3 == pytest.approx(80 * 50 * 40)
    found = combine(bench.ground, [(good,), (hurts, good)], bench.again, QUIET)
    assert found.changes == (good, good) and found.dropped == ()


def test_nothing_that_is_good_is_nothing(bench: Bench) -> None:
    found = combine(bench.ground, [(bench.change(*SHELF),)], bench.again, QUIET)
    assert found.changes == () and found.proof is None and found.replanned is None and len(found.dropped) == 1
