"""What a support is expected to take, reckoned again with plain numbers, one underside at a time."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from falsework.cost import Laying, Rates
from falsework.droop.supported import lane_spacing_mm
from falsework.objective.expected import AirColumns, Expected, _Forms, expected_supports
from falsework.process import bead_section_mm2, load_process
from falsework.process.settings import Process

SET = {
    "spacing_mm": 3.0,
    "perimeter_lines": 1,
    "interface_layers": 3,
    "interface_layers_below": 2,
    "foot_layers": 2,
    "foot_widening_mm": 1.5,
}
NONE = AirColumns(0.0, 0.0)


def of(form: str, **more) -> Process:
    pla = load_process("pla-0.4")
    return replace(pla, structure=replace(pla.structure, form=form, **{**SET, **more}))


def seconds_a_mm3(process: Process) -> float:
    return Laying(process, process.support_speed_mm_s).estimate(1.0).time_s


@pytest.mark.parametrize("weave", ["parallel", "crossed"])
@pytest.mark.parametrize("extent", [0.0, 12.0, 60.0])  # of a disc; shorter than a disc's outline; longer
def test_a_curtain(weave: str, extent: float) -> None:
    process = of("curtain", weave=weave)
    h, beside = process.layer_height_mm, process.line_width_mm
    bed, part = AirColumns(200.0, 3000.0, extent), AirColumns(100.0, 700.0, extent)
    cap, sole = 300.0 * 3 * h, 100.0 * 2 * h
    disc = 2.0 * math.sqrt(math.pi * 300.0)
    around = max(disc, 2.0 * (extent + 300.0 / extent)) if extent else disc
    line = bead_section_mm2(beside, h) / h
    share = (2 if weave == "crossed" else 1) * line / 3.0 + line * around / 300.0
    foot = around * 200.0 / 300.0 * 1.5 * 2 * h
    plastic = cap + sole + (3700.0 - cap - sole) * share + foot
    told = expected_supports(bed, part, process)
    assert float(told.volume_mm3) == pytest.approx(plastic)
    assert float(told.time_s) == pytest.approx(plastic * seconds_a_mm3(process))
    assert float(told.scar_mm2) == 100.0


def test_a_curtain_of_few_layers_is_all_interface_and_never_more_than_full() -> None:
    process = of("curtain", foot_layers=0)
    low = expected_supports(AirColumns(200.0, 60.0), NONE, process)
    assert float(low.volume_mm3) == pytest.approx(60.0)
    flat = expected_supports(NONE, AirColumns(200.0, 150.0), process)  # 120 above, 30 left below
    assert float(flat.volume_mm3) == pytest.approx(150.0)
    thin = expected_supports(AirColumns(0.5, 20.0), NONE, process)  # the outline alone would be more
    assert float(thin.volume_mm3) == pytest.approx(20.0)
    assert float(expected_supports(NONE, NONE, process).volume_mm3) == 0.0


def shores(area: float, volume: float, extent: float, side: float, process: Process) -> tuple[float, ...]:
    """Volume, seconds and feet of shores beneath one underside."""
    h, width = process.layer_height_mm, process.line_width_mm
    height = volume / area
    long = max(extent, math.sqrt(area))
    broad = area / long
    bays = [max(math.ceil(one / side - 0.3), 1) for one in (long, broad)]
    long, broad, posts = long / bays[0], broad / bays[1], bays[0] * bays[1]
    bends = height * (0.2 / (2.0e3 * process.material.youngs_modulus_gpa * width * width)) ** (1 / 3)
    stands = (3.0 * 1.5 * 0.2 * height / 0.5) ** (1 / 3)
    post = max(bends, stands, 4.0 * width)
    lanes = lane_spacing_mm(process)
    length = 0.0
    for k in range(9):
        leant = 2.0 * 0.9 * process.reach_mm / h * max(k / 8 * height - 2 * h, 0.0)
        a, b = max(long - leant, min(long, post)), max(broad - leant, post)
        length += (2.0 * (a + b) + (0.5 * a * b / lanes if min(a, b) > 0.5 * lanes else 0.0)) / 9
    layers = math.ceil(height / h)
    foot = posts * (a + 2 * 1.5) * (b + 2 * 1.5)
    dense = area * 3 * h + foot * 2 * h
    plastic = posts * length * bead_section_mm2(width, h) * layers + dense
    return plastic, plastic * seconds_a_mm3(process) + 1.4 * posts * layers, posts * a * b


def priced(taken: tuple[float, ...], process: Process) -> float:
    return Rates(process).price(*taken[:2])


# a table's slab; a long ledge; a wide hall; a rail as thin as a post; a low one
UNDERSIDES = [
    (1600.0, 40.0, 25.0),
    (900.0, 150.0, 60.0),
    (14400.0, 0.0, 45.0),
    (60.0, 60.0, 30.0),
    (400.0, 0.0, 1.6),
]


def ways_of(area: float, extent: float, height: float, on_part: bool) -> list[tuple[float, ...]]:
    columns = AirColumns(area, area * height, extent)
    filled = expected_supports(*((NONE, columns) if on_part else (columns, NONE)), of("curtain"))
    curtain = float(filled.volume_mm3), float(filled.time_s), area
    return [curtain, *(shores(area, area * height, extent, side, of("designed")) for side in (40.0, 80.0))]


@pytest.mark.parametrize(("area", "extent", "height"), UNDERSIDES)
def test_the_cheapest_of_a_curtain_and_of_shores(area: float, extent: float, height: float) -> None:
    process = of("designed")
    columns = AirColumns(area, area * height, extent)
    for on_part in (False, True):
        best = min(ways_of(area, extent, height, on_part), key=lambda one: priced(one, process))
        told = expected_supports(*((NONE, columns) if on_part else (columns, NONE)), process)
        assert (float(told.volume_mm3), float(told.time_s)) == pytest.approx(best[:2])
        assert float(told.scar_mm2) == pytest.approx(min(best[2], area) if on_part else 0.0)


@pytest.mark.parametrize(("area", "extent", "height"), [*UNDERSIDES, (30.0, 30.0, 1.4)])
def test_shores_whether_or_not_they_are_the_cheapest(area: float, extent: float, height: float) -> None:
    process = of("designed")
    told = _Forms(process).shores(AirColumns(area, area * height, extent), NONE, 40.0)
    by_hand = shores(area, area * height, extent, 40.0, process)
    assert (float(told.volume_mm3), float(told.time_s)) == pytest.approx(by_hand[:2])


def test_every_way_is_the_cheapest_somewhere() -> None:
    totals = [[priced(way, of("designed")) for way in ways_of(*one, False)] for one in UNDERSIDES]
    assert {total.index(min(total)) for total in totals} == {0, 1, 2}


def test_many_at_once_are_each_as_alone() -> None:
    import numpy as np

    process = of("designed")
    area, extent, height = np.array(UNDERSIDES).T
    together = expected_supports(
        AirColumns(area, area * height, extent), AirColumns(0 * area, 0 * area), process
    )
    for k, (a, e, h) in enumerate(UNDERSIDES):
        alone = expected_supports(AirColumns(a, a * h, e), NONE, process)
        assert isinstance(alone, Expected)
        assert float(together.volume_mm3[k]) == pytest.approx(float(alone.volume_mm3))
        assert float(together.time_s[k]) == pytest.approx(float(alone.time_s))
