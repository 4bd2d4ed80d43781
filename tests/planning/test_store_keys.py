"""What is kept of one plan serves another only where nothing that it rests on has changed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from falsework import MarkedFaces, Plan, Store, Weights, load_process, plan
from falsework.droop.belief import PRIOR
from falsework.process import override
from falsework.process.schema import Setting, describe, get
from falsework.process.settings import Process
from solids import box, merged, part_of

PLA = load_process("pla-0.4")
# a shelf beside a post, a flag over its foot, a bar that starts in mid-air: from the bed, the part, a head
SHELF = part_of(
    *merged(
        box((6.0, 12.0, 16.0)),
        box((20.0, 12.0, 3.0), (5.0, 0.0, 10.0)),
        box((22.0, 30.0, 2.0), (-22.0, -9.0, 0.0)),
        box((10.5, 4.0, 2.0), (-10.0, 0.5, 11.0)),
        box((0.3, 8.0, 3.0), (16.0, 2.0, 6.0)),
        box((14.0, 8.0, 2.0), (12.0, 2.0, 8.5)),
    )
)
SAGGIER = replace(PRIOR, draws=replace(PRIOR.draws, log_sag=PRIOR.draws.log_sag + 1.0))


def otherwise(row: Setting) -> Process:
    """The process with one setting changed."""
    now = get(PLA, row)
    if row.choices:
        value = next(choice for choice in row.choices if choice != now)
    elif row.type == "str":
        value = f"{now} again"
    elif row.type == "int":
        value = now + 1
    else:
        value = 0.8 * now or 0.7
    if row.table == "process":
        return replace(PLA, **{row.field: value})
    return replace(PLA, **{row.table: replace(getattr(PLA, row.table), **{row.field: value})})


USUAL: dict[str, Any] = {"process": PLA, "standing": "bed-or-part"}
CHANGES: dict[str, dict[str, Any]] = {
    "belief": {"belief": SAGGIER},
    "weights": {"weights": Weights(time=3.0)},
    "turn": {"turn_deg": (90.0, 0.0, 0.0)},
    "spared faces": {"spare": MarkedFaces(directions=((0.0, 0.0, 1.0),))},
    "faces to be kept clean": {"show": MarkedFaces(directions=((0.0, 0.0, -1.0),))},
    "all left": {"standing": "leave"},
    "all from the bed": {"standing": "bed"},
    "as is best": {"standing": "auto"},
    "one left": {"overrules": {1: "leave"}},
    "another left": {"overrules": {2: "leave"}},
    "a wide gap": {"process": override(PLA, {"structure.air_gap_layers": "4"})},
    "a wide gap below": {"process": override(PLA, {"structure.air_gap_below_layers": "3"})},
    "air gap and side gap": {
        "process": override(PLA, {"structure.air_gap_layers": "3", "structure.side_gap_mm": "0.7"})
    },
}
SETTINGS = {f"{row.table}.{row.field}": otherwise(row) for row in describe()}
EVERY = CHANGES | {name: {"process": process} for name, process in SETTINGS.items()}


def said(made: Plan) -> tuple[str, bytes]:
    """All that a plan says, and the strands that it lays."""
    assert made.geometry is not None
    strands = made.geometry.scheme.strands
    return made.to_json(), b"".join(array.tobytes() for array in vars(strands).values())


@pytest.fixture(scope="module")
def store() -> Store:
    kept = Store()
    usual = plan(SHELF, store=kept, release=False, **USUAL)
    assert len(usual.pieces) > 1 and any(piece.scar_mm2 > 0.0 for piece in usual.pieces)
    return kept


@pytest.mark.parametrize("change", EVERY)
def test_a_store_that_has_seen_other_plans_changes_nothing(change: str, store: Store) -> None:
    """Every setting by itself, standings, marks: with all that the plans before left in the store."""
    asked = USUAL | EVERY[change]
    after = said(plan(SHELF, store=store, release=False, **asked))
    assert after == said(plan(SHELF, release=False, **asked))


def test_of_a_price_nothing_is_built_again(monkeypatch) -> None:
    """Nor of a speed at which supports are laid: only what they take is reckoned anew."""
    from falsework.support import draft, shores, sweep

    kept = Store()
    before = plan(SHELF, store=kept, release=False, **USUAL)
    for module, name in ((draft, "walls_of"), (shores, "_moved"), (sweep, "swept_down"), (sweep, "carried")):
        monkeypatch.setattr(module, name, None)
    for name in ("material.price_per_kg", "process.support_speed_mm_s"):
        after = plan(SHELF, store=kept, release=False, **(USUAL | EVERY[name]))
        assert after.support_cost.price != before.support_cost.price
        assert [piece.contact_mm2 for piece in after.pieces] == [piece.contact_mm2 for piece in before.pieces]
