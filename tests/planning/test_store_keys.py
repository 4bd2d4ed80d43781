"""What is kept of one plan serves another only where nothing that it rests on has changed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from falsework import Store, load_process, plan
from falsework.droop.belief import PRIOR
from falsework.process import override
from solids import box, merged, part_of

PLA = load_process("pla-0.4")
SHELF = part_of(*merged(box((6.0, 12.0, 16.0)), box((20.0, 12.0, 3.0), (5.0, 0.0, 10.0))))
SAGGIER = replace(PRIOR, draws=replace(PRIOR.draws, log_sag=PRIOR.draws.log_sag + 1.0))
CHANGES = {
    "belief": {"belief": SAGGIER},
    "layer height": {"process": override(PLA, {"layer_height_mm": "0.28"})},
    "fan": {"process": override(PLA, {"fan": "0.2"})},
    "air gap": {"process": override(PLA, {"structure.air_gap_layers": "3"})},
    "spacing": {"process": override(PLA, {"structure.spacing_mm": "4"})},
    "crossed lines": {"process": override(PLA, {"structure.weave": "crossed"})},
    "lines turned": {"process": override(PLA, {"structure.line_angle_deg": "30"})},
    "interface layers": {"process": override(PLA, {"structure.interface_layers": "4"})},
    "head widths": {"process": override(PLA, {"structure.head_widths": "9"})},
    "where supports start": {"standing": "leave"},
    "turn": {"turn_deg": (90.0, 0.0, 0.0)},
}


@pytest.fixture(scope="module")
def store() -> Store:
    return Store()


@pytest.mark.parametrize("change", CHANGES)
def test_a_store_that_has_seen_other_plans_changes_nothing(change: str, store: Store) -> None:
    asked = {"process": PLA} | CHANGES[change]
    before = plan(SHELF, process=PLA, store=store, release=False)
    after = plan(SHELF, store=store, release=False, **asked)
    assert after.to_json() == plan(SHELF, release=False, **asked).to_json()
    assert after.to_json() != before.to_json()
