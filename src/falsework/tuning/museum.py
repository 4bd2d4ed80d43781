"""The ledger of the harbour museum's print room: invented readings of test pieces as they are really made."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import TYPE_CHECKING

from falsework.coupon.designing import design_coupon
from falsework.coupon.value import CouponKind
from falsework.process.builtin import builtin
from falsework.process.settings import Process
from falsework.tuning.invented import invented_printer
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from falsework.ledger import Ledger

PRINTER = "harbour printer"
_TRUTH = 11  # seed of the printer's truth
_FIRST_DAY = datetime.date(2024, 3, 4)
_PRINTED = (CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP, CouponKind.WEAVE)


def museum_process() -> Process:
    """How the museum prints: PLA through a 0.4 mm nozzle on its one printer."""
    process = builtin("pla-0.4")
    return replace(process, name="harbour pla", printer=replace(process.printer, name=PRINTER))


def fill(ledger: Ledger, watch: Watch = QUIET) -> None:
    """One tray of each test piece, read off day by day; every reading is marked as invented.

    The printer's slopes hold farther than practice says, and its supports ask for more room.
    """
    from falsework.ledger import Entry

    process = museum_process()
    printer = replace(invented_printer(_TRUTH), name=PRINTER)
    printer = printer.with_limit(process, 57.0).with_gap(process, 2.5 * process.layer_height_mm)
    ledger.introduce(process.printer, process.material)
    for k, kind in enumerate(_PRINTED):
        day = _FIRST_DAY + datetime.timedelta(days=k)
        stretch = watch.part(k / len(_PRINTED), (k + 1) / len(_PRINTED))
        piece = design_coupon(kind, process, seed=k, watch=stretch)
        code = ledger.add_coupon(piece.to_json())
        print_id = ledger.add_print(
            PRINTER,
            process.material.name,
            coupon=code,
            printed_on=day,
            note="invented for the demonstration",
            invented=True,
        )
        readings = printer.readings([cell.condition for cell in piece.cells], k)
        ledger.add_many(
            [
                Entry(reading, coupon=code, cell=cell.label, print_id=print_id, measured_on=day)
                for reading, cell in zip(readings, piece.cells, strict=True)
            ]
        )
