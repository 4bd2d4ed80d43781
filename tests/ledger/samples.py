"""Readings to record, and a ledger that knows the museum's printer."""

from __future__ import annotations

import atexit
import datetime
import functools
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

from falsework.coupon import Batch, Cell, Coupon, CouponKind, Shape
from falsework.coupon.reading import Condition, ConditionKind, LetGo, Reading
from falsework.ledger import Ledger
from falsework.process.settings import Material, Printer, Process

DAY = datetime.date(2024, 5, 17)

OVERHANG = Condition(ConditionKind.OVERHANG, 0.4, 0.2, 0.45, 210.0, 1.0, 45.0, angle_deg=50.0)
BRIDGE = Condition(ConditionKind.BRIDGE, 0.4, 0.2, 0.45, 210.0, 1.0, 30.0, span_mm=25.0)
SUPPORT = Condition(
    *(ConditionKind.SUPPORT, 0.4, 0.2, 0.45, 210.0, 1.0, 30.0),
    air_gap_mm=0.4,
    interface_layers=2,
    spacing_mm=2.0,
    weave="parallel",
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


def piece(code: str = "G7K", process: Process | None = None) -> Coupon:
    """A gap matrix of three cells, as far as a ledger minds it."""
    process = process or Process(name="bench", printer=Printer("harbour mole"))
    gaps = {"a1": (0.2, ""), "a2": (0.4, ""), "b1": (0.3, "one layer of 0.1 mm under the gap")}
    cells = tuple(
        Cell(
            label,
            replace(SUPPORT, air_gap_mm=gap_mm),
            *(Shape.ROOF, 0, (10.0 * k, 5.0), (8.0, 30.0), "the roof from below", "across the roof"),
            nominal_mm=None if label == "b1" else 2.0,
            method=method,
        )
        for k, (label, (gap_mm, method)) in enumerate(gaps.items())
    )
    batch = Batch("", code, 1.0, (60.0, 40.0, 8.0), 24.0, 9.0)
    return Coupon(CouponKind.GAP, code, 1, process, cells, (batch,), 24.0, 9.0, 30.0, 15.0)


PHOTOGRAPH = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8


def full(folder: Path) -> Ledger:
    """A ledger with something in every table: made once, then copied."""
    shutil.copytree(_template(), folder, dirs_exist_ok=True)
    return Ledger.open(folder / "ledger.sqlite3")


@functools.cache
def _template() -> Path:
    folder = Path(tempfile.mkdtemp())
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    fill(folder / "full")
    return folder / "full"


def fill(folder: Path) -> Ledger:
    """The same, made anew."""
    ledger = museum(folder)
    ledger.add_material(Material(price_per_kg=31.5), "new supplier")
    ledger.add_printer(Printer("lighthouse", build_width_mm=180.0))
    process = Process(name="bench", printer=Printer("harbour mole"))
    ledger.add_plan("ab" * 32, "ventilator cowl", process, {"undersides": 3, "size_mm": [40.0, 40.0, 61.5]})
    code = ledger.add_coupon(piece().to_json())
    spool = ledger.add_spool("PLA", "grey 7", "a little damp", DAY)
    everyday = ledger.add_print("harbour mole", "PLA", plan="ab" * 32, spool=spool, printed_on=DAY)
    tray = ledger.add_print("harbour mole", "PLA", coupon=code, printed_on=DAY, note="second try")
    first = ledger.add_reading(HAND, cell="underside 3", print_id=everyday, when=DAY, air_beneath_mm=12.0)
    for cell, outcome in (("a1", {"let_go": LetGo.FUSED}), ("a2", {"let_go": LetGo.TOOL, "droop_mm": 0.25})):
        given = reading(piece().cell(cell).condition, **outcome)
        ledger.add_reading(
            given, coupon=code, cell=cell, print_id=tray, when=DAY, note="=at dusk, 'no' light"
        )
    lone = ledger.add_reading(replace(reading(BRIDGE, droop_mm=0.1 + 0.2), invented=True), when=DAY)
    gone = ledger.add_reading(reading(OVERHANG, finish=2), when=DAY)
    ledger.correct(first, replace(HAND, finish=3), "held against the wrong picture")
    ledger.withdraw(gone, "another printer's piece")
    digest = ledger.keep_photograph(PHOTOGRAPH, "cowl from below.jpg")
    ledger.attach(digest, reading=first, note="in the evening")
    wrong = ledger.attach(digest, coupon=code)
    ledger.attach(digest, print_id=everyday)
    ledger.detach(wrong, "shows the cowl")
    ledger.save_fit("{}", ledger.readings_digest())
    assert lone
    return ledger
