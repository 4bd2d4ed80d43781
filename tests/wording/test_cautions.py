"""Cautions: one module holds them, and every page, sheet and command that leads to handling has them."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from falsework.cli.cautions import LEADS_TO_HANDLING
from falsework.planning.handling import job_of
from falsework.process import builtin
from falsework.wording import cautions as c
from falsework.wording.cautions import CautionedTask, PrintFacts, cautions
from plans import bracket_plan

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "src/falsework/report/page"
BENCH = ROOT / "src/falsework/bench/page/js"


def test_abs_is_warned_of_and_pla_is_not():
    heads = [one.head for one in cautions(CautionedTask.PRINT, job=job_of(builtin("abs-0.4")))]
    assert "Fumes of ABS" in heads
    assert not any(
        one.head.startswith("Fumes of")
        for one in cautions(CautionedTask.PRINT, job=job_of(builtin("pla-0.4")))
    )
    for name in ("ASA black", "PA6-CF", "Nylon 12", "POM", "pc blend"):
        assert c.fuming(name), name
    for name in ("", "PLA", "PETG", "path", "copper"):
        assert c.fuming(name) is None, name


def test_a_foot_that_holds_fast_has_a_word_on_scrapers():
    assert not any(
        "crapers" in one.line for one in cautions(CautionedTask.TAKE_OFF, job=PrintFacts(hold_n=20.0))
    )
    (line,) = (
        one.line
        for one in cautions(CautionedTask.TAKE_OFF, job=PrintFacts(hold_n=740.0))
        if "crapers" in one.line
    )
    assert "740" in line and "away from you" in line


def test_a_turn_that_changes_the_layers_says_so():
    process = builtin("pla-0.4")
    assert c.TURNED in cautions(CautionedTask.USE, job=job_of(process, (90.0, 0.0, 0.0)))
    assert c.STRENGTH in cautions(CautionedTask.USE, job=job_of(process, (0.0, 360.0, 45.0)))


def said(text: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", "", text))).replace("\\", "")


def missing(text: str, *tasks: CautionedTask, job: PrintFacts) -> list[str]:
    """Cautions that a page of these tasks lacks; their temperatures and forces included."""
    plain = said(text)
    lacks = [one.line for one in cautions(*tasks, job=job) if said(one.text) not in plain]
    return lacks + ([] if c.RULES in plain else [c.RULES])


def test_report_release_page_and_settings_sheet_hold_them():
    from falsework.files.settings_sheet import settings_sheet
    from falsework.report.order import report_html
    from falsework.report.release import release_html

    plan = bracket_plan()
    job = job_of(plan.process, plan.part.turn_deg, plan.release)
    everything = (CautionedTask.PRINT, CautionedTask.TAKE_OFF, CautionedTask.USE)
    assert missing(report_html(plan), *everything, job=job) == []
    assert missing(settings_sheet(plan), *everything, job=job) == []
    if plan.release is not None and plan.pieces:
        assert missing(release_html(plan), CautionedTask.TAKE_OFF, CautionedTask.USE, job=job) == []


@pytest.mark.parametrize("name", sorted(p.name for p in PAGES.glob("*.html")))
def test_every_page_has_the_list_or_is_a_part_of_one(name):
    text = (PAGES / name).read_text("utf-8")
    parts = ("macros.html", "page.html", "lies_section.html", "release_section.html")
    if name not in parts:
        assert "caution_list(" in text or "sheet.cautions" in text, (
            f"{name} leads to handling and warns of nothing"
        )
    assert "eye protection" not in text and "maker's manual" not in text, "the module says it"


@pytest.mark.parametrize(
    "name",
    [
        *("sheet/handover.js", "sheet/redraw.js", "sheet/lies.js", "sheet/program.js", "sheet/release.js"),
        *("ledger/ledger.js", "ledger/print.js", "tuning/tuning.js", "tuning/piece.js"),
    ],
)
def test_the_benchs_pages_take_them_from_the_bench(name):
    text = (BENCH / name).read_text("utf-8")
    assert re.search(r"cautionList\(|cautionSection\(|release\.cautions", text)
    assert "eye protection" not in text and "maker's manual" not in text


def test_every_command_that_leads_to_handling_ends_with_the_line(capsys):
    from falsework.cli.app import group
    from falsework.cli.cautions import remind

    assert set(LEADS_TO_HANDLING) <= set(group.commands)
    assert set(group.commands) - set(LEADS_TO_HANDLING) == {
        "inspect",
        "process",
        "ledger",
        "bench",
        "cautions",
    }
    for name in group.commands:
        remind(name)
        assert (c.ONE_LINE in capsys.readouterr().err) is (name in LEADS_TO_HANDLING), name


def test_the_command_says_all_of_it(capsys):
    from falsework.cli.app import run

    assert run(["cautions", "--process", "abs-0.4"]) == 0
    out = re.sub(r"\s+", " ", capsys.readouterr().out)
    for one in cautions(*CautionedTask, job=job_of(builtin("abs-0.4"))):
        assert said(one.text).replace("\u00a0", " ") in out, one.head
    assert c.RULES in out


def test_the_docs_page_is_what_the_module_says():
    text = re.sub(r"\s+", " ", (ROOT / "docs/cautions.md").read_text("utf-8"))
    for one in (*cautions(*CautionedTask), c.TURNED, c.fuming("ABS"), c.prying(740.0)):
        assert one is not None and re.sub(r"\s+", " ", one.text) in text, one.head
    assert c.RULES in text
