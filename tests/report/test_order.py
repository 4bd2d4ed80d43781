"""The page: self-contained, the same bytes twice, numbers with units, the tables as the plan has them."""

from __future__ import annotations

import base64
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest

from falsework.cost.cost import Cost
from falsework.droop.estimate import Estimate
from falsework.need.underside import UndersideKind
from falsework.part.part import MeshFinding
from falsework.process.schema import TABLES, describe, get, rows_of
from falsework.report import order, report_html, solid
from falsework.report.chart import make_chart, ticks
from falsework.report.scene import make_scene
from falsework.report.solid import pack
from falsework.report.verdict import verdict
from falsework.watch import Watch
from falsework.wording import figures as words
from falsework.wording import terms
from falsework.wording.notices import WeakPieces
from plans import bracket_plan, underside
from solids import sphere

VOID = {"meta", "input", "image", "path", "rect", "circle", "ellipse", "br", "img"}


class Page(HTMLParser):
    """Every element with its attributes, the text under it, and whether tags balance."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.open, self.faults = [], [], []
        self.feed(text)
        self.close()
        self.faults += [tag for tag, _ in self.open]

    def handle_starttag(self, tag, attributes):
        element = {"tag": tag, "text": "", **dict(attributes)}
        self.elements.append(element)
        if tag not in VOID:
            self.open.append((tag, element))

    def handle_startendtag(self, tag, attributes):
        self.elements.append({"tag": tag, "text": "", **dict(attributes)})

    def handle_endtag(self, tag):
        if self.open and self.open[-1][0] == tag:
            self.open.pop()
        else:
            self.faults.append(tag)

    def handle_data(self, data):
        for _, element in self.open:
            element["text"] += data

    def all(self, tag):
        return [e for e in self.elements if e["tag"] == tag]


@pytest.fixture(scope="module", autouse=True)
def small_pictures():
    """Pictures have tests of their own; here they only cost time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(order, "_PIXELS", (0.3, 0.3, 0.3))
        yield


@pytest.fixture(scope="module")
def plan():
    return bracket_plan()


@pytest.fixture(scope="module")
def text(plan):
    return report_html(plan)


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_the_page_refers_to_nothing_outside_itself(text, page):
    assert not re.findall(
        r"(?:https?:)?//[a-z]", re.sub(r"base64,[A-Za-z0-9+/=]+", "", text).split("<script")[0]
    )
    assert "http" not in text.replace("http-equiv", "")
    for e in page.elements:
        for name in ("src", "href", "action"):
            assert e.get(name, "#").startswith(("#", "data:image/png")), e
    (policy,) = [m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert "unsafe" not in policy


def test_tags_balance_and_headings_follow_in_order(page):
    assert page.faults == []
    levels = [int(e["tag"][1]) for e in page.elements if re.fullmatch(r"h[1-6]", e["tag"])]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


def test_language_names_and_alternatives_are_given(page):
    (html,) = page.all("html")
    assert html["lang"] == "en"
    ids = [e["id"] for e in page.elements if "id" in e]
    assert len(ids) == len(set(ids))
    for e in page.elements:
        if e.get("role") == "img":
            assert len(e["aria-label"]) > 20
        if "aria-labelledby" in e:
            assert e["aria-labelledby"] in ids
        if "scroll" in e.get("class", "").split():
            assert e["tabindex"] == "0" and e["aria-label"]
        assert "style" not in e  # the policy would block it
    for svg in page.all("svg"):
        assert svg.get("role") == "img" or svg.get("aria-hidden") == "true"


def test_the_same_plan_gives_the_same_bytes(plan, text):
    assert report_html(bracket_plan()) == text


def test_sections_follow_the_order_of_deciding(page):
    assert [h["text"] for h in page.all("h2")] == [
        "What to do", "What arrived", "Pictures", "Undersides", "By height",
        "Where supports start, side by side", "How the support is built", "Cost", "Cautions",
        "What the figures rest on", "Process used",
    ]  # fmt: skip


def test_the_table_of_undersides_says_what_the_plan_says(plan, page):
    rows = [e for e in page.all("tr") if e.get("id", "").startswith("underside-")]
    assert [r["id"] for r in rows] == [f"underside-{u.number}" for u in plan.undersides]
    chosen = {c.underside: c for c in plan.choices}
    for row, u in zip(rows, plan.undersides, strict=True):
        said = row["text"]
        assert terms.KIND[u.kind] in said
        for value, unit in (
            (u.area_mm2, "mm²"),
            (u.droop_mm.value, "mm"),
            (u.supported_droop_mm.value, "mm"),
        ):
            assert words.with_unit(value, unit) in said
        assert words.interval(u.droop_mm, "mm") in said
        assert words.interval(u.supported_droop_mm, "mm") in said
        assert chosen[u.number].why in said
        assert terms.DECISION[chosen[u.number].chosen] in said
    assert "36.0\u00a0mm span" in rows[1]["text"] and "40.0\u00a0mm free" in rows[0]["text"]


def test_every_number_in_the_tables_has_its_unit(page):
    unit = r"(mm|mm²|cm³|m|g|s|min|h|°|¤|×|layers?|undersides?|:1)"
    tables = [e for e in page.all("td") if e.get("class") == "n"]
    settings = sum(len(rows_of(table)) for table in TABLES)
    figures = [e["text"].strip() for e in tables[: len(tables) - settings]]
    assert len(figures) > 60
    for said in figures:
        assert said == "–" or re.search(rf"\d[\s\u00a0]?{unit}(\s|$|\d)", said), said


def test_all_settings_are_listed_with_unit_and_meaning(plan, page):
    (details,) = page.all("details")
    cells = [e["text"] for e in page.all("td")]
    for row in describe():
        assert row.field in details["text"] and row.help in details["text"]
        if row.unit:
            unit = f"¤ {row.unit}" if row.unit.startswith("per ") else row.unit
            value = f"{get(plan.process, row):g}\u00a0{unit}"
            assert value in cells, row


def test_the_chosen_standing_is_marked_not_by_colour_alone(page):
    (row,) = [e for e in page.all("tr") if e.get("class") == "chosen"]
    assert "▶" in row["text"] and "chosen" in row["text"]


def test_a_hostile_name_stays_text():
    text = report_html(bracket_plan('x</title><script>alert("1")</script>&\udcff'))
    assert "<script>alert" not in text
    assert Page(text).faults == []


def test_without_geometry_the_page_says_so(plan):
    page = Page(report_html(replace(plan, geometry=None)))
    assert page.faults == [] and not page.all("image") and not page.all("canvas")
    assert any("without its geometry" in p["text"] for p in page.all("p"))
    assert len([e for e in page.all("tr") if e.get("id", "").startswith("underside-")]) == 3


def test_without_undersides_or_supports_there_is_still_a_page(plan):
    bare = bracket_plan(supported=False)
    empty = replace(bare.geometry.need, undersides=(), regions=np.zeros(0, dtype=object),
                    region_layer=np.zeros(0, np.int64), region_underside=np.zeros(0, np.int64))  # fmt: skip
    nothing = replace(
        bare, undersides=(), choices=(), warnings=(), geometry=replace(bare.geometry, need=empty),
        layers=replace(bare.layers, need_mm2=(0.0,) * bare.layers.count),
    )  # fmt: skip
    page = Page(report_html(nothing))
    assert page.faults == []
    assert "it needs no support" in next(p["text"] for p in page.all("p") if p.get("class") == "verdict")


def test_many_undersides_are_folded_and_none_is_lost(plan):
    many = tuple(
        underside(k + 1, list(UndersideKind)[k % 4], droop_mm=Estimate(1.0, 0.5, 2.0)) for k in range(75)
    )
    page = Page(report_html(replace(plan, undersides=many)))
    rows = [e["id"] for e in page.all("tr") if e.get("id", "").startswith("underside-")]
    assert rows == [f"underside-{k + 1}" for k in range(75)]
    assert any(e["text"] == "The other 45 undersides" for e in page.all("summary"))


def test_findings_are_told_with_their_place_and_weight(plan):
    found = (MeshFinding("hole", 3, "", (1.25, -2.0, 3.0), serious=True),)
    text = Page(report_html(replace(plan, part=replace(plan.part, findings=found, closed=False)))).all(
        "section"
    )[1]["text"]
    assert "hole: 3, first at x\u00a01.3, y\u00a0−2.0, z\u00a03.0\u00a0mm" in text
    assert "serious" in text and "left as it is" in text and "not closed" in text


def test_progress_is_told():
    told = []
    report_html(bracket_plan(), Watch(tell=lambda step, share: told.append((step, share))))
    assert [s for _, s in told] == sorted(s for _, s in told)
    assert {"pictures", "solid view", "page"} == {step for step, _ in told}


# ---- words ----


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0, "0"), (0.003, "under 0.01"), (0.251, "0.25"), (12.34, "12.3"), (-2.0, "−2.0"), (480.2, "480"),
     (12345.6, "12\u202f346"), (float("inf"), "beyond the model")],
)  # fmt: skip
def test_numbers_read_well(value, said):
    assert words.number(value) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0, "0 s"), (42, "42 s"), (59.7, "1 min"), (3570, "1 h"), (3599, "1 h"), (7890, "2 h 12 min")],
)
def test_durations_read_well(seconds, said):
    assert words.duration(seconds).replace("\u00a0", " ") == said


def test_the_verdict_names_what_to_support_and_what_is_left(plan):
    said = " ".join(verdict(plan)).replace("\u00a0", " ")
    assert "Print it as it came: 50.0 × 20.0 × 30.0 mm." in said
    assert "Support number 1 from the bed; leave the other 2 as they are." in said
    assert "sag by at most 0.40 mm (number 2; 90 % interval 0.10 to 0.90 mm)" in said
    weak = replace(plan, warnings=(*plan.warnings, WeakPieces((1,))))
    said = " ".join(verdict(weak))
    assert said.startswith("Not ready to print. Piece 1 may not stand by itself.")


# ---- chart and solid view ----


def test_the_chart_stands_at_the_right_heights(plan):
    chart = make_chart(plan, make_scene(plan.geometry))
    of_mm = {text: y for y, text in chart.height_ticks}
    per_mm = (of_mm["0"] - of_mm["20"]) / 20.0
    assert chart.marks[0].y == pytest.approx(of_mm["0"] - 25.0 * per_mm, abs=0.01)
    (bar,) = chart.bars  # one layer has need: 25.0 to 25.2 mm, in a band of one or two layers
    assert (
        bar.y <= of_mm["0"] - 25.2 * per_mm + 0.01 <= of_mm["0"] - 25.0 * per_mm <= bar.y + bar.height + 0.01
    )
    assert chart.marks[0].low_x < chart.marks[0].x < chart.marks[0].high_x
    # the silhouette is the bracket's outline: 10 × 25 and 50 × 5 mm
    runs = re.findall(r"M([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)", chart.shadow)
    area = sum((float(c) - float(a)) * (float(d) - float(b)) for a, b, c, d in runs)
    wide = max(float(c) for _, _, c, _ in runs) - min(float(a) for a, _, _, _ in runs)
    assert area == pytest.approx(500.0 * per_mm * wide / 50.0, rel=0.02)


def test_ticks_are_round_and_end_in_time():
    assert ticks(67.3, 8) == [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]
    assert ticks(0.0, 4) == [0.0]
    assert ticks(1.0, 4)[-1] <= 1.0


def unpacked(packed):
    """Corners (mm) and face tags as the page's script reads them, written anew from its layout."""
    facts, blob = json.loads(packed.facts), zlib.decompress(base64.b64decode(packed.data))
    out, at = [], 0
    for name in ("part", "supports"):
        points, faces = facts[name]["points"], facts[name]["faces"]
        planes = np.frombuffer(blob, np.uint8, 6 * points, at).reshape(2, 3, points).astype(np.int64)
        at += 6 * points
        grid = np.cumsum(planes[0] + 256 * planes[1], axis=1).T % 65536
        planes = np.frombuffer(blob, np.uint8, 12 * faces, at).reshape(4, 3 * faces).astype(np.int64)
        at += 12 * faces
        turned = (planes * (256 ** np.arange(4))[:, None]).sum(axis=0)
        corner = np.cumsum((turned >> 1) ^ -(turned & 1))
        out.append(np.array(facts["low"]) + facts["unit"] * grid[corner].reshape(-1, 3, 3))
    assert at == len(blob)
    tags = np.concatenate([np.full(c, t) for t, c in facts["part"]["runs"]])
    return out[0], out[1], tags


def test_the_solid_view_carries_the_mesh_within_a_grid_step(plan):
    scene = make_scene(plan.geometry)
    part, supports, tags = unpacked(pack(scene, plan))
    order = np.argsort(scene.part.tag, kind="stable")
    np.testing.assert_allclose(part, scene.part.corners[order], atol=50.0 / 65535)
    np.testing.assert_allclose(supports, scene.supports.corners, atol=50.0 / 65535)
    np.testing.assert_array_equal(tags, scene.part.tag[order])


def test_a_mesh_past_the_limit_is_thinned_and_the_page_says_so(plan, monkeypatch):
    monkeypatch.setattr(solid, "_MOST_TRIANGLES", 30_000)
    vertices, faces = sphere(radius=10.0, sides=192, bands=96)
    part = replace(plan.geometry.part, vertices=vertices + np.array([100.0, 110.0, 0.0]), faces=faces)
    scene = make_scene(replace(plan.geometry, part=part))
    packed = pack(scene, plan)
    corners, _, _ = unpacked(packed)
    assert 10_000 < len(corners) <= 30_000
    assert "thinned to" in packed.remark
    # clustering moves a corner by at most half a cell along each axis
    away = np.linalg.norm(corners - [100.0, 110.0, 10.0], axis=2)
    assert np.abs(away - 10.0).max() < 0.5
    monkeypatch.setattr(solid, "_MOST_TRIANGLES", 10)
    assert "too many" in pack(scene, plan).why_not and pack(scene, plan).data == ""


def test_past_five_megabytes_the_solid_view_is_left_out(plan, monkeypatch):
    monkeypatch.setattr(order, "_MOST_BYTES", 1000)
    page = Page(report_html(plan))
    assert not page.all("canvas") and not page.all("script")
    assert any("The solid view is left out" in p["text"] for p in page.all("p"))


def test_costs_add_up_on_the_page(plan, page):
    total = plan.part_cost + plan.support_cost
    assert isinstance(total, Cost)
    (row,) = [e for e in page.all("tr") if e.get("class") == "sum"]
    for said in (words.mass(total.mass_g), words.duration(total.time_s), words.price(total.price)):
        assert said in row["text"]
