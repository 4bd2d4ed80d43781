"""The settings sheet says each choice as the plan holds it, in tables that readers take apart right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from falsework.files.settings_sheet import settings_sheet
from falsework.need.underside import UndersideKind
from falsework.planning.value import Plan
from falsework.process.derived import Gap
from falsework.process.settings import Material, Process, Structure
from falsework.request.standing import Standing
from plans import bracket_plan, underside


def rows(sheet: str) -> dict[str, list[str]]:
    """Cells of every table row by the text of its first cell."""
    cells = [line.strip("| ").split(" | ") for line in sheet.splitlines() if line.startswith("| ")]
    return {row[0]: row[1:] for row in cells}


def chosen(plan: Plan, *standings: Standing) -> Plan:
    return replace(
        plan,
        choices=tuple(replace(c, chosen=s) for c, s in zip(plan.choices, standings, strict=True)),
    )


def test_every_choice_is_a_number_with_its_unit() -> None:
    structure = Structure(
        weave="crossed", spacing_mm=3.0, line_angle_deg=30.0, perimeter_lines=1, interface_layers=3,
        interface_layers_below=2, side_gap_mm=0.35, foot_widening_mm=1.5,
    )  # fmt: skip
    process = Process(
        name="bench", nozzle_mm=0.6, layer_height_mm=0.3, line_width_mm=0.66, fan=0.4, structure=structure,
        material=Material(name="PETG", nozzle_temperature_c=240.0, bed_temperature_c=80.0),
    )  # fmt: skip
    plan = replace(
        bracket_plan(process=process), limit_deg=38.5, gap=Gap(0.5, 2, 0.6), gap_below=Gap(0.3, 1, 0.3)
    )
    found = rows(settings_sheet(plan))

    def value(start: str) -> list[tuple[str, str]]:
        return [(cells[0], cells[1]) for first, cells in found.items() if first.startswith(start)]

    assert value("limit angle, measured from the vertical") == [("38.5", "°")]
    assert value("limit angle, measured from the horizontal") == [("51.5", "°")]
    assert value("sideways clearance") == [("0.35", "mm")]
    assert value("interface layers on top") == [("3", "layers")]
    assert value("interface layers below") == [("2", "layers")]
    assert value("weave") == [("crossed", "")]
    assert value("spacing of the body's lines") == [("3", "mm")]
    assert value("the same as a density") == [("22", "%"), ("44", "%")]  # 0.66 / 3, and both sets
    assert value("direction of the body's lines") == [("30", "°")]
    assert value("closed lines around the support") == [("1", "lines")]
    assert value("widening of the foot") == [("1.5", "mm")]
    assert value("layer height") == [("0.3", "mm")]
    assert value("cooling fan") == [("40", "%")]
    assert value("nozzle temperature") == [("240", "°C")]
    assert value("bed temperature") == [("80", "°C")]


def test_gaps_are_said_as_asked_and_as_realised() -> None:
    sheet = settings_sheet(replace(bracket_plan(), gap=Gap(0.5, 2, 0.4)))
    lines = [line for line in sheet.splitlines() if line.startswith("| air gap on top")]
    assert [line.split(" | ")[1:3] for line in lines] == [["0.5", "mm"], ["2", "layers"], ["0.4", "mm"]]
    assert "does not divide what was asked for" in lines[0]
    assert "does not divide" not in settings_sheet(bracket_plan())


@pytest.mark.parametrize(
    ("standings", "says"),
    [
        (("leave", "leave", "leave"), ["**No supports.**"]),
        (
            ("bed", "leave", "leave"),
            ["on the bed only**, under underside 1.", "Keep supports away from underside 2"],
        ),
        (("bed", "bed", "leave"), ["on the bed only**, under undersides 1 and 2."]),
        (
            ("bed-or-part", "bed", "leave"),
            ["on the bed and on the part.**", "only under underside 1.", "Under underside 2 they"],
        ),
    ],
)
def test_standing_in_plain_sentences(standings: tuple[str, ...], says: list[str]) -> None:
    sheet = settings_sheet(chosen(bracket_plan(), *map(Standing, standings)))
    for text in says:
        assert text in sheet


def test_bridges_have_a_direction() -> None:
    sheet = settings_sheet(bracket_plan())
    assert "| 2 | 36 | 30 | 25 | 0.4 (0.1 to 0.9) | no support |" in sheet
    flat = replace(bracket_plan(), undersides=(underside(1),))
    assert "There is no bridge." in settings_sheet(flat)


def test_undersides_that_hold_are_counted_not_listed() -> None:
    sheet = settings_sheet(bracket_plan())
    assert "| 1 | cantilever | 800 | 90 |" in sheet
    assert "Not listed: 1 more" in sheet
    all_hold = replace(bracket_plan(), undersides=(underside(1, UndersideKind.HOLDS),))
    assert "No underside needs a decision." in settings_sheet(all_hold)


def test_cautions_say_on_what_droop_rests() -> None:
    sheet = settings_sheet(bracket_plan())
    assert "- figures rest on a prior: no coupon has been printed" in sheet
    assert "predicted, not measured" in sheet


def test_what_was_done_for_stability_is_passed_on() -> None:
    plan = bracket_plan()
    assert "To stand by themselves" not in settings_sheet(plan)
    braced = replace(plan, pieces=tuple(replace(p, remedy="lines tied every 8 mm") for p in plan.pieces))
    assert "under underside 1 got more than the numbers above say: lines tied every 8 mm." in settings_sheet(
        braced
    )


def test_names_cannot_break_the_tables() -> None:
    plan = bracket_plan("a|b\n# <c> *d*", process=Process(material=Material(name="P|L")))
    sheet = settings_sheet(plan)
    assert sheet.startswith("# Settings sheet: a\\|b \\# \\<c\\> \\*d\\*\n")
    tables = [block for block in sheet.split("\n\n") if block.startswith("|")]
    for table in tables:
        widths = {line.replace("\\|", "").count("|") for line in table.splitlines()}
        assert len(widths) == 1


def test_same_plan_same_text() -> None:
    assert settings_sheet(bracket_plan()) == settings_sheet(bracket_plan())
