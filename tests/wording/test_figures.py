"""Figures as text: never an exponent, never out of order, never further off than their last digit."""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import falsework
from falsework.wording import figures
from falsework.wording.notices import Range

CASES = json.loads((Path(__file__).parents[1] / "data" / "wording.json").read_text("utf-8"))
PAGE = Path(falsework.__file__).parent / "bench" / "page" / "js" / "words.js"

finite = st.floats(-1e300, 1e300)
WRITERS = (
    figures.number,
    figures.given,
    figures.duration,
    figures.length,
    figures.area,
    figures.volume,
    figures.mass,
    figures.price,
    figures.share,
)
UNITS = {"min": 60.0, "h": 3600.0, "cm²": 100.0, "cm³": 1000.0, "m": 1000.0, "%": 0.01}


def value_of(text: str) -> tuple[float, float]:
    """The value a text says, and the worth of its last digit."""
    text = figures.plain(text).replace(figures.MINUS, "-")
    if under := re.match(r"under ([\d.]+) ?(\S*)$", text):
        least = float(under[1]) * UNITS.get(under[2], 1.0)
        return least / 2.0, least
    sign = -1.0 if text.startswith("-") else 1.0
    total, last = 0.0, math.inf
    for digits, unit in re.findall(r"([\d][\d ]*(?:\.\d+)?) ?([^\d\s-]*)", text):
        scale = UNITS.get(unit, 1.0)
        whole = digits.replace(" ", "")
        decimals = len(whole.partition(".")[2])
        total += float(whole) * scale
        last = min(last, scale * 10.0**-decimals)
    return sign * total, last


@pytest.mark.parametrize(("name", "arguments", "text"), CASES)
def test_the_table_is_what_python_writes(name, arguments, text):
    arguments = [SimpleNamespace(**a) if isinstance(a, dict) else a for a in arguments]
    assert getattr(figures, name)(*arguments) == text


def test_the_table_is_what_the_page_writes():
    node = shutil.which("node")
    if node is None:
        pytest.skip("no node at hand; the browser tests hold the page to the same table")
    run = subprocess.run(
        [node, Path(__file__).with_name("check_words.mjs"), PAGE],
        input=json.dumps(CASES),
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    for (name, given_, text), said in zip(CASES, json.loads(run.stdout), strict=True):
        assert (name, given_, said) == (name, given_, text)


@given(finite)
def test_no_figure_has_an_exponent_or_a_signed_nothing(value):
    for write in WRITERS:
        text = write(value)
        assert not re.search(r"\d[eE]|nan|inf", text)
        assert not re.match(rf"[-{figures.MINUS}]0(\.0+)?\D*$", text)


@given(finite, finite)
def test_a_greater_value_never_reads_as_a_smaller_one(a, b):
    low, high = sorted((a, b))
    for write in WRITERS:
        assert value_of(write(low))[0] <= value_of(write(high))[0]


@given(st.floats(-1e7, 1e7))
def test_what_is_read_is_the_value_within_its_last_digit(value):
    for write in WRITERS:
        said, last = value_of(write(value))
        # under 100 h minutes are shown, from there whole hours; half of the last digit, and rounding
        assert abs(said - value) <= 0.5 * last * (1.0 + 1e-9) + 1e-9 * abs(value) or (
            value < 0.0 and said == 0.0 and -value <= 0.5 * last
        )


@given(st.sets(st.integers(1, 60), min_size=1))
def test_numbers_in_words_name_each_once(numbers):
    text = figures.numbered("piece", sorted(numbers))
    named: set[int] = set()
    for first, last in re.findall(r"(\d+)(?: to (\d+))?", text):
        named |= set(range(int(first), int(last or first) + 1))
    assert named == numbers


def test_an_interval_that_tells_nothing_is_not_shown_as_a_figure():
    assert "not known until a test piece of gaps is read" in figures.about_force(Range(3.0, 0.3, 180.0))
    assert figures.plain(figures.about_force(Range(3.0, 1.0, 9.0))) == "about 3.0 N (1.0 to 9.0 N)"
    assert figures.plain(figures.about_force(Range(0.1, 0.001, 0.4))) == "less than 0.5 N"
