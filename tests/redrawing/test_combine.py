"""Changes made together on the plain table: proved by the plan made again, or else each added by itself."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from manifold3d import Manifold

from falsework.part import demo_parts
from falsework.planning import inspect, plan
from falsework.planning.value import Plan
from falsework.process import load_process
from falsework.redrawing import combine as combine_module
from falsework.redrawing.body.written import roundable, written_part
from falsework.redrawing.changes.draft import ChangeKind, Draft, Region
from falsework.redrawing.combine import combine
from falsework.redrawing.pricing import Sayings, priced
from falsework.redrawing.proof.prove import prove
from falsework.redrawing.proof.whole import Written
from falsework.redrawing.site.ground import ground_of
from falsework.redrawing.site.value import PlannedPart
from falsework.redrawing.value import Change
from falsework.watch import QUIET, Watch

PROCESS = load_process("pla-0.4")


class Bench:
    """The table planned, and how often it was planned again."""

    def __init__(self) -> None:
        self.planned: Plan = plan(demo_parts()["table"](), PROCESS, release=False)
        self.ground: PlannedPart = ground_of(self.planned)
        self.times = 0

    def change(self, *blocks: tuple[tuple[float, ...], tuple[float, ...]]) -> Change:
        """Blocks from corner to corner, in the frame of the table's own."""
        corner = self.ground.part.bounds_mm[0]
        solids = [Manifold.cube(np.subtract(high, low)).translate(corner + low) for low, high in blocks]
        draft = Draft(ChangeKind.CORBEL, 1, "", tuple(Region("block", solid) for solid in solids))
        return priced(self.ground, draft, prove(self.ground, draft), self.planned, Sayings())

    def written(self, solid: Manifold, watch: Watch) -> Written:
        self.times += 1
        shift = np.zeros(3)  # the blocks lie within the table's outline: it stays in its place
        part = written_part(self.ground.part, self.ground.solid, roundable(solid, shift), {}, shift)
        seen = inspect(part, PROCESS).ground
        assert seen is not None
        return Written(part, shift, seen.stack, seen.need)

    def jittered(self, written: Written, watch: Watch) -> Written:
        return written

    def plan(self, written: Written, watch: Watch) -> Plan:
        return plan(written.part, PROCESS, release=False)


@pytest.fixture
def bench() -> Bench:
    return Bench()


WHOLE = ((0.0, 0.0, 0.0), (80.0, 50.0, 37.0))
LOOSE = ((40.0, 25.0, 45.0), (50.0, 35.0, 50.0))


def test_what_is_good_together_is_planned_once(bench: Bench) -> None:
    found = combine(bench.ground, [(bench.change(WHOLE),), ()], bench, QUIET)
    assert [c.underside for c in found.changes] == [1] and found.dropped == {}
    assert found.proof is not None and found.proof.good and bench.times == 1
    assert found.plan is not None and found.plan.pieces == ()


def test_what_hurts_is_left_out_and_the_next_best_taken(bench: Bench) -> None:
    good, hurts = bench.change(WHOLE), bench.change(LOOSE)
    assert good.proven and not hurts.proven
    found = combine(bench.ground, [(good,), (hurts,)], bench, QUIET)
    assert found.changes == (good,) and bench.times == 2
    assert found.dropped == {
        1: "with the changes of 1 something would begin in mid-air at x 115.0, y 115.0, z 45.0\u00a0mm"
    }
    assert found.written is not None and found.written.part.volume_mm3 == pytest.approx(80 * 50 * 40)
    found = combine(bench.ground, [(good,), (hurts, good)], bench, QUIET)
    assert found.changes == (good, good) and found.dropped == {}


def test_nothing_that_is_good_is_nothing_and_saves_nothing(bench: Bench) -> None:
    hurts = bench.change(LOOSE)
    found = combine(bench.ground, [(hurts,)], bench, QUIET)
    assert found.changes == () and found.proof is None and found.written is None and len(found.dropped) == 1
    assert found.unsound == {1} and hurts.saved_price == 0.0
    good = bench.change(WHOLE)
    fails = good.failing("its file would not be sound")
    assert good.saved_price > 0.0 and (fails.saved_price, fails.saved_g, fails.saved_s) == (0.0, 0.0, 0.0)
    assert not fails.offered and fails.faults == ("its file would not be sound",)


def test_what_went_for_another_s_fault_is_tried_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing points at the third change, which spoils whatever is made with it."""

    def proved(_: object, rows: list, *__: object) -> tuple[object, SimpleNamespace]:
        good = all(row.change.underside != 3 for row in rows)
        return None, SimpleNamespace(good=good, suspects=(), faults=() if good else ("it fails",))

    monkeypatch.setattr(combine_module, "_proved", proved)
    writer = SimpleNamespace(plan=lambda *_: None)
    rows = [(SimpleNamespace(underside=k, saved_price=price),) for k, price in ((1, 1.0), (2, 2.0), (3, 3.0))]
    found = combine(None, rows, writer, QUIET)  # type: ignore[arg-type]
    assert sorted(change.underside for change in found.changes) == [1, 2]
    assert set(found.dropped) == {3} == found.unsound  # it fails alone as well
