"""The page of tuning: self-contained, every figure on it, readings where they belong."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from falsework.coupon import ConditionKind, CouponKind, candidate_conditions, printed
from falsework.droop.laws import Laws
from falsework.ledger import Entry, Ledger
from falsework.process import builtin
from falsework.report import curves, tuning_words
from falsework.report.tuning import tuning_html
from falsework.tuning.agreement import Agreement, agreement
from falsework.tuning.invented import invented_printer
from falsework.tuning.next_test import Next
from falsework.tuning.of_ledger import Fitted, fit_ledger
from falsework.tuning.posterior import PRIOR_POSTERIOR
from falsework.tuning.recommend import recommend
from falsework.tuning.results import Tuned
from falsework.tuning.survey import survey

PLA = builtin("pla-0.4")
DONE = Next((), True, "Enough.")


class Page(HTMLParser):
    """Tags with their attributes, and whether they are balanced."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br", "img", "input"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def parsed(text: str) -> Page:
    page = Page()
    page.feed(text)
    assert not page.wrong and not page.open
    return page


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(scope="module")
def found(few_steps: None, tmp_path_factory: pytest.TempPathFactory) -> Tuned:
    printer = replace(invented_printer(11), name='harbour <"printer">').with_gap(PLA, 0.5)
    ledger = Ledger.open(tmp_path_factory.mktemp("ledger") / "ledger.sqlite3")
    ledger.introduce(replace(PLA.printer, name=printer.name), PLA.material)
    cells = [
        c
        for kind in (CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP)
        for c in candidate_conditions(kind, Laws(PLA))
    ]
    # one of another strand counts, but is not drawn among these
    cells.append(printed(ConditionKind.OVERHANG, replace(PLA, layer_height_mm=0.1), angle_deg=60.0))
    day = datetime.date(2024, 3, 4)
    ledger.add_many([Entry(r, measured_on=day) for r in printer.readings(cells, 1)])
    process = replace(PLA, printer=replace(PLA.printer, name=printer.name))
    fitted = fit_ledger(ledger, process)
    here = survey(fitted.posterior, process, printer.name)
    advice = recommend(fitted.posterior, process, recorded=fitted.recorded, found=here)
    return Tuned(advice, DONE, agreement(fitted, printer.name, "PLA"), (), (), here, fitted)


@pytest.fixture(scope="module")
def page(found: Tuned) -> str:
    return tuning_html(found)


def test_the_page_asks_for_nothing_from_elsewhere(page: str) -> None:
    tags = parsed(page).tags
    assert not [a for _, a in tags if any(k in a for k in ("src", "href", "onclick", "style"))]
    assert "default-src &#39;none&#39;" in page
    assert "http" not in re.sub(r"http-equiv", "", page)
    assert "harbour &lt;&#34;printer&#34;&gt;" in page and '<"printer">' not in page


def test_every_recommended_value_and_every_gap_stands_on_it(found: Tuned, page: str) -> None:
    for advice in found.recommendation.advice:
        assert f"<b>{tuning_words.value(advice)}</b>" in page
    for gap in found.recommendation.gaps:
        assert f'<td class="n">{gap.gap_mm:.2f}</td>' in page
    assert found.next.advice in page
    assert found.recommendation.laws_said in page


def test_every_reading_is_listed_and_those_of_the_strand_are_points(found: Tuned, page: str) -> None:
    for row in found.fitted.recorded:
        assert f'<th scope="row" class="n">{row.id}</th>' in page
    dots = [a for tag, a in parsed(page).tags if tag == "circle"]
    hollow = [a for a in dots if "hollow" in (a["class"] or "")]
    bridges = [r for r in found.fitted.recorded if r.reading.condition.kind is ConditionKind.BRIDGE]
    supports = [r for r in found.fitted.recorded if r.reading.condition.kind is ConditionKind.SUPPORT]
    fins = [r for r in found.fitted.recorded if r.reading.condition.kind is ConditionKind.OVERHANG]
    assert len(hollow) == sum(r.reading.condition.fan == 0 for r in bridges) > 0
    assert len(dots) == len(bridges) + 2 * len(supports) + len(fins) - 1
    assert "1\u00a0reading of other strands" in page


def test_invented_readings_are_marked_at_the_top_and_one_by_one(found: Tuned, page: str) -> None:
    assert page.index("invented for demonstration, never measured") < page.index("What to set")
    assert page.count("<td>invented</td>") == len(found.fitted.recorded)


def test_an_empty_ledger_gives_a_page_of_common_practice() -> None:
    here = survey(PRIOR_POSTERIOR, PLA, "any", draws=300)
    advice = recommend(PRIOR_POSTERIOR, PLA, found=here)
    text = tuning_html(Tuned(advice, DONE, Agreement(), (), (), here, Fitted()))
    parsed(text)
    assert "common practice" in text and "<circle" not in text and "invented" not in text


def test_shares_stack_to_one_and_the_border_lies_where_it_is_put() -> None:
    x = np.array([0.0, 1.0, 2.0])
    grades = np.zeros((40, 3, 5))
    grades[..., 1], grades[..., 3] = 0.25, 0.75
    drawn = curves.shares(x, grades, "abcde", 2, [(1.0, 1), (1.0, 1), (9.0, 1)], [(1.0, "here")])
    top = curves.ROWS_TOP + 5 * curves.ROW + 10.0
    quarter = curves.BOTTOM - 0.25 * (curves.BOTTOM - top)
    assert set(re.findall(r"[\d.]+ ([\d.]+)", drawn.border)) == {f"{quarter:.1f}"}
    assert drawn.layers[4].path.count(f" {top:.1f}") == 6  # nothing of the best: no height
    assert len(drawn.dots) == 2 and drawn.dots[0].x != drawn.dots[1].x  # side by side; outside is not drawn
    assert drawn.dots[0].y == drawn.layers[1].row_y
    assert drawn.marks == ((round((curves.LEFT + curves.RIGHT) / 2, 1), "here"),)


def test_sag_is_drawn_on_logarithmic_axes() -> None:
    spans = np.geomspace(3, 240, 30)
    draws = np.tile(0.001 * spans**2, (10, 1))
    drawn = curves.sags(spans, [(draws, "a", [(10.0, 0.1), (40.0, 1.6)]), (draws, "b", [])], 0.3, [])
    (x0, y0), (x1, y1) = ((d.x, d.y) for d in drawn.dots)
    points = [(float(a), float(b)) for a, b in re.findall(r"([\d.]+) ([\d.]+)", drawn.lines[0].middle)]
    slope = (points[-1][1] - points[0][1]) / (points[-1][0] - points[0][0])
    assert (y1 - y0) / (x1 - x0) == pytest.approx(slope, rel=1e-2)  # a power law is a straight line
    assert drawn.lines[1].dashed and not drawn.lines[0].dashed
