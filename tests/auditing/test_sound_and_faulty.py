"""Fifty sound programs without a finding, and every kind of planted fault found."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from audited import SQUARE, faults, sound_alone, sound_with_plan
from falsework.auditing.findings import SITE_KINDS
from falsework.auditing.pipeline import audit
from falsework.auditing.value import Audit
from falsework.auditing.views import views_of
from programs import Writer, block, heights

ALONE = list(sound_alone())
FAULTS = faults()


def test_there_are_as_many_as_there_should_be() -> None:
    assert len(ALONE) >= 43
    assert len({kind for kind, _ in FAULTS.values()}) >= 30


@pytest.mark.parametrize(
    "make", [make for _, make in ALONE], ids=[f"{k} {n}" for k, (n, _) in enumerate(ALONE)]
)
def test_a_sound_program_has_no_finding(make: Callable[[], bytes]) -> None:
    result = audit(make())
    assert result.findings == () and result.worst is None
    assert result.verdict == "Print it: no problem found."
    # what comes out of the nozzle is what lies there
    assert result.figures.rebuilt_mm3 == pytest.approx(result.figures.pushed_mm3, rel=1e-3)


def test_a_program_that_prints_its_plan_has_no_finding() -> None:
    planned = list(sound_with_plan())
    assert len(ALONE) + len(planned) >= 50
    for name, program, plan in planned:
        result = audit(program, plan)
        assert result.findings == (), name
        assert result.against == "plan" and result.placement is not None
        assert result.placement.covered > 0.99
        for underside in result.undersides:
            assert underside.verdict in ("as planned", "carried"), name
            if underside.planned_gap_mm:
                assert underside.gap_mm == pytest.approx(underside.planned_gap_mm, abs=0.001)
                assert underside.interface_layers == plan.process.structure.interface_layers
                assert underside.spacing_mm == pytest.approx(plan.process.structure.spacing_mm, rel=0.15)
                assert underside.carried_share > 0.9


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_fault_is_found(name: str) -> None:
    kind, make = FAULTS[name]
    made = make()
    program, plan = made if isinstance(made, tuple) else (made, None)
    result = audit(program, plan)
    mine = [f for f in result.findings if f.kind == kind]
    assert mine, [f.kind for f in result.findings]
    for finding in mine:
        assert finding.says and finding.cure and finding.count >= 1
        if finding.place is not None:
            a, b = finding.place.lines
            assert 1 <= a <= b <= result.figures.lines
            assert all(a <= line <= b for line in finding.place.own_lines)
            x0, y0, x1, y1 = finding.place.box_mm
            assert x0 <= finding.place.at_mm[0] <= x1 and y0 <= finding.place.at_mm[1] <= y1
    assert Audit.from_json(result.to_json()) == result
    ranks = [f.level.rank for f in result.findings]
    assert ranks == sorted(ranks, reverse=True)


def test_scattered_strands_are_told_by_their_own_lines_and_marked_alone() -> None:
    """Two strands doubled, with others laid in between: the picture marks these two."""
    writer = block(Writer(), SQUARE, heights(0.4))
    writer.layer(0.6, 0.2)
    doubled = []
    for y in (50.0, 52.0, 54.0, 50.0, 56.0, 52.0):
        writer.path([(50.0, y), (60.0, y)])
        doubled.append(next(k for k in range(writer.line, 0, -1) if "X60.0" in writer.lines[k - 1]))
    result = audit(writer.end().bytes())
    place = next(f.place for f in result.findings if f.kind == "laid twice")
    assert place is not None and place.own_lines == (doubled[3], doubled[5])
    (view,) = views_of(result.geometry, [place])
    assert view.marked.sum() == 2


def test_every_kind_met_in_the_layers_has_been_planted() -> None:
    planted = {kind for kind, _ in FAULTS.values()}
    assert SITE_KINDS.keys() <= planted
