"""What is told of figures of a whole program: each rule on both sides of its limit, word for word."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace as Given

import numpy as np
import pytest

from falsework import load_process
from falsework.auditing import findings, gather
from falsework.auditing.consistency import flow_findings
from falsework.auditing.copies import FoundCopies
from falsework.auditing.differences import (
    bed_findings,
    layer_findings,
    plan_findings,
    process_findings,
    speed_findings,
)
from falsework.auditing.findings import (
    SITE_KINDS,
    outside_findings,
    program_findings,
    reading_findings,
    site_findings,
)
from falsework.auditing.flow import Fed, FlowChange
from falsework.auditing.layer_sums import FILL, HOLDING, WALL, LayerSums
from falsework.auditing.make import LaidAreas, hollow_findings, made, make_findings
from falsework.auditing.pipeline import _of_part
from falsework.auditing.plate import StrandCluster
from falsework.auditing.request import Bed, Reads, bed_of
from falsework.auditing.sites import FindingSite, Sites
from falsework.auditing.survey import Usual
from falsework.auditing.value import FindingLevel
from falsework.cost.cost import Cost
from falsework.cost.part import PartLayers
from falsework.droop.belief import PRIOR
from falsework.kernels.bead import laying
from falsework.kernels.bead import machine as rs274
from falsework.kernels.bead import strands as cut

PLA = replace(load_process("pla-0.4"), layer_height_mm=0.2, first_layer_height_mm=0.2, fan=1.0)
USUAL = Usual(0.2, 0.45)
NOTE, CAUTION, FAULT, RUIN = FindingLevel
TOPS = 0.2 * np.arange(1, 50)


def kinds(found) -> list[tuple[str, FindingLevel]]:
    return [(f.kind, f.level) for f in found]


# --- places in layers ---


def one_site(amount=12.0, value=0.5, more=2, layers=1) -> Sites:
    sites = Sites()
    for layer in range(3, 3 + layers):
        place = (0.0, 0.0), (0.0, 0.0, 1.0, 1.0), (10, 12)
        sites.add(FindingSite(layer, TOPS[layer], amount, *place, value, more))
    return sites


@pytest.mark.parametrize(
    ("kind", "level", "more", "says"),
    [
        ("on nothing", RUIN, 1, "one strand lies on nothing, up to 0.5 mm long and held at no end"),
        ("on nothing", RUIN, 2, "2 strands lie on nothing, up to 0.5 mm long and held at no end"),
        ("fan over air", CAUTION, 2, "2 strands are laid over air with the fan at 50 %"),
        ("fast over air", CAUTION, 1, "one strand is laid over air at 0 mm/s"),
        ("off the bed", RUIN, 1, "the first layer is laid 0.50 mm above the bed and will not stick"),
        ("floats", FAULT, 2, "2 strands lie 0.5 mm above what is beneath: a layer is missing"),
        (
            "fused on top",
            FAULT,
            1,
            "12 mm of the part's strands lie on the support without a gap: they will fuse",
        ),
        ("fused below", FAULT, 1, "12 mm of support stand on the part without a gap: they will fuse"),
        ("stray", CAUTION, 1, "12 mm of strands belong neither to the part nor to a support"),
        ("side gap", CAUTION, 1, "12 mm of support run 0.50 mm beside the part: they may weld"),
        ("starved", CAUTION, 1, "12 mm of strands get too little: 0.50 mm wide"),
        ("overfed", FAULT, 1, "12 mm of strands get too much: 0.50 mm wide"),
        ("thick layer", FAULT, 1, "a layer of 0.50 mm is higher than the nozzle bore: it is not pressed on"),
        ("laid twice", FAULT, 1, "12 mm of strands are laid a second time over themselves"),
        ("crossed", FAULT, 1, "a line runs across 0 other strands of its own layer: they plough through it"),
        ("blob", CAUTION, 1, "0.5 mm³ are pushed out in one place"),
        ("ploughs", RUIN, 1, "the nozzle ploughs through what is printed along 12 mm of strands"),
        ("strikes", FAULT, 1, "the head travels through what is printed, 12 mm in all"),
    ],
)
def test_what_is_said_of_a_place(kind, level, more, says) -> None:
    (found,) = site_findings({kind: one_site(more=more)}, Given(usual=USUAL), TOPS)
    assert (found.kind, found.level, found.says, found.count) == (kind, level, says, more)
    assert found.found == 0.5 and found.place.layer == 4 and found.unit == SITE_KINDS[kind].unit


def test_bodies_overlap_where_three_layers_in_a_row_say_so_and_strands_so_thin_leave_a_layer_out() -> None:
    limits = Given(usual=USUAL)
    assert list(site_findings({"overlap": one_site(layers=2)}, limits, TOPS)) == []
    (found,) = site_findings({"overlap": one_site(layers=3)}, limits, TOPS)
    assert (
        found.says
        == "walls run through each other along 12 mm of a layer: two bodies overlap, through 3 layers"
    )
    thin, wide = (
        next(iter(site_findings({"starved": one_site(value=v)}, limits, TOPS))) for v in (0.157, 0.158)
    )
    assert (thin.level, wide.level) == (FAULT, CAUTION)
    welded = next(iter(site_findings({"side gap": one_site(value=-0.2)}, limits, TOPS)))
    assert "run 0.00 mm beside" in welded.says
    bare = next(iter(site_findings({"stray": one_site(value=0.0)}, limits, TOPS)))
    assert bare.found == 12.0


@pytest.mark.parametrize(
    ("kind", "amount", "level"),
    [
        ("starts in air", 3.0, CAUTION),
        ("starts in air", 3.1, FAULT),
        ("ends in air", 3.0, CAUTION),
        ("overhang", 3.5, CAUTION),
        ("overhang", 3.6, FAULT),
        ("long bridge", 3.0, FAULT),
    ],
)
def test_what_hangs_is_told_with_the_sag_to_be_expected(kind, amount, level) -> None:
    limits = gather.limits_of(PLA, PRIOR, USUAL, gap_mm=0.4, knows_part=False, strict=False)
    (found,) = site_findings({kind: one_site(amount)}, limits, TOPS)
    laws = limits.laws
    asked = np.array([amount])
    droop = laws.bridge_droops(asked) if kind == "long bridge" else laws.overhang_droops(asked)
    assert found.level is level and found.found == amount
    estimate = (found.droop_mm.value, found.droop_mm.low, found.droop_mm.high)
    assert estimate == pytest.approx(droop[:, 0].tolist()) and found.droop_mm.basis == "uncalibrated"
    assert f"expected to sag by {estimate[0]:.2f} mm ({estimate[1]:.2f} to {estimate[2]:.2f})" in found.says


# --- the program as a whole ---


def reading(counts=None, lines=None, texts=None, firsts=None, archive=None, state=None):
    counts = counts or {}
    rows = np.zeros((80, rs274.KEPT, 2))
    for kind, values in (firsts or {}).items():
        for k, row in enumerate(values):
            rows[kind, k] = row
    return Given(
        count=lambda kind: counts.get(kind, 0),
        first_lines=lambda kind: (lines or {}).get(kind, (7,) if counts.get(kind) else ()),
        texts=texts or {},
        firsts=rows,
        archive=archive,
        state=np.zeros(400) if state is None else state,
    )


@pytest.mark.parametrize(
    ("kind", "name", "level"),
    [
        (rs274.GARBLED, "garbled", FAULT),
        (rs274.CHECKSUM, "checksum", FAULT),
        (rs274.JUMP, "line numbers", CAUTION),
        (rs274.BAD_ARC, "arc", FAULT),
        (rs274.CURVE, "curve", NOTE),
        (rs274.BAD_CURVE, "straight curve", FAULT),
        (rs274.WILD, "wild", FAULT),
        (rs274.NO_FEED, "no speed", FAULT),
        (rs274.TOOL_CHANGE, "tool change", NOTE),
        (rs274.PAUSE, "pause", NOTE),
        (rs274.AFTER_END, "after the end", CAUTION),
        (rs274.TEXT, "the machine's own text commands", NOTE),
    ],
)
def test_what_the_interpreter_met(kind, name, level) -> None:
    (one,) = reading_findings(Given(reading=reading({kind: 1}), moves=100))
    assert (one.kind, one.level, one.count, one.lines) == (name, level, 1, (7,))
    assert one.says.startswith("one line ")
    (many,) = reading_findings(Given(reading=reading({kind: 3}), moves=100))
    assert many.says.startswith("3 lines ") and many.count == 3


def test_units_speeds_archives_and_texts() -> None:
    def told(moves=100, **how):
        return list(reading_findings(Given(reading=reading(**how), moves=moves)))

    assert kinds(told(counts={rs274.FEEDLESS: 51})) == [("speed unset", FAULT)]
    (unset,) = told(counts={rs274.FEEDLESS: 50})
    assert unset.level is CAUTION and unset.says == "moves begin in line 7 before any speed was set"
    assert told(counts={rs274.UNITS: 1}) == []
    (units,) = told(counts={rs274.UNITS: 2})
    assert units.says == "the program changes between inches and millimetres 2 times"
    (packed,) = told(archive=("a.gcode", 3))
    assert packed.says.startswith("the archive holds 3 programs; a.gcode, the largest") and packed.count == 3
    own = {7: "X" * 40, 9: "second", 11: "third", 13: "fourth"}
    (text,) = told(counts={rs274.TEXT: 4}, lines={rs274.TEXT: (7, 9, 11, 13)}, texts=own)
    assert text.says.endswith(f"text commands: {'X' * 30}; second; third")
    (garbled,) = told(
        counts={rs274.GARBLED: 3}, lines={rs274.GARBLED: (7, 9, 11)}, texts={7: "?" * 60, 11: "z"}
    )
    assert garbled.says.endswith(f"take it for anything: {'?' * 50}")


def program(**changes):
    values = {
        "reading": reading(), "held_back": 0, "held_line": 3, "dry_mm": 0.0, "dry_line": 4, "passed_mm": 1e6,
        "fed_mm": 20_000.0, "empty_mm": 0.0, "empty_line": 5, "far_back": 0, "farthest_back_mm": 20.0,
        "far_back_line": 6, "low": np.zeros(3),
    }  # fmt: skip
    return Given(**(values | changes))


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, []),
        ({"held_back": 2}, [("held back", FAULT, (3,))]),
        ({"dry_mm": 200.0}, []),
        ({"dry_mm": 201.0}, [("starved", FAULT, (4,))]),
        ({"dry_mm": 201.0, "passed_mm": 200.0}, []),  # travels
        ({"dry_mm": 101.0, "fed_mm": 100.0}, [("starved", FAULT, (4,))]),
        ({"dry_mm": 99.0, "fed_mm": 100.0}, []),
        ({"empty_mm": 800.0}, []),
        ({"empty_mm": 801.0}, [("held back", RUIN, (5,))]),
        ({"empty_mm": 50.0, "fed_mm": 100.0}, []),
        ({"far_back": 4}, [("retraction", FAULT, (6,))]),
        ({"far_back": 3}, []),
        ({"low": np.array([0.0, 0.0, -0.002])}, [("below the bed", RUIN, ())]),
        ({"low": np.array([-9.0, -9.0, -0.0009])}, []),
        ({"reading": reading({rs274.LATE_HOME: 2}, {rs274.LATE_HOME: (50, 100)})},
         [("homes in between", FAULT, (50,))]),
        ({"reading": reading({rs274.LONG_WAIT: 2}, firsts={rs274.LONG_WAIT: ((40, 600.0), (100, 900.0))})},
         [("waits", CAUTION, (40,))]),
        ({"reading": reading({rs274.LONG_WAIT: 2}, firsts={rs274.LONG_WAIT: ((40, 120.0), (60, 601.0))})},
         [("waits", FAULT, (40, 60))]),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_program(changes, told) -> None:
    assert [(f.kind, f.level, f.lines) for f in program_findings(program(**changes), 100)] == told


def test_words_of_what_is_wrong_with_a_program() -> None:
    waits = reading({rs274.LONG_WAIT: 1}, firsts={rs274.LONG_WAIT: ((40, 180.0),)})
    (one,) = program_findings(program(reading=waits), 100)
    assert (
        one.says == "in line 40 the head waits 3 min over the print: the plastic cooks" and one.found == 180.0
    )
    (dry,) = program_findings(program(dry_mm=1500.0), 100)
    assert dry.says.startswith("over 1.5 m of way amid strands")
    (empty,) = program_findings(program(empty_mm=5000.0), 100)
    assert empty.says.startswith("nothing comes out along 25 % of the way") and empty.found == 0.25


def beyond(box, flat=False, bed=None, high=10.0):
    body = StrandCluster(box, 0.0, high, 100.0, flat)
    rows = np.zeros((2, cut.STRAND))
    rows[:, [cut.BX, cut.BY]] = [[500.0, 500.0], [0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3])]]
    rows[:, cut.LINE] = 8, 9
    found = Given(
        ground=Given(bodies=(body,)), sample={0: rows}, high=np.array([0, 0, high]),
        z_mm=np.array([0.2, high]), line=np.array([5, 6]),
    )  # fmt: skip
    return list(outside_findings(found, bed or Bed(200.0, 100.0, 50.0)))


@pytest.mark.parametrize(
    ("box", "axis"),
    [
        ((10.0, 10.0, 50.0, 50.0), None),
        ((-1.75, 10.0, 50.0, 50.0), None),  # a cell of 1.25 mm and half a mm
        ((-1.76, 10.0, 50.0, 50.0), "x"),
        ((10.0, -1.76, 50.0, 50.0), "y"),
        ((10.0, 10.0, 201.76, 50.0), "x"),
        ((10.0, 10.0, 50.0, 101.76), "y"),
        ((10.0, 10.0, 201.75, 101.75), None),
        ((10.0, 10.0, 205.0, 107.0), "y"),
        ((-50.0, 10.0, -20.0, 50.0), "x"),
    ],
)
def test_what_lies_beyond_the_bed(box, axis) -> None:
    found = beyond(box)
    assert [f.level for f in found] == ([RUIN] if axis else [])
    if axis:
        k = "xy".index(axis)
        size = (200.0, 100.0)[k]
        span = f"the print reaches from {box[k]:.0f} to {box[k + 2]:.0f} mm in {axis}"
        assert found[0].says == f"{span}; the bed goes from 0 to {size:.0f}"
        assert (found[0].found, found[0].planned, found[0].lines) == (box[k + 2], size, (9,))


def test_lines_beside_the_print_and_heights_beyond_the_machine() -> None:
    (line,) = beyond((10.0, 10.0, 205.0, 50.0), flat=True)
    assert line.level is CAUTION and line.says.startswith("a line beside the print reaches")
    assert beyond((10.0, 10.0, 50.0, 50.0), high=50.5) == []
    (high,) = beyond((10.0, 10.0, 50.0, 50.0), high=50.6)
    assert high.says == "the print is 50.6 mm high; the machine builds 50" and high.lines == (6,)
    assert beyond((10.0, 10.0, 50.0, 50.0), high=99.0, bed=Bed(200.0, 100.0)) == []
    centred = Bed(200.0, 100.0, centred=True)
    assert (centred.low, centred.high) == ((-100.0, -50.0), (100.0, 50.0))
    assert bed_of(Reads(), None) is None and bed_of(Reads(bed=centred), PLA) is centred
    mine = bed_of(Reads(), replace(PLA, printer=replace(PLA.printer, build_width_mm=300.0, origin="centre")))
    assert (mine.width_mm, mine.centred) == (300.0, True)


# --- beside the process ---


def layers(count=10, **by_class) -> LayerSums:
    """Each with 100 mm of walls and of fill at 45 mm/s, all fan, 210 °C; figures may be given by layer."""
    sums = LayerSums()
    for k in range(count):
        one = np.zeros((laying.CLASSES, laying.CLASS_SUMS))
        for which in (WALL, FILL):
            long = 100.0
            one[which, laying.LONG] = long
            of = {"speed": 45.0, "fan": 1.0 if k else 0.0, "heat": 210.0, "wide": 0.4}
            of |= {name: values[k] for name, values in by_class.items()}
            one[which, laying.PACED], one[which, laying.COOLED] = long * of["speed"], long * of["fan"]
            one[which, laying.HEATED] = long * of["heat"]
            one[which, laying.LAID] = long * 0.2 * of["wide"]
        row = np.zeros((1, cut.STRAND))
        row[0, cut.LINE] = 10 * k
        sums.add(Given(z_mm=0.2 * (k + 1), step_mm=0.2, depth_mm=0.2, so_deep=1.0, rows=row), one)
    return sums


def test_sums_of_layers() -> None:
    some = layers(3, speed=[30.0, 45.0, 60.0], fan=[0.0, 0.5, 1.0])
    assert (
        len(some) == 3 and some.line.tolist() == [0, 10, 20] and some.z_mm == pytest.approx([0.2, 0.4, 0.6])
    )
    assert some.speed_mm_s[:, WALL].tolist() == [30.0, 45.0, 60.0] and np.isnan(some.speed_mm_s[0, HOLDING])
    assert some.fan_above == pytest.approx(0.75) and some.wall_speed_above_mm_s == pytest.approx(52.5)
    assert layers(2).wall_speed_above_mm_s is None  # of 100 mm nothing is said
    again = np.ones((laying.CLASSES, laying.CLASS_SUMS))
    some.add(
        Given(z_mm=some.z_mm[-1], step_mm=0.2, depth_mm=0.2, so_deep=1.0, rows=np.zeros((1, cut.STRAND))),
        again,
    )
    assert len(some) == 3


@pytest.mark.parametrize(
    ("of", "told"),
    [
        ({}, []),
        ({"height": 0.2099}, []),
        ({"height": 0.2101}, [("layer height", CAUTION)]),
        ({"first": 0.2199}, []),
        ({"first": 0.1799}, [("first layer", CAUTION)]),
        ({"width": 0.517}, []),
        ({"width": 0.518}, [("line width", CAUTION)]),
        ({"width": 0.382}, [("line width", CAUTION)]),
        ({"bed": 70.0}, []),
        ({"bed": 70.1}, [("bed heat", CAUTION)]),
        ({"bed": 70.1, "heated": 0.0}, []),
        ({"walls": 62.9}, []),
        ({"walls": 63.1}, [("fast walls", CAUTION)]),
        ({"walls": 90.1}, [("fast walls", FAULT)]),
    ],
)
def test_heights_widths_and_speeds_beside_the_process(of, told) -> None:
    process = replace(PLA, wall_speed_mm_s=45.0, line_width_mm=0.45)
    state = np.zeros(400)
    state[rs274.HEATED] = of.get("heated", 1.0)
    found = Given(bed_c=of.get("bed", 60.0), reading=Given(state=state))
    sums = layers(speed=[of.get("walls", 45.0)] * 10)
    usual = Usual(of.get("height", 0.2), of.get("width", 0.45))
    assert kinds(process_findings(process, usual, found, of.get("first", 0.2), sums)) == told


@pytest.mark.parametrize(
    ("of", "says"),
    [
        ({}, []),
        ({"fan": [0.0] + [0.76] * 9}, []),
        ({"fan": [0.0] + [0.74] * 9}, ["the fan runs at 74 %; the process has 100 %"]),
        ({"fan": [0.0] + [1.0] * 7 + [0.0] * 2}, []),
        (
            {"fan": [0.0] + [1.0] * 6 + [0.5, 0.2, 0.5]},
            ["the fan runs at 20 % in 3 of 9 layers; the process has 100 %"],
        ),
        ({"heat": [230.0] + [220.0] * 9}, []),
        ({"heat": [210.0] + [221.0] * 9}, ["the nozzle is at 221 °C; the process has 210 °C"]),
        (
            {"heat": [210.0] * 8 + [221.0, 190.0]},
            ["the nozzle is at 190 °C in 2 of 9 layers; the process has 210 °C"],
        ),
        ({"heat": [0.0] * 10}, []),
        ({"speed": [60.0] + [45.0] * 9}, []),
        ({"speed": [61.0] + [45.0] * 9}, ["the first layer is laid at 61 mm/s; the process has 20 mm/s"]),
    ],
)
def test_nozzle_fan_and_speed_layer_by_layer(of, says) -> None:
    process = replace(PLA, first_layer_speed_mm_s=20.0)
    assert [f.says.replace("\u00a0", " ") for f in layer_findings(process, layers(**of))] == says
    slow = replace(process, first_layer_speed_mm_s=25.0)
    assert list(layer_findings(slow, layers(speed=[62.0] + [45.0] * 9))) == []  # 2.5 times 25 is 62.5


def test_lines_where_the_nozzle_changes() -> None:
    (found,) = layer_findings(replace(PLA), layers(heat=[210.0] * 6 + [230.0] * 4))
    assert found.lines == (60,)
    assert list(layer_findings(PLA, layers(1, heat=[300.0]))) == []  # one layer tells nothing


@pytest.mark.parametrize(
    ("rows", "wanted", "says"),
    [
        (((50, 0.0),), 60.0, "the bed is switched off in line 50"),
        (((50, 49.0),), 60.0, "the bed is cooled to 49 °C in line 50"),
        (((50, 50.0),), 60.0, None),
        (((100, 0.0),), 60.0, None),  # after the last strand
        (((40, 55.0), (50, 0.0)), 60.0, "the bed is switched off in line 50"),
        (((50, 1.0),), None, None),
        (((50, 0.0),), None, "the bed is switched off in line 50"),
    ],
)
def test_a_bed_that_cools_in_the_middle_of_the_print(rows, wanted, says) -> None:
    found = Given(reading=reading({rs274.BED_LOWERED: len(rows)}, firsts={rs274.BED_LOWERED: rows}))
    told = list(bed_findings(found, wanted, 100))
    assert [f.says.partition(", in the middle")[0] for f in told] == ([says] if says else [])


def test_strands_that_are_laid_too_slowly_or_ask_for_too_much() -> None:
    totals = gather.ProgramTotals()
    totals.whole_mm, totals.fast_mm, totals.most_mm3_s = 10_000.0, 200.0, 40.0

    far = np.full(3, 500.0)

    def told(length=1000.0, seconds=100.0, sums=None, **changes):
        found = Given(length_mm=np.array([length]), printing_s=seconds, travel_mm=far, travel_s=far / 100.0)
        of = replace(totals, **changes) if changes else totals
        return list(speed_findings(found, of, layers(speed=[10.0] * 10) if sums is None else sums))

    assert told() == []
    (slow,) = told(length=399.0)
    assert slow.says.startswith("strands are laid at 4 mm/s on average") and slow.kind == "too slow"
    assert told(length=400.0) == [] and told(seconds=0.0) == []
    walls = told(sums=layers(speed=[3.9] * 10))[0]
    assert walls.says == "walls are laid at 3.9 mm/s: the plastic is cooked in the nozzle"
    assert told(sums=layers(1, speed=[3.9])) == []  # 100 mm of each
    assert told(sums=layers(2, speed=[3.9] * 2)) != []
    (held_up,) = told(sums=layers(speed=[41.0] * 10))  # they come to less than a quarter of their speed
    assert held_up.kind == "too slow" and "some of them crawl" in held_up.says
    assert told(sums=layers(speed=[39.0] * 10)) == []
    (fast,) = told(fast_mm=201.0)
    assert fast.says.startswith(
        "0.2 m of strands ask for up to 40 mm³ of plastic a second; large nozzles melt some 32"
    )
    assert told(fast_mm=50.0, whole_mm=100.0) == [] and len(told(fast_mm=51.0, whole_mm=100.0)) == 1


@pytest.mark.parametrize(
    ("filament", "seconds", "told"),
    [
        (1.0, 1.0, []),
        (1.19, 1.79, []),
        (1.21, 1.0, [("filament", CAUTION)]),
        (0.79, 1.0, [("filament", CAUTION)]),
        (1.0, 1.81, [("time", NOTE)]),
        (1.0, 0.69, [("time", NOTE)]),
        (1.0, 0.71, []),
    ],
)
def test_filament_and_time_beside_the_plan(filament, seconds, told) -> None:
    section = np.pi / 4 * PLA.printer.filament_diameter_mm**2
    plan = Given(
        part_cost=Cost(filament_mm=600.0, time_s=600.0), support_cost=Cost(filament_mm=400.0, time_s=400.0)
    )
    found = Given(pushed_mm3=2 * 1000.0 * filament * section, time_s=2 * 1000.0 * seconds)
    assert kinds(plan_findings(plan, PLA, found, 2)) == told
    nothing = Given(part_cost=Cost(), support_cost=Cost())
    assert list(plan_findings(nothing, PLA, found, 2)) == []


# --- a program against itself ---


def fed(share=1.0, wall=None, pitch=None, fill=None, change=None) -> Fed:
    return Fed(share, 1.0, 0.4, change, wall, pitch, fill)


@pytest.mark.parametrize(
    ("of", "wide", "says"),
    [
        (fed(), [0.4] * 10, []),
        (
            fed(wall=0.71),
            [0.4] * 10,
            ["walls get 71 % of the filament that they need: they do not touch each other"],
        ),
        (fed(wall=0.73), [0.4] * 10, []),
        (fed(wall=1.46), [0.4] * 10, ["walls get 1.5 times the filament that they have room for"]),
        (
            fed(fill=0.5),
            [0.4] * 10,
            ["strands of the fill get 50 % of the filament that they need: they do not touch each other"],
        ),
        (fed(0.71, wall=0.5), [0.4] * 10, []),  # told as that of all strands
        (fed(wall=0.5, change=FlowChange(1.0, 1, 1.0, 0.5)), [0.4] * 10, []),
        (
            fed(),
            [0.4] * 7 + [0.28] * 3,
            [
                "walls get too little filament in 3 of 9 layers, from 1.6 to 2.0 mm high: "
                "70 % of the others' at the worst"
            ],
        ),
        (fed(), [0.4] * 7 + [0.29] * 3, []),
        (fed(), [0.4] * 8 + [0.2] * 2, []),
        (
            fed(),
            [0.4] * 7 + [0.59] * 3,
            [
                "walls get too much filament in 3 of 9 layers, from 1.6 to 2.0 mm high: "
                "148 % of the others' at the worst"
            ],
        ),
        # held against the room where a tenth of the layers have that, else against what most get
        (
            fed(pitch=0.4),
            [0.4] * 3 + [0.2] * 7,
            [
                "walls get too little filament in 7 of 9 layers, from 0.8 to 2.0 mm high: "
                "50 % of the others' at the worst"
            ],
        ),
        (fed(pitch=0.6), [0.4] * 10, []),
        (fed(), [0.4] * 3 + [0.2] * 3, []),  # five layers above the first are too few
    ],
)
def test_walls_and_fill_that_get_another_share(of, wide, says) -> None:
    found = list(flow_findings(layers(len(wide), wide=wide), of))
    assert [f.says for f in found] == says


def test_lines_of_the_first_layers_that_are_off() -> None:
    (found,) = flow_findings(layers(20, wide=[0.4] * 12 + [0.2] * 8), fed())
    assert found.lines == (120, 130, 140, 150, 160) and found.count == 8 and found.kind == "starved"


# --- how the part is made ---


def areas(wall=1.0, skin=1.0, sparse=1.0, ends=1.0, top=None) -> LaidAreas:
    count = 40
    solid = np.full(count, 20.0)
    solid[:4] = solid[-4:] = 220.0
    inside = 220.0 - solid
    planned = PartLayers(np.full(count, 50.0), solid, inside, inside, inside)
    share = np.full(count, skin)
    share[:4] = ends
    share[-4:] = ends if top is None else top
    return LaidAreas(np.full(count, 50.0 * wall), share * solid + sparse * PLA.fill * inside, planned)


@pytest.mark.parametrize(
    ("of", "told"),
    [
        (areas(), []),
        (areas(wall=0.71), []),
        (areas(wall=0.69), [("walls", CAUTION)]),
        (areas(wall=0.34), [("walls", FAULT)]),
        (areas(wall=1.46), [("walls", CAUTION)]),
        (areas(wall=1.44), []),
        (areas(ends=0.67), [("skin", FAULT)]),
        (areas(ends=0.7), []),
        (areas(top=0.6), [("skin", FAULT)]),
        (areas(sparse=0.44), [("fill", FAULT)]),
        (areas(sparse=0.46), []),
        (areas(sparse=3.7), [("fill", CAUTION)]),
    ],
)
def test_walls_skins_and_fill_on_both_sides_of_their_limits(of, told) -> None:
    assert kinds(make_findings(of, PLA, USUAL)) == told


def test_words_of_how_the_part_is_made() -> None:
    (walls,) = make_findings(areas(wall=0.5), replace(PLA, wall_lines=2), USUAL)
    assert walls.says == "the part has 1.0 lines of wall on average; 2 were planned"
    (both,) = make_findings(areas(ends=0.5), PLA, USUAL)
    assert both.says.startswith("the part's bottom and top are left open: skins get 50 % of the strands")
    (uneven,) = make_findings(areas(ends=0.25, top=0.5), PLA, USUAL)
    assert uneven.found == pytest.approx(0.25)  # the barest
    (top,) = make_findings(areas(top=0.25), PLA, USUAL)
    assert top.says.startswith("the part's top is left open: skins get 25 %")
    (fill,) = make_findings(areas(sparse=0.25), PLA, USUAL)
    assert fill.says == f"the inside is filled to {25 * PLA.fill:.0f} %; {100 * PLA.fill:.0f} % were planned"
    assert list(make_findings(areas(wall=0.5), PLA, Usual(0.2061, 0.45))) == []
    assert len(list(make_findings(areas(wall=0.5), PLA, Usual(0.2059, 0.45)))) == 1


def test_areas_that_strands_cover_layer_by_layer() -> None:
    """100 mm of walls and of fill, pitch 0.45 - 0.2 (1 - π/4) = 0.4071: 40.71 mm² each; of two, half."""
    planned = PartLayers(*[np.zeros(3)] * 5)
    sums = layers(4)
    found = made(sums, USUAL, planned, 0.2 * np.arange(4), 0.0, 1)
    pitch = 0.45 - 0.2 * (1 - np.pi / 4)
    assert found.closed_mm2 == pytest.approx(np.full(3, 100.0 * pitch))
    assert found.open_mm2 == pytest.approx(np.full(3, 100.0 * pitch))
    assert made(sums, USUAL, planned, 0.2 * np.arange(4), 0.0, 2).closed_mm2[0] == pytest.approx(50.0 * pitch)
    higher = made(sums, USUAL, planned, 0.2 * np.arange(4), 0.2, 1)  # on a raft of a layer
    assert higher.closed_mm2 == pytest.approx(np.full(3, 100.0 * pitch))
    thick = made(sums, USUAL, planned, 0.4 * np.arange(4), 0.0, 1)  # two layers of the program in one
    assert thick.closed_mm2[:2] == pytest.approx(np.full(2, 100.0 * pitch)) and thick.closed_mm2[2] == 0.0


def test_insides_through_which_no_strand_runs(monkeypatch) -> None:
    from falsework.auditing import make

    def told(*shares, fill=0.2):
        asked = []
        monkeypatch.setattr(
            make, "_far_from_strands", lambda p, f, deep, far: asked.append((deep, far)) or shares
        )
        found = list(hollow_findings(None, None, USUAL, replace(PLA, fill=fill, wall_lines=2)))
        return found, asked

    (one,), asked = told(0.1, 0.51)
    assert one.level is CAUTION and one.says.startswith("the inside is hollow in 1 of 2 layers")
    assert asked[0] == pytest.approx((0.9 + 1.8, 1.8))  # lines 2.25 mm apart, two walls of 0.45
    assert told(0.51, 0.6)[0][0].level is FAULT
    assert told(0.5, 0.1)[0] == [] and told(0.9, fill=0.0)[0] == []


# --- the part ---


def test_where_the_part_ends_in_the_program(monkeypatch) -> None:
    """A part of 10 mm whose copy stands on the bed, or on a raft; layers of 0.2 mm."""
    from falsework.auditing import pipeline

    monkeypatch.setattr(pipeline, "part_findings", lambda *how: iter(()))
    monkeypatch.setattr(pipeline, "outline_findings", lambda *how: iter(()))
    monkeypatch.setattr(pipeline, "_beside", lambda *how: iter(()))

    def told(top=10.0, shift=0.0, raft=False, short=(), copies=True):
        monkeypatch.setattr(pipeline, "on_raft", lambda *how: raft)
        placed = Given(placement=Given(shift_mm=(0.0, 0.0, shift)))
        work = Given(part=Given(name="cowl", vertices=np.array([[0.0, 0, 0], [0, 0, 10.0]])))
        read = Given(found=None, usual=USUAL, tops=None)
        auditors = Given(strands=Given(totals=Given(part_top_mm=top, last_line=77)))
        found = _of_part(work, None, FoundCopies((placed,) if copies else (), None, short), read, auditors)
        return [(f.kind, f.level, f.found, f.planned) for f in found]

    assert told() == [] and told(9.71) == []
    assert told(9.69) == [("too low", RUIN, 9.69, 10.0)]
    assert told(10.4, 0.4) == [("too high", RUIN, 10.4, pytest.approx(10.0))]
    assert told(10.4, 0.4, raft=True) == [] and told(10.2, 0.29) == []
    assert told(short=(4.0,)) == [("too low", RUIN, 4.0, 10.0)]
    assert told(1.0, copies=False) == []


def test_times_are_counted_in_words() -> None:
    assert (findings._times(1), findings._times(2)) == ("one line", "2 lines")


@pytest.mark.parametrize(
    ("wide", "meant"),
    [
        ((0.45, 0.45, 0.3, 0.3, 0.3), 0.45),  # two of five have the room's
        ((0.5, 0.5, 0.3, 0.3, 0.3), 0.3),  # off it by a ninth
        ((0.49, 0.41, 0.3, 0.3, 0.3), 0.45),  # by less than a tenth either way
        ((0.45, *(0.3,) * 10), 0.3),  # one of eleven
        ((0.45, *(0.3,) * 8), 0.45),  # one of nine
    ],
)
def test_what_walls_are_meant_to_get(wide, meant) -> None:
    from falsework.auditing.consistency import _meant

    assert _meant(np.array(wide), 0.45) == meant
    assert _meant(np.array(wide), None) == np.median(wide)
