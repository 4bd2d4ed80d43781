"""Readings to record, and a ledger that knows the museum's printer."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

from falsework.coupon.reading import Condition, Kind, LetGo, Reading
from falsework.ledger import Ledger
from falsework.process.settings import Material, Printer

DAY = datetime.date(2024, 5, 17)

OVERHANG = Condition(Kind.OVERHANG, 0.4, 0.2, 0.45, 210.0, 1.0, 45.0, angle_deg=50.0)
BRIDGE = Condition(Kind.BRIDGE, 0.4, 0.2, 0.45, 210.0, 1.0, 30.0, span_mm=25.0)
SUPPORT = Condition(
    *(Kind.SUPPORT, 0.4, 0.2, 0.45, 210.0, 1.0, 30.0),
    air_gap_mm=0.4,
    interface_layers=2,
    spacing_mm=2.0,
    pattern="lines",
    span_mm=20.0,
    crossing_deg=90.0,
    perimeter_lines=0,
)


def reading(condition: Condition = SUPPORT, **outcome) -> Reading:
    outcome = outcome or {"finish": 3}
    return Reading("harbour mole", "PLA", condition, **outcome)


def tried(condition: Condition, **changes) -> Condition:
    return replace(condition, **changes)


def museum(folder: Path) -> Ledger:
    ledger = Ledger.open(folder / "ledger.sqlite3")
    ledger.add_printer(Printer("harbour mole"))
    ledger.add_material(Material())
    return ledger


HAND = reading(let_go=LetGo.HAND, finish=4, droop_mm=0.1, clean_up_min=1.5)
