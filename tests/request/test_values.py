"""Requests are checked where they are made, by whoever makes them, and stored as they are."""

from __future__ import annotations

import dataclasses
import json
import math
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

import falsework
from falsework.documents import decode, encode
from falsework.errors import FalseworkError, ProcessError
from falsework.part.demo import table
from falsework.process import builtin
from falsework.process.schema import describe
from falsework.process.settings import Material, Printer, Process, Structure
from falsework.request import NO_FACES, Context, MarkedFaces, Placing, Request, Standing, Weights, Wish
from falsework.request.options import request_of

PLA = builtin("pla-0.4")
OWNERS = {"process": Process, "printer": Printer, "material": Material, "structure": Structure}
NONE = st.sampled_from([math.nan, math.inf, -math.inf])
NUMBERS = [row for row in describe() if row.type != "str"]


@given(st.sampled_from(NUMBERS), NONE | st.text(max_size=3) | st.none() | st.booleans())
def test_a_setting_that_is_no_number_makes_no_process(row, value):
    with pytest.raises(ProcessError) as caught:
        OWNERS[row.table](**{row.field: value})
    assert row.field in str(caught.value) and caught.value.cure


@given(st.sampled_from(NUMBERS), st.data())
def test_a_setting_out_of_its_range_makes_no_process_and_replaces_none(row, data):
    beyond = st.floats(max_value=row.low, exclude_max=True) | st.floats(min_value=row.high, exclude_min=True)
    value = data.draw(beyond)
    value = math.floor(value) if row.type == "int" and math.isfinite(value) else value
    if row.type == "int" and math.isfinite(value) and row.low <= value <= row.high:
        value = int(row.high) + 1
    owner = PLA if row.table == "process" else getattr(PLA, row.table)
    for make in (lambda: OWNERS[row.table](**{row.field: value}), lambda: _replaced(owner, row.field, value)):
        with pytest.raises(ProcessError):
            make()


def _replaced(owner, field, value):
    return dataclasses.replace(owner, **{field: value})


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Structure(weave="honeycomb"), "parallel or crossed"),
        (lambda: Structure(spacing_mm=0.0), "spacing_mm"),
        (lambda: Process(structure=Structure(spacing_mm=0.35)), "would fuse"),
        (lambda: Material(price_per_kg=-1.0), "price_per_kg"),
        (lambda: Printer(price_per_hour=-0.5), "price_per_hour"),
        (lambda: dataclasses.replace(PLA, layer_height_mm=0.46, nozzle_mm=0.5), "stand on edge"),
        (lambda: Weights(math.nan, 1.0, 1.0), "finish_per_cm2"),
        (lambda: Weights(time=-1.0), "weights.time"),
        (lambda: Process(printer="my printer"), "printer: a str is none"),
        (lambda: Wish(PLA, overrules={1: "sky"}), "underside 1: 'sky' is unknown"),
        (lambda: Wish(PLA, overrules={0: "bed"}), "0 is no underside"),
        (lambda: Wish(PLA, overrules={True: "bed"}), "True is no underside"),
        (lambda: Wish(PLA, overrules=[3]), "by underside number"),
        (lambda: Wish(PLA, standing="floor"), "leave, bed, bed-or-part or auto"),
        (lambda: Wish(PLA, load_axis=(0.0, 0.0, 0.0)), "load axis"),
        (lambda: Wish(PLA, load_axis=(math.nan, 0.0, 1.0)), "load axis"),
        (lambda: Wish(PLA, show="+z"), "show: a str is none"),
        (lambda: Wish("pla-0.4"), "process: a str is none"),
        (lambda: MarkedFaces(directions=((math.inf, 0.0, 0.0),)), "direction"),
        (lambda: MarkedFaces(face_sets=("",)), "is no name"),
        (lambda: Placing(scale=0.0), "above 0"),
        (lambda: Placing(scale=math.nan), "above 0"),
        (lambda: Placing(unit="ell"), "ell"),
        (lambda: Placing(turn_deg=(0.0, 90.0)), "three angles"),
        (lambda: Placing(turn_deg=(0.0, math.nan, 0.0)), "three angles"),
        (lambda: Placing(lie="upright"), "as-is or auto"),
        (lambda: Placing(turn_deg=(90.0, 0.0, 0.0), lie="auto"), "Give one of them"),
        (lambda: Request(7, Placing(), Wish(PLA)), "part: a int is none"),
        (lambda: Context(cores=0), "cores"),
        (lambda: Context(watch=print), "watch"),
    ],
)
def test_what_makes_no_sense_is_refused_where_it_is_made(make, says):
    with pytest.raises(ProcessError) as caught:
        make()
    assert says in str(caught.value)
    assert caught.value.cure


@pytest.mark.parametrize(
    "wrong",
    [
        {"standing": "floor"},
        {"overrules": {1: "sky"}},
        {"overrules": {9: "bed"}},
        {"turn_deg": (0.0, 0.0, math.inf)},
        {"scale": -1.0},
        {"load_axis": "sideways"},
        {"spare": MarkedFaces(face_sets=("badge",))},
    ],
)
@pytest.mark.parametrize("door", [falsework.plan, falsework.planning.totals, falsework.redraw])
def test_every_door_refuses_in_the_same_words(door, wrong):
    if door is falsework.redraw and "overrules" in wrong and 9 in wrong["overrules"]:
        pytest.skip("a redraw looks at no overrule")
    with pytest.raises(FalseworkError) as caught:
        door(table(20.0, 20.0, 10.0), **wrong)
    assert caught.value.cure


def test_an_unknown_keyword_is_no_option():
    with pytest.raises(TypeError, match="standng"):
        falsework.plan(table(20.0, 20.0, 10.0), standng="bed")


standings = st.sampled_from(list(Standing))
finite = st.floats(-1e3, 1e3)
directions = st.tuples(finite, finite, finite).filter(lambda v: math.hypot(*v) > 1e-3)
marked = st.builds(
    MarkedFaces,
    directions=st.lists(directions, max_size=2).map(tuple),
    face_sets=st.lists(st.text(min_size=1, max_size=5), max_size=2).map(tuple),
)
wishes = st.builds(
    Wish,
    st.sampled_from([PLA, builtin("petg-0.6")]),
    standing=standings | st.just("auto"),
    overrules=st.dictionaries(st.integers(1, 99), standings, max_size=3),
    weights=st.builds(Weights, *(st.floats(0.0, 1e3),) * 3),
    show=marked,
    spare=marked,
    load_axis=st.none() | directions,
)
placings = st.builds(
    Placing,
    unit=st.none() | st.sampled_from(["mm", "inch"]),
    scale=st.floats(0.01, 100.0),
    turn_deg=st.tuples(finite, finite, finite),
)


@given(wishes, placings)
def test_what_is_stored_reads_back_equal(wish, placing):
    for value in (wish, placing):
        stored = json.loads(json.dumps(encode(value), allow_nan=False))
        read = decode(type(value), stored)
        assert read == value and encode(read) == stored
        assert hash(read) == hash(value) and pickle.loads(pickle.dumps(value)) == value


def test_the_same_is_made_of_words_numbers_and_values():
    words, _ = request_of("a.stl", "pla-0.4", {"overrules": {2: "bed", 1: "leave"}, "load_axis": "+z"})
    values = Wish(PLA, overrules={1: Standing.LEAVE, 2: Standing.BED}, load_axis=(0, 0, 2))
    assert words.wish == values and list(words.wish.overrules) == [1, 2]
    assert Placing(scale=2, turn_deg=[90, 0, 0]) == Placing(scale=2.0, turn_deg=(90.0, 0.0, 0.0))
    assert encode(Printer(build_width_mm=200)) == encode(Printer(build_width_mm=200.0))


def test_what_of_a_wish_matters_to_what():
    wish = Wish(PLA, "bed", {1: Standing.LEAVE}, show=MarkedFaces(("+z",)), load_axis="+x")
    assert wish.of_orientations == Wish(PLA, show=MarkedFaces(("+z",)), load_axis="+x")
    assert wish.of_supports == Wish(PLA, "bed", {1: Standing.LEAVE})
    assert wish.of_supports.show is NO_FACES


def test_standings_of_an_earlier_version_are_read():
    wish = Wish(PLA, standing="anywhere", overrules={2: "none"})
    assert (wish.standing, wish.overrules) == ("bed-or-part", {2: Standing.LEAVE})
