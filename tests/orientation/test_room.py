"""What cannot fit the printer is said with what would make it fit."""

from __future__ import annotations

import pytest

from falsework.errors import PartError
from falsework.orientation.room import check_room, room_for
from falsework.part.placing import place
from falsework.process import load_process
from falsework.wording.figures import plain
from solids import box, part_of

PROCESS = load_process("pla-0.4")  # builds 220 × 220 × 250 mm
BED = (220.0, 220.0)


def bar(x: float, y: float, z: float):
    return place(part_of(*box((x, y, z))), bed_mm=BED)


def test_what_fits_needs_no_word() -> None:
    assert room_for(bar(220.0, 220.0, 250.0), PROCESS) is None
    check_room(bar(10.0, 10.0, 10.0), PROCESS)


def test_a_bar_that_fits_standing_is_to_be_turned() -> None:
    lying = bar(240.0, 20.0, 10.0)
    room = room_for(lying, PROCESS)
    assert room is not None and room.turn_deg is not None
    assert room.share == pytest.approx(220 / 240, abs=0.001)
    turned = place(lying, turn_deg=room.turn_deg, bed_mm=BED)
    assert room_for(turned, PROCESS) is None
    check_room(lying, PROCESS, turnable=True)
    with pytest.raises(PartError) as caught:
        check_room(lying, PROCESS)
    assert "Turn it (--turn=" in caught.value.cure and "--scale 0.916" in caught.value.cure


def test_a_bar_that_fits_in_no_lie_is_to_be_scaled_or_cut() -> None:
    with pytest.raises(PartError) as caught:
        check_room(bar(700.0, 20.0, 10.0), PROCESS, scale=2.0, turnable=True)
    said = plain(str(caught.value))
    assert "it is 700 × 20 × 10 mm as it came, and the printer builds 220 × 220 × 250 mm" in said
    assert "Scale it (--scale 0.628) or cut it (into 3 or more pieces)" in said
    assert "Turn" not in said
