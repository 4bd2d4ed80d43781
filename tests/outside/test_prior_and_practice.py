"""What the model expects before any reading: common practice and published values lie in its intervals.

Practice has no source; each check says so.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from falsework.droop.belief import PRIOR, with_law
from falsework.droop.laws import Laws
from falsework.process import load_process
from falsework.process.settings import Process

PLA = load_process("pla-0.4")


def strand(height: float, width: float, fan: float = 1.0) -> Process:
    bore_mm = max(
        height, width / 1.125, PLA.first_layer_height_mm
    )  # nothing here depends on it but that the strand can be laid
    return replace(PLA, nozzle_mm=bore_mm, layer_height_mm=height, line_width_mm=width, fan=fan)


@pytest.mark.parametrize("height", [0.1, 0.2, 0.4])
def test_the_45_degree_rule(height):
    """Common practice, no source: 45° from the vertical where the layer is half as high as the line is wide.

    Up to 45° passes: Mazlan, Abdul Kadir, Yusof, Wahab 2020, J. Adv. Ind. Technol. Appl., pp. 38-47.
    """
    limit = Laws(strand(height, 2 * height)).limit_angle_deg()
    assert limit.low < 45 < limit.high
    assert limit.value == pytest.approx(45, abs=3)


def test_steeper_with_strong_cooling():
    """Common practice, no source: 50 to 60° depending on part cooling."""
    limit = Laws(strand(0.2, 0.4)).limit_angle_deg()
    assert limit.low < 50 and limit.high > 58
    assert Laws(strand(0.2, 0.4, fan=0.0)).limit_angle_deg().high < limit.high - 5


@pytest.mark.parametrize(("height", "width"), [(0.2, 0.45), (0.9, 1.4)])
def test_two_layers_of_gap(height, width):
    """Common practice, no source: 0.4 mm at 0.2 mm layers, 1.8 mm at 0.9 mm layers; two is the first whole
    number of layers at which 4 of 5 are expected to come off."""
    process = strand(height, width)
    gap = Laws(process).removable_gap_mm()
    assert gap.low < 2 * height < gap.high
    one, two = (sum(Laws(process).let_go_chances(n * height)[2:]) for n in (1, 2))
    assert one < 0.8 <= two


def test_another_school_of_practice_is_within():
    """From memory: half a layer to one layer of gap for PLA."""
    gap = Laws(PLA).removable_gap_mm()
    assert gap.low < 0.2 and gap.low < 0.15


def test_physics_and_practice_part_at_thick_layers():
    """By clearance thick layers want less than practice gives; by layers the same as thin ones."""
    thick = strand(0.9, 1.4)
    by_clearance = Laws(thick, with_law(PRIOR, False)).removable_gap_mm().value / 0.9
    by_layers = Laws(thick, with_law(PRIOR, True)).removable_gap_mm().value / 0.9
    usual = Laws(PLA).removable_gap_mm().value / 0.2
    assert by_clearance < 0.9 * by_layers
    assert by_layers == pytest.approx(usual, rel=0.1)


def test_the_fan_helps():
    """Pricci 2025, Polymers 17(21):2858: the fan is the strongest lever; best settings cut sag by 65 %.

    Cuts by the fan alone, over the whole cloud: none negative, and 65 % is among them.
    """
    cuts = []
    for end in ("value", "low", "high"):
        with_fan, still = Laws(PLA).bridge_droop(50), Laws(strand(0.2, 0.45, 0.0)).bridge_droop(50)
        cuts.append(1 - getattr(with_fan, end) / getattr(still, end))
    assert min(cuts) > 0.3
    lowest = 1 - Laws(PLA).bridge_droop(50).low / Laws(strand(0.2, 0.45, 0.0)).bridge_droop(50).value
    assert lowest > 0.65


def test_speed_is_left_to_readings():
    """Pricci 2025 finds less sag with a faster head, fed with pellets apart; with the flow tied to the speed
    nothing of that follows, and the model takes no side."""
    slow, fast = (Laws(replace(PLA, bridge_speed_mm_s=v)).bridge_droop(50) for v in (15.0, 60.0))
    assert slow.value == pytest.approx(fast.value, rel=0.03)
    usual = Laws(PLA).bridge_droop(50)
    assert fast.high / fast.low > usual.high / usual.low
