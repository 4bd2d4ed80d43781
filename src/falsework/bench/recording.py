"""Recording over the line: a form's outcome becomes a reading of a cell, of a print, or by itself."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from typing import Annotated, Any

from falsework.bench import shapes
from falsework.bench.answers import not_found
from falsework.bench.choices import Digest, Strict
from falsework.bench.ledger_access import plain
from falsework.bench.service import Service
from falsework.coupon.reading import Condition, LetGo, Reading
from falsework.documents import decode, encode
from falsework.errors import LedgerError
from falsework.ledger import Entry, Ledger, Print, Recorded
from falsework.process.settings import Process

_AGREE_MM = 0.02  # what two ways of taking a droop may differ by


class SeenOutcome(Strict):
    """What was seen. What was not looked at is left out."""

    let_go: LetGo | None = None
    finish: Annotated[int, shapes.Field(ge=1, le=5)] | None = None
    droop_mm: float | None = None
    thickness_mm: float | None = None
    clean_up_min: float | None = None
    graded_by: shapes.Title = ""


class ReadingIn(SeenOutcome):
    """One outcome with where it belongs: a cell of a test piece, a spot of a print, or any condition."""

    once: Annotated[str, shapes.StringConstraints(pattern=r"^[A-Za-z0-9-]{8,64}$")] | None = None
    coupon: Annotated[str, shapes.StringConstraints(max_length=40)] | None = None
    print: Annotated[int, shapes.Field(ge=1, le=2**53)] | None = None
    cell: Annotated[str, shapes.StringConstraints(max_length=100)] | None = None
    printer: shapes.Name | None = None
    material: shapes.Name | None = None
    condition: Annotated[
        dict[str, shapes.JsonValue] | None, shapes.Field(description="a Condition, where no cell tells it")
    ] = None
    measured_on: datetime.date | None = None
    gap_method: shapes.Title = ""
    note: shapes.Words = ""
    invented: bool = False
    photographs: Annotated[tuple[Digest, ...], shapes.Field(max_length=20)] = ()


def refuse_where(condition: bool, subject: str, wrong: str, cure: str = "") -> None:
    """Raise ``LedgerError`` where ``condition`` holds."""
    if condition:
        raise LedgerError(subject, wrong, cure)


def reading_json(recorded: Recorded, ledger: Ledger) -> dict[str, Any]:
    """A reading as the page sees it, with the digests of its photographs."""
    shown = [one.digest for one in ledger.photographs(reading=recorded.id)]
    return {**plain(recorded), "photographs": shown}


def record(service: Service, told: ReadingIn) -> dict[str, Any]:
    """Record one outcome: all of it or, where something cannot be, nothing."""
    ledger = service.ledger_access.ledger()
    spot = None
    if told.coupon is not None:
        spot = _spot(coupon_spots(ledger, told.coupon), told.cell, f"test piece {told.coupon}")
    elif told.print is not None and told.condition is None:
        spot = _spot(print_spots(service, ledger, told.print), told.cell, f"print {told.print}")
    process, print_id = _where(service, ledger, told)
    reading = Reading(
        process.printer.name,
        process.material.name,
        condition_of(spot["condition"] if spot else told.condition),
        told.let_go,
        told.finish,
        _droop_mm(told, None if spot is None else spot["nominal_mm"]),
        told.clean_up_min,
        told.invented,
        told.graded_by.strip(),
    )
    entry = Entry(
        reading,
        coupon=told.coupon,
        cell=told.cell,
        print_id=print_id,
        measured_on=told.measured_on,
        gap_method=told.gap_method or (spot["gap_method"] if spot else ""),
        note=told.note,
        air_beneath_mm=spot["air_beneath_mm"] if spot else None,
        uid=told.once,
    )
    for digest in told.photographs:
        ledger.photograph(digest)  # refused before anything is written
    if told.coupon is not None:
        service.ledger_access.introduce(process)
        if print_id is None:
            refuse_where(bool(found := ledger.faults(entry)), "reading", "; ".join(found))
            entry = replace(entry, print_id=_first_print(ledger, reading, told))
    number = ledger.add_many([entry])[0]
    known = {one.digest for one in ledger.photographs(reading=number)}
    for digest in dict.fromkeys(told.photographs):
        if digest not in known:
            ledger.attach(digest, reading=number)
    return {"id": number, "reading": reading_json(ledger.reading(number), ledger)}


def _droop_mm(told: ReadingIn, nominal_mm: float | None) -> float | None:
    if told.thickness_mm is None:
        return told.droop_mm
    if nominal_mm is None:
        raise LedgerError("thickness_mm", "there is no thickness to take here", "Give droop_mm")
    droop_mm = told.thickness_mm - nominal_mm
    apart = told.droop_mm is not None and abs(told.droop_mm - droop_mm) > _AGREE_MM
    refuse_where(apart, "thickness_mm", "does not agree with droop_mm", "Give one of them")
    return droop_mm


def _where(service: Service, ledger: Ledger, told: ReadingIn) -> tuple[Process, int | None]:
    """Printer and material, as parts of a process, and the print; None where a test piece has none yet."""
    if told.print is not None:
        made = print_of(ledger, told.print)
        printer, material = ledger.printers()[made.printer], ledger.materials()[made.material]
        return Process(printer=printer, material=material), made.id
    if told.coupon is not None:
        process = service.ledger_access.on(coupon_process(ledger, told.coupon), told.printer, told.material)
        names = (process.printer.name, process.material.name)
        return process, ledger.last_print(*names, coupon=told.coupon)
    if told.printer is None or told.material is None:
        raise LedgerError("printer and material", "are missing", "Say what it was printed on and of")
    return service.ledger_access.on(Process(), told.printer, told.material), None


def _first_print(ledger: Ledger, reading: Reading, told: ReadingIn) -> int:
    return ledger.add_print(
        reading.printer,
        reading.material,
        coupon=told.coupon,
        printed_on=told.measured_on,
        invented=told.invented,
    )


def coupon_process(ledger: Ledger, code: str) -> Process:
    """The process that a test piece was made for."""
    stored = ledger.coupons().get(code)
    if stored is None:
        raise not_found("test piece", code)
    process: Process = decode(Process, json.loads(stored.document)["process"])
    return process


def print_of(ledger: Ledger, number: int) -> Print:
    """The print of that number; 404 where there is none."""
    made = next((one for one in ledger.prints() if one.id == number), None)
    if made is None:
        raise not_found("print", str(number))
    return made


def _spot(spots: list[dict[str, Any]], cell: str | None, subject: str) -> dict[str, Any]:
    for spot in spots:
        if spot["cell"] == cell:
            return spot
    known = ", ".join(spot["cell"] for spot in spots[:12])
    raise LedgerError(subject, f"has no cell {cell!r}", f"It has: {known}")


def condition_of(told: Any) -> Condition:
    """The condition that a document tells; LedgerError where it tells none."""
    if told is None:
        raise LedgerError("condition", "is missing", "Say what was tried, or name a cell")
    try:
        condition: Condition = decode(Condition, told)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise LedgerError(
            "condition", f"cannot be read: {error}", "See the registry for its fields"
        ) from None
    return condition


def coupon_spots(ledger: Ledger, code: str) -> list[dict[str, Any]]:
    """What there is to look at on a test piece that the ledger knows."""
    stored = ledger.coupons().get(code)
    if stored is None:
        raise not_found("test piece", code)
    from falsework.coupon import Coupon
    from falsework.ledger.looking import spots_of_piece

    return [encode(spot) for spot in spots_of_piece(Coupon.from_json(stored.document, code))]


def print_spots(service: Service, ledger: Ledger, number: int) -> list[dict[str, Any]]:
    """What there is to look at on a print: of a test piece its cells, of a plan what was kept with it."""
    made = print_of(ledger, number)
    if made.coupon is not None:
        return coupon_spots(ledger, made.coupon)
    return [] if made.plan is None else service.sheets.spots(made.plan)
