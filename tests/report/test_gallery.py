"""The page of several parts: a picture before and after, what was decided, whether it may be printed."""

from __future__ import annotations

from dataclasses import replace

from falsework.report.gallery import card, gallery_html
from plans import bracket_plan


def test_a_card_shows_what_was_decided_and_what_it_costs() -> None:
    plan = bracket_plan()
    shown = card(plan, "bracket/report.html")
    assert shown.before is not None and shown.before.view.below
    assert shown.after is not None and not shown.after.view.below and shown.carried
    assert shown.ready and shown.headline == "Ready to print."
    assert any("Support number 1 from the bed" in said for said in shown.decided)
    assert [what for what, _ in shown.facts] == ["price", "time", "filament", "of which support", "size"]


def test_the_page_is_one_file_that_leads_to_each_report() -> None:
    plans = {"one/report.html": bracket_plan("cleat <b>"), "two/report.html": bracket_plan(supported=False)}
    page = gallery_html("Museum", "Invented.", plans, {"tuning.html": "Tuning"})
    assert page == gallery_html("Museum", "Invented.", plans, {"tuning.html": "Tuning"})
    for address in (*plans, "tuning.html"):
        assert f'href="{address}"' in page
    assert "cleat &lt;b&gt;" in page and "<b>cleat" not in page
    assert page.count("<figure") == 4
    assert "Never unattended" in page
    assert 'src="' not in page and "http" not in page.replace("http-equiv", "")


def test_a_plan_that_was_stored_has_words_and_no_pictures() -> None:
    page = gallery_html("Museum", "", {"one/report.html": replace(bracket_plan(), geometry=None)}, {})
    assert "<figure" not in page and "Print it as it came" in page
