"""What is rebuilt from a program is what was written: gaps, spans, heights, widths, volumes, layers."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from audited import DIALECTS, SCENES, SQUARE
from falsework.auditing import reading
from falsework.auditing.deposit import BED, PART, Layer, rebuild
from falsework.auditing.survey import survey, usual, width_mm
from falsework.kernels.bead.laying import bead_section, bead_width
from falsework.kernels.bead.machine import LINE
from falsework.process import load_process
from falsework.process.derived import bead_section_mm2
from programs import Writer, block, heights

PROCESS = load_process("pla-0.4")


def layers_of(program: bytes, **how) -> list[Layer]:
    found = survey(program, PROCESS)
    return list(rebuild(program, found, PROCESS, usual(found), **how))


@given(
    gap=st.floats(0.06, 3.0),
    height=st.sampled_from([0.1, 0.15, 0.2, 0.28]),
    dialect=st.sampled_from(DIALECTS),
    angle=st.floats(0.0, 180.0),
)
@settings(max_examples=10, deadline=None, derandomize=True)
def test_air_gaps_are_exact(gap: float, height: float, dialect: dict, angle: float) -> None:
    """A plate floating over a block: the gap between them to a micrometre, in every dialect."""
    assume(gap > 0.25 * height)  # a lower one cannot be told from a thicker layer that rests
    writer = Writer(**dialect)
    lower = heights(5 * height, height, height)
    block(writer, SQUARE, lower)
    writer.slab(SQUARE.buffer(-1), lower[-1][0] + gap + height, height, angle_deg=angle)
    over = layers_of(writer.end().bytes())[-1]
    assert over.step_mm == pytest.approx(height, abs=1e-3)
    assert np.all(over.resting == 0.0)
    np.testing.assert_allclose(over.gap_mm[:, PART], gap, atol=1e-3)
    np.testing.assert_allclose(over.near[:, PART], 1.0)


@given(
    gap=st.floats(1.0, 20.0),
    angle=st.floats(0.0, 360.0),
    lean=st.floats(-40.0, 40.0),
    dialect=st.sampled_from(DIALECTS),
)
@settings(max_examples=20, deadline=None, derandomize=True)
def test_spans_are_exact(gap: float, angle: float, lean: float, dialect: dict) -> None:
    """Strands across a slot at any angle: the run in air is the slot's width along them, to 0.05 mm.

    The edges are the outer sides of the beads on both sides of the slot.
    """
    turn = math.radians(angle)
    u, v = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    middle = np.array([100.0, 100.0])
    writer = Writer(**dialect)
    w = writer.width

    def lines(z: float) -> None:
        writer.layer(z, 0.2)
        for side in (-1.0, 1.0):
            for k in range(8):
                at = middle + side * u * (0.5 * gap + 0.5 * w + 0.42 * k)
                writer.path([tuple(at - 30 * v), tuple(at + 30 * v)])

    lines(0.2)
    lines(0.4)
    writer.layer(0.6, 0.2)
    slope = math.radians(lean)
    way = math.cos(slope) * u + math.sin(slope) * v
    half = (0.5 * gap + 2.0) / math.cos(slope)
    for k in range(-2, 3):
        at = middle + 1.0 * k * v
        writer.path([tuple(at - half * way), tuple(at + half * way)])
    runs = layers_of(writer.end().bytes())[-1].runs
    assert len(runs) == 5 and np.all(runs.held == 1)
    # a slanting strand has half of its width over air a little before its centre line has
    np.testing.assert_allclose(
        runs.length_mm, gap / math.cos(slope), atol=0.05 + 0.5 * w * abs(math.tan(slope))
    )
    if abs(lean) < 1.0:
        np.testing.assert_allclose(runs.length_mm, gap, atol=0.05)


@given(st.floats(1.0, 15.0), st.integers(3, 60))
@settings(max_examples=8, deadline=None, derandomize=True)
def test_a_span_of_many_pieces_is_one_span(gap: float, pieces: int) -> None:
    writer = Writer()
    for z in (0.2, 0.4):
        for x0, x1 in ((50.0, 56.0), (56.0 + gap, 62.0 + gap)):
            writer.slab(shapely.box(x0, 50, x1, 60), z, 0.2)
    writer.layer(0.6, 0.2)
    writer.path([(x, 55.0) for x in np.linspace(52.0, 60.0 + gap, pieces + 1)])
    runs = layers_of(writer.end().bytes())[-1].runs
    assert len(runs) == 1
    assert runs.length_mm[0] == pytest.approx(gap, abs=0.05)
    assert runs.start[0] == pytest.approx([56.0, 55.0], abs=0.05)
    assert runs.end[0] == pytest.approx([56.0 + gap, 55.0], abs=0.05)


def test_free_ends_reach_as_far_as_they_do() -> None:
    writer = block(Writer(), SQUARE, heights(1.0))
    writer.layer(1.2, 0.2)
    writer.path([(60.0, 55.0), (71.0, 55.0)])  # 5 mm past the edge at 66
    writer.path([(70.0, 58.0), (60.0, 58.0)])  # begins 4 mm past it
    runs = layers_of(writer.end().bytes())[-1].runs
    assert runs.held.tolist() == [[1, 0], [0, 1]]
    np.testing.assert_allclose(runs.length_mm, [5.0, 4.0], atol=0.05)
    # edge of the strand's round end from the edge of the block
    np.testing.assert_allclose(runs.reach_mm, [5.225, 4.225], atol=0.25)
    line = next(k + 1 for k, text in enumerate(writer.lines) if "X71.0" in text)
    assert runs.lines[0].tolist() == [line, line]


@given(st.floats(0.05, 0.95))
@settings(max_examples=10, deadline=None, derandomize=True)
def test_the_carried_share_of_the_width(share: float) -> None:
    """A strand shifted sideways over one beneath: what rests is the overlap, to one of eight lines."""
    writer = Writer()
    for z, y in ((0.2, 50.0), (0.4, 50.0 + (1.0 - share) * 0.45)):
        writer.layer(z, 0.2)
        writer.path([(20.0, y), (60.0, y)])
    layer = layers_of(writer.end().bytes())[-1]
    assert layer.share[0] == pytest.approx(share, abs=1 / 16 + 0.01)


@pytest.mark.parametrize("dialect", DIALECTS, ids=str)
def test_volume_length_and_time_in_every_dialect(dialect: dict) -> None:
    writer = block(Writer(**dialect), SQUARE, heights(1.0))
    program = writer.end().bytes()
    found = survey(program, PROCESS)
    assert found.pushed_mm3 == pytest.approx(writer.volume, rel=1e-3)
    layers = layers_of(program)
    again = sum(
        bead_section(w, h) * long
        for x in layers
        for w, h, long in zip(x.width_mm, x.height_mm, x.length_mm, strict=True)
    )
    assert again == pytest.approx(found.pushed_mm3, rel=1e-3)
    assert [round(x.z_mm, 3) for x in layers] == [0.2, 0.4, 0.6, 0.8, 1.0]
    for layer in layers:
        np.testing.assert_allclose(layer.height_mm, 0.2, atol=1e-3)
        np.testing.assert_allclose(layer.width_mm[layer.length_mm > 1], 0.45, atol=2e-3)
    along = sum(float(x.length_mm.sum()) for x in layers)
    assert found.printing_s > along / 45.0  # the head must speed up and slow down as well
    assert found.time_s > found.printing_s


def test_layers_of_changing_height_are_found() -> None:
    layers = layers_of(SCENES["variable"](Writer()).end().bytes())
    assert [round(x.step_mm, 4) for x in layers] == [0.2, 0.12, 0.2, 0.28, 0.08, 0.2, 0.3, 0.16]


def test_fill_laid_in_every_second_layer_is_twice_as_high() -> None:
    layers = layers_of(SCENES["combined"](Writer()).end().bytes())
    tall = [x for x in layers if np.any(np.abs(x.height_mm - 0.4) < 1e-3)]
    assert len(tall) >= 4
    for layer in tall:
        double = np.abs(layer.height_mm - 0.4) < 1e-3
        np.testing.assert_allclose(layer.width_mm[double & (layer.length_mm > 2)], 0.45, atol=5e-3)


def test_a_climbing_wall_rests_on_its_own_last_turn() -> None:
    layers = layers_of(SCENES["vase"](Writer()).end().bytes())
    climbing = [x for x in layers if x.z_mm > 1.0]
    assert len(climbing) > 10
    for layer in climbing:
        np.testing.assert_allclose(layer.height_mm, 0.2, atol=2e-3)
        assert len(layer.runs) == 0


def test_lifted_travels_make_no_layers() -> None:
    plain, lifted = (layers_of(block(Writer(hop=h), SQUARE, heights(1.0)).end().bytes()) for h in (0, 0.4))
    assert [x.z_mm for x in plain] == pytest.approx([x.z_mm for x in lifted])


def test_the_first_layer_lies_on_the_bed() -> None:
    first = layers_of(block(Writer(), SQUARE, heights(0.4)).end().bytes())[0]
    np.testing.assert_allclose(first.resting[:, BED], 1.0)
    assert np.all(first.share == 1.0)


@given(st.floats(0.01, 2.0), st.floats(0.05, 1.0))
@settings(max_examples=50, deadline=None, derandomize=True)
def test_width_and_section_are_inverse(width: float, height: float) -> None:
    if width >= height:
        section = bead_section_mm2(width, height)
        assert float(width_mm(np.array(section), height)) == pytest.approx(width)
    section = np.array([0.3 * width * height])
    assert bead_section(float(width_mm(section, height)[0]), height) == pytest.approx(section[0])
    assert bead_width(section[0], height) == pytest.approx(float(width_mm(section, height)[0]))


def test_memory_does_not_grow_with_length(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten times the layers, the same peak: nothing is kept but a few layers and one figure for each."""

    monkeypatch.setattr(reading, "_CHUNK", 1 << 13)

    def peak(top: float) -> int:
        program = SCENES["tube"]
        writer = program(Writer(), top)
        data = writer.end().bytes()
        found = survey(data, PROCESS)
        of_most = usual(found)
        tracemalloc.start()
        for _ in rebuild(data, found, PROCESS, of_most):
            pass
        high = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return high

    peak(2.0)
    short, long = peak(6.0), peak(60.0)
    assert long < 1.1 * short + 2e5


def test_lines_are_counted_as_people_count_them() -> None:
    writer = block(Writer(), SQUARE, heights(0.4)).end()
    found = survey(writer.bytes("\r\n"), PROCESS)
    assert found.reading.state[LINE] == writer.line
