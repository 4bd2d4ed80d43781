"""plan.json: what is written reads back equal, and what does not fit is refused in one sentence."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from enum import StrEnum

import pytest
from hypothesis import given
from hypothesis import strategies as st

from falsework.documents import decode, dumps, encode, loads
from falsework.errors import PartError
from falsework.planning.value import Plan
from plans import bracket_plan


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True)
class Inner:
    length_mm: float
    name: str = ""


@dataclass(frozen=True)
class Outer:
    inner: Inner
    many: tuple[Inner, ...]
    point: tuple[float, float, float] | None
    colour: Colour
    count: int
    flag: bool
    heavy: object = field(default=None, compare=False)


finite = st.floats(allow_nan=False, allow_infinity=False)
inners = st.builds(Inner, finite, st.text())
outers = st.builds(
    Outer,
    inners,
    st.lists(inners, max_size=4).map(tuple),
    st.none() | st.tuples(finite, finite, finite),
    st.just(Colour.RED),
    st.integers(),
    st.booleans(),
)


@given(outers)
def test_reads_back_equal_and_writes_the_same_bytes(value: Outer) -> None:
    text = dumps(value, "test/1")
    again = loads(Outer, text, "test/1", "x.json")
    assert again == value
    assert dumps(again, "test/1") == text


def test_fields_that_are_not_compared_stay_out() -> None:
    value = Outer(Inner(1.0), (), None, Colour.RED, 1, True, heavy=object())
    assert "heavy" not in encode(value)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.pop("inner"), "inner"),
        (lambda d: d.update(extra=1), "extra"),
        (lambda d: d.update(count="three"), "three"),
        (lambda d: d.update(colour="blue"), "blue"),
        (lambda d: d.update(schema="test/2"), "test/2"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(change, says: str) -> None:
    document = json.loads(dumps(Outer(Inner(1.0), (), None, Colour.RED, 1, True), "test/1"))
    change(document)
    with pytest.raises(PartError, match=says):
        loads(Outer, json.dumps(document), "test/1", "x.json")


@pytest.mark.parametrize("text", ["", "[]", "{}", "nonsense", '{"schema": 3}', "[" * 100_000])
def test_anything_else_is_one_sentence(text: str) -> None:
    with pytest.raises(PartError, match=r"x\.json"):
        loads(Outer, text, "test/1", "x.json")


def test_whole_numbers_read_as_floats_where_floats_are_meant() -> None:
    assert decode(Inner, {"length_mm": 3, "name": ""}) == Inner(3.0)


@dataclass(frozen=True)
class Grown:
    count: int
    added: Inner | None = None


def test_a_document_from_before_a_field_was_added_reads_with_its_default() -> None:
    assert loads(Grown, '{"schema": "test/1", "count": 3}', "test/1", "x.json") == Grown(3)
    with pytest.raises(PartError, match="missing field 'count'"):
        loads(Grown, '{"schema": "test/1", "added": null}', "test/1", "x.json")


def test_a_plan_of_before_notices_had_codes_is_read() -> None:
    plan = bracket_plan()
    told = json.loads(plan.to_json(said=True)) | {"schema": "falsework.plan/1"}
    told["warnings"] = [warning["text"] for warning in told["warnings"]]
    for choice in told["choices"]:
        del choice["reason"]
    read = Plan.from_json(json.dumps(told))
    assert [w.text for w in read.warnings] == [w.text for w in plan.warnings]
    assert [c.why for c in read.choices] == [c.why for c in plan.choices]
    assert read.undersides == plan.undersides and Plan.from_json(read.to_json()) == read


def test_a_plan_with_the_standings_of_an_earlier_version_is_read() -> None:
    plan = bracket_plan()
    text = plan.to_json().replace('"leave"', '"none"').replace('"bed-or-part"', '"anywhere"')
    told = json.loads(text) | {"schema": "falsework.plan/2"}
    told["process"]["structure"]["pattern"] = {"parallel": "lines", "crossed": "grid"}[
        told["process"]["structure"].pop("weave")
    ]
    assert '"none"' in text and '"anywhere"' in text
    assert Plan.from_json(json.dumps(told)) == plan
