"""Commands that are not followed: the ones that matter are listed with their line, the others counted."""

from __future__ import annotations

import pytest

from audited import SQUARE
from falsework.auditing import Decision, FindingLevel, audit
from falsework.auditing.commands import MEANINGS, Effect
from programs import Writer, block, heights

SOUND = block(Writer(), SQUARE, heights(1.0)).end().bytes().decode().split("\n")
BEFORE, AMID = 6, len(SOUND) // 2


def with_line(line: str, at: int) -> bytes:
    return "\n".join([*SOUND[:at], line, *SOUND[at:]]).encode()


@pytest.mark.parametrize(
    "line", ["M92 X80", "M206 X5", "M851 Z-1", "M569 P0 S1", "M420 S1", "G55", 'M98 P"x.g"']
)
def test_what_changes_the_place_is_listed_with_its_line(line: str) -> None:
    (finding,) = audit(with_line(line, BEFORE)).findings
    assert finding.kind == "command" and finding.level is FindingLevel.CAUTION
    assert finding.lines == (BEFORE + 1,) and line.split()[0] in finding.says


@pytest.mark.parametrize(
    ("line", "kind", "level"),
    [
        ("G29", "command", FindingLevel.FAULT),
        ("M92 E200", "command", FindingLevel.FAULT),
        ("M206 X4", "command", FindingLevel.FAULT),
        ("M851 Z-1", "command", FindingLevel.CAUTION),
        ("M84", "stops", FindingLevel.RUIN),
        ("M112", "stops", FindingLevel.RUIN),
        ("M125", "command", FindingLevel.NOTE),
    ],
)
def test_in_the_middle_of_a_print_it_weighs_more(line: str, kind: str, level: FindingLevel) -> None:
    findings = audit(with_line(line, AMID)).findings
    assert [(f.kind, f.level) for f in findings] == [(kind, level)]
    assert "in the middle of the print" in findings[0].says


@pytest.mark.parametrize("line", ["M84", "M112", "M81"])
def test_behind_the_last_strand_it_does_not(line: str) -> None:
    assert audit(with_line(line, len(SOUND) - 2)).findings == ()


@pytest.mark.parametrize(
    "line", ["M73 P5", "M105", "M205 X8", "M900 K0.05", "M84 S600", "M862.3 P1", "M302 P0", "M211 S1"]
)
def test_harmless_ones_are_only_counted(line: str) -> None:
    result = audit(with_line(line, AMID))
    assert result.findings == ()
    assert result.answer.decision is Decision.PRINT


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("M302 P1", "cold allowed"),
        ("M302 S0", "cold allowed"),
        ("M211 S0", "limits off"),
        ("M564 S0", "limits off"),
        ("M564 H0", "limits off"),
        ("M104 S450", "nozzle too hot"),
        ("M104 T1 S450", "nozzle too hot"),
        ("M190 S200", "bed too hot"),
    ],
)
def test_what_is_dangerous_is_not_to_be_printed(line: str, kind: str) -> None:
    result = audit(with_line(line, BEFORE))
    assert result.answer.decision is Decision.DO_NOT
    assert result.findings[0].kind == kind


@pytest.mark.parametrize("kept", ["M104 S0", "M140 S0"])
def test_no_heater_is_left_on(kept: str) -> None:
    program = "\n".join(line for line in SOUND if line != kept).encode()
    (finding,) = audit(program).findings
    assert finding.kind == "left hot" and finding.level is FindingLevel.RUIN


def test_every_command_has_one_meaning() -> None:
    assert all(m.says for m in MEANINGS.values() if m.effect is not Effect.NOTHING)
    assert all(word[0] in "GM" for word in MEANINGS)
