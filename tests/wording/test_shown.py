"""What commands, pages, sheets and help show: no word that was given up, and cautions wherever hands are."""

from __future__ import annotations

import pytest

from falsework.cli.cautions import LEADS_TO_HANDLING
from falsework.planning.handling import job_of
from falsework.planning.value import Plan
from falsework.process import builtin
from falsework.wording import cautions as c
from falsework.wording.cautions import CautionedTask as Task
from falsework.wording.cautions import PrintFacts, cautions
from retired import retired_in
from shown import Shown, plain, shown

pytestmark = pytest.mark.usefixtures("quick")
ABS = builtin("abs-0.4")
PAGES = {  # what each leads to
    "audit.html": (Task.PRINT,),
    "bracket-plan/report.html": (Task.PRINT, Task.TAKE_OFF, Task.USE),
    "bracket-plan/settings.md": (Task.PRINT, Task.TAKE_OFF, Task.USE),
    "table-plan/settings.md": (Task.PRINT, Task.TAKE_OFF, Task.USE),
    "coupon/sheet.html": (Task.PRINT, Task.TAKE_OFF),
    "lies/lies.html": (Task.PRINT, Task.USE),
    "redrawn/redraw.html": tuple(Task),
    "release.html": (Task.TAKE_OFF, Task.USE),
    "tuned/sheet.html": (Task.PRINT, Task.TAKE_OFF),
    "tuned/tuning.html": (Task.PRINT, Task.TAKE_OFF),
}
NEED_NONE = {"tuned/process.toml"}  # settings alone


@pytest.fixture(scope="module")
def every() -> Shown:
    return shown()


def test_nothing_that_is_shown_has_a_retired_word(every: Shown) -> None:
    assert len(every.helps) > 25 and len(every.said) >= 14
    assert {name: found for name, text in every.every.items() if (found := retired_in(text))} == {}


def test_every_page_and_sheet_has_its_cautions(every: Shown) -> None:
    made = {
        name.replace(f"/{name.split('/')[1]}/", "/") if name.count("/") > 1 else name for name in every.pages
    }
    assert made == set(PAGES) | NEED_NONE
    for name, text in every.pages.items():
        short = name.replace(f"/{name.split('/')[1]}/", "/") if name.count("/") > 1 else name
        if short in NEED_NONE:
            continue
        for caution in cautions(*PAGES[short]):
            assert caution.head in text, (name, caution.head)
        assert c.RULES in text, name


def test_abs_has_its_sentence_and_its_heat_on_every_page_that_leads_to_a_print(every: Shown) -> None:
    fumes = c.fuming("ABS")
    assert fumes is not None
    for name in (
        "bracket-plan/report.html",
        "bracket-plan/settings.md",
        "lies/lies.html",
        "redrawn/redraw.html",
    ):
        assert plain(fumes.text) in every.pages[name], name
        assert "240 °C" in every.pages[name], name
    assert plain(fumes.text) in every.pages["tuned/tuning.html"]


def test_a_turn_says_what_it_does_to_strength_and_a_firm_foot_what_scrapers_do(every: Shown) -> None:
    for name in ("lies/lies.html", "redrawn/redraw.html"):
        assert plain(c.TURNED.text) in every.pages[name], name
    for name in ("bracket-plan/report.html", "bracket-plan/settings.md", "release.html"):
        assert "push a scraper flat and away from you" in every.pages[name], name
    assert "push a scraper flat" in every.said["falsework release bracket-plan"]


def test_every_command_that_leads_to_handling_says_where_the_cautions_are(every: Shown) -> None:
    for name, said in every.beside.items():
        leads = name.split()[1] in LEADS_TO_HANDLING and not name.startswith("falsework record")
        assert said.endswith(plain(c.ONE_LINE)) is leads, name
    assert {name.split()[1] for name in every.said} >= set(LEADS_TO_HANDLING) - {"demo", "screen"}


def test_the_commands_first_line_says_what_a_short_name_is(every: Shown) -> None:
    assert "positions on the bed ('lies' for short)" in every.helps["falsework lie --help"]
    assert "position on the bed" in every.helps["falsework plan --help"]


def test_what_is_known_of_the_job_is_in_its_cautions(every: Shown) -> None:
    said = [line.line for line in cautions(*Task, job=job_of(ABS, (90.0, 0.0, 0.0)))]
    assert any("240 °C" in plain(line) for line in said) and any("styrene" in line for line in said)
    assert not any("crapers" in line.line for line in cautions(*Task, job=PrintFacts()))
    assert Plan.__name__ == "Plan"
