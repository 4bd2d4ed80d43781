"""A quick share of ``benchmarks/audit_faults.py``: sound programs pass, planted faults are named first.

The tests' own slicing in shapely is the reference; faults by construction.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import afresh
import further
import planted
import practice
import unforeseen
from falsework.auditing import Decision, FindingLevel, audit
from primitives import SOLIDS
from programs import Writer
from sliced import Level, Recipe, levels_of, moved, sliced, with_prime, with_skirt, written

REAL = Path(__file__).parents[1] / "data" / "programs"
_QUICK = ("table", "shelf", "cleat")  # the least of those that lend themselves to most faults


def weighty(result) -> list[str]:
    return [f"{f.kind}: {f.says}" for f in result.findings if f.level.rank >= FindingLevel.FAULT.rank]


def test_a_boat_like_test_part_passes() -> None:
    """Flared hull, arched windows, a flat roof that bridges, bores, sparse fill, skirt and prime line."""
    levels = moved(levels_of(sliced(SOLIDS["boat"](), Recipe())), 100.0, 100.0)
    result = audit(written(with_prime(with_skirt(levels), 0), Writer(hop=0.2)).end().bytes())
    assert weighty(result) == []
    assert result.answer.decision is Decision.PRINT
    assert result.figures.fed_share == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("name", ["plot-part", "plant-sign", "vase-spiral"])
def test_real_programs_pass(name: str) -> None:
    result = audit(REAL / f"{name}.gcode.gz")
    assert weighty(result) == []
    assert result.answer.decision is Decision.PRINT


def test_a_few_strands_of_support_over_nothing_are_no_reason_not_to_print() -> None:
    """Designed supports of the bracket have some that begin in the air; they may show, and ruin nothing."""
    plan, levels = planted.plan_of("bracket on shores"), planted.planned_levels("bracket on shores")
    result = audit(planted.planned_bytes(levels, "bracket on shores"), plan)
    assert result.answer.decision is Decision.PRINT
    assert all(f.level is FindingLevel.CAUTION for f in result.findings if f.kind == "support off the bed")


def test_a_layer_that_a_real_program_skips_is_found() -> None:
    result = audit(REAL / "cube-form.gcode.gz")
    assert [f.kind for f in result.findings if f.level is FindingLevel.FAULT] == ["floats"]
    assert result.answer.says.startswith("Look at this before you print")


@pytest.mark.parametrize("k", range(0, 9, 2))
def test_sound_programs_have_no_fault(k: int) -> None:
    """Each thirty-eighth of all, made where it is read."""
    (case,) = planted.sound_alone(every=190, offset=19 * (k + 1))
    assert weighty(audit(case.program)) == [], case.name


@pytest.mark.parametrize(
    "name",
    [
        "bracket, thin layers, raft without gap, words",  # the raft's lines lie apart
        "bracket, zigzag, fuzzy, from the start",  # lines squeezed in between others
    ],
)
def test_what_few_layers_show_says_nothing_of_the_flow(name: str) -> None:
    result = audit(planted.sound_one(*name.split(", ")).program)
    assert result.figures.fed_share == pytest.approx(1.0, abs=0.01) and weighty(result) == []


def test_a_support_that_begins_above_the_bed_is_found_without_a_plan_too() -> None:
    case = next(planted.cases_of(("support begins above the bed",), ("table",)))
    result = audit(case.program)
    assert result.answer.decision is Decision.DO_NOT and result.findings[0].kind == "on nothing"
    assert result.would_add.startswith("Held against its part or plan it would also tell")


@pytest.mark.parametrize("part", ["table", "shelf", "table on shores", "bracket on shores"])
def test_a_program_of_its_plan_has_no_fault(part: str) -> None:
    plan, levels = planted.plan_of(part), planted.planned_levels(part)
    result = audit(planted.planned_bytes(moved(levels, 9.0, -4.0), part), plan)
    assert weighty(result) == []
    assert len(result.copies) == 1


def test_an_air_gap_of_less_than_a_quarter_of_a_layer_is_measured() -> None:
    """The support goes on by a layer and a low one, up to 0.04 mm beneath the table's top."""
    levels, plan = list(planted.planned_levels("table")), planted.plan_of("table")
    top = max(k for k, level in enumerate(levels) if any(s.role == "interface" for s in level.strokes))
    roof = [s for s in levels[top].strokes if s.role == "interface"]
    levels[top + 1] = replace(levels[top + 1], strokes=[*roof, *levels[top + 1].strokes])
    low = Level(round(levels[top + 2].z - 0.04, 6), 0.16, [replace(s, height=0.16) for s in roof])
    levels.insert(top + 2, low)
    (underside,) = audit(planted.planned_bytes(levels, "table"), plan).undersides
    assert underside.gap_mm == pytest.approx(0.04, abs=0.001)


@pytest.mark.parametrize("part", ["table", "cleat", "pulley"])
def test_supports_of_a_slicing_program_instead_of_the_planned_ones_are_judged_by_what_they_carry(
    part: str,
) -> None:
    """They stand elsewhere, with another gap: that is said, and nothing is said to be missing."""
    levels = moved(levels_of(sliced(SOLIDS[part](), Recipe(height=0.2, first=0.2))), 100.0, 100.0)
    result = audit(planted.planned_bytes(levels, part), planted.plan_of(part))
    assert {f.kind for f in result.findings if f.level.rank >= FindingLevel.FAULT.rank} == {"gap"}


_ALL = {
    **planted.FAULTS,
    **{name: unforeseen.FAULTS[name] for name in unforeseen.LOOKED_AT[::2]},
    **{name: further.FAULTS[name] for name in ("sparse fill left out", "a tenth of the strands fed nothing")},
    **{
        name: afresh.FAULTS[name]
        for name in (
            "two copies that touch",
            "supports that nobody planned, before a wall",
            "an hour's wait over the part, hot",
            "corners rounded off",
            "support leans away",
            "outer walls fed seven tenths",
        )
    },
    **{
        name: practice.FAULTS[name]
        for name in (
            "fill that ends before the walls",
            "from half way on a tool that was never heated",
            "heat asked for and not waited for",
            "sinks by half a layer half way up",
            "the last layer missing",
        )
    },
}


@pytest.mark.parametrize("k", [pytest.param(k, id=name) for k, name in enumerate(_ALL)])
def test_a_planted_fault_is_named_first(k: int) -> None:
    """Each kind on one of three parts, going round."""
    name = list(_ALL)[k]
    parts = [*_QUICK[k % 3 :], *_QUICK[: k % 3]]
    case = next(planted.cases_of((name,), tuple(parts), _ALL))
    result = audit(case.program, case.plan)
    assert result.findings[0].kind in case.kinds, [f.kind for f in result.findings]
    assert result.answer.decision is not Decision.PRINT or result.findings[0].level is FindingLevel.CAUTION
