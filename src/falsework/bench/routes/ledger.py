"""The ledger: printers and materials, readings with photographs, prints, all of it out and in."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from falsework.bench import recording, shapes
from falsework.bench.answers import Json, Refused, not_found
from falsework.bench.choices import Strict
from falsework.bench.ledger_access import plain
from falsework.bench.recording import condition_of, reading_json, refuse_where
from falsework.bench.routes import Here, Who
from falsework.bench.routes.parts import _FOR_EVER, RAW, DigestInPath
from falsework.bench.service import Service
from falsework.bench.stages import Stage
from falsework.coupon.reading import ConditionKind
from falsework.errors import LedgerError
from falsework.ledger import Ledger, Recorded
from falsework.ledger.values import digest_of
from falsework.process.settings import Process
from falsework.process.toml import override

router = APIRouter(prefix="/api", tags=["ledger"])

RowNumber = Annotated[int, Path(ge=1, le=2**53)]
Code = Annotated[str, Path(pattern=r"^[A-Za-z0-9-]{1,40}$")]
Named = Annotated[str, Path(min_length=1, max_length=100)]
_PAGE_ROWS = 50
_NUMBERS = r"^([0-9]{1,15}(-[0-9]{1,15})?(,[0-9]{1,15}(-[0-9]{1,15})?)*)?$"
MOST_IMPORT_BYTES = 50 << 20
MOST_PHOTOGRAPH_BYTES = 50_000_000
_PHOTOGRAPH_POLICY = {"content-security-policy": "default-src 'none'; sandbox", "cache-control": _FOR_EVER}


@router.get("/printers", responses=shapes.errors())
async def printers(service: Here) -> Response:
    """The printers that the ledger knows."""

    def found() -> list[dict[str, Any]]:
        ledger = service.ledger_access.existing()
        known = {} if ledger is None else ledger.printers()
        return [{"name": name, "printer": plain(printer)} for name, printer in known.items()]

    return Json({"printers": await service.ask(found)})


@router.get("/materials", responses=shapes.errors())
async def materials(service: Here) -> Response:
    """The materials that the ledger knows."""

    def found() -> list[dict[str, Any]]:
        ledger = service.ledger_access.existing()
        known = {} if ledger is None else ledger.materials()
        return [{"name": name, "material": plain(material)} for name, material in known.items()]

    return Json({"materials": await service.ask(found)})


@router.put("/printers/{name}", responses=shapes.errors(422))
async def describe_printer(service: Here, name: Named, wanted: shapes.Described) -> Response:
    """Make a printer known or describe it anew; settings by name, as in a process."""

    def describe() -> dict[str, Any]:
        ledger = service.ledger_access.ledger()
        start = ledger.printers().get(name, Process().printer)
        made = _with(Process(printer=replace(start, name=name)), "printer", wanted.settings).printer
        ledger.add_printer(made, wanted.reason)
        return {"name": name, "printer": plain(made)}

    return await _recorded_answer(service, describe)


@router.put("/materials/{name}", responses=shapes.errors(422))
async def describe_material(service: Here, name: Named, wanted: shapes.Described) -> Response:
    """Make a material known or describe it anew; settings by name, as in a process."""

    def describe() -> dict[str, Any]:
        ledger = service.ledger_access.ledger()
        start = ledger.materials().get(name, Process().material)
        made = _with(Process(material=replace(start, name=name)), "material", wanted.settings).material
        ledger.add_material(made, wanted.reason)
        return {"name": name, "material": plain(made)}

    return await _recorded_answer(service, describe)


def _with(process: Process, table: str, settings: dict[str, str]) -> Process:
    own = {key: text for key, text in settings.items() if key != f"{table}.name"}
    for key in own:
        refuse_where(not key.startswith(f"{table}."), key, f"is no setting of a {table}", "See the registry")
    return override(process, own) if own else process


async def _recorded_answer(service: Service, work: Any, status: int = 200) -> Json:
    body = await service.ask(work)
    service.ledger_changed()
    return Json(body, status)


# events


class MachineEventIn(Strict):
    """Something that happened to a printer."""

    printer: shapes.Name
    what: shapes.Name
    happened_on: datetime.date | None = None


class WithdrawalIn(Strict):
    """Why something is taken back."""

    reason: shapes.Words


@router.get("/machine-events", responses=shapes.errors(422))
async def machine_events(
    service: Here, printer: Annotated[str | None, Query(max_length=200)] = None
) -> Response:
    """What happened to the printers, by day; what was withdrawn too."""

    def found() -> list[dict[str, Any]]:
        ledger = service.ledger_access.existing()
        return [] if ledger is None else [plain(e) for e in ledger.events(printer, withdrawn=True)]

    return Json({"events": await service.ask(found)})


@router.post("/machine-events", status_code=201, responses=shapes.errors(422))
async def add_machine_event(service: Here, told: MachineEventIn) -> Response:
    """Write down what happened to a printer; what was printed before it counts less from then on."""

    def keep() -> dict[str, Any]:
        return {
            "id": service.ledger_access.ledger().add_event(told.printer, told.what.strip(), told.happened_on)
        }

    return await _recorded_answer(service, keep, 201)


@router.post("/machine-events/{number}/withdrawal", responses=shapes.errors(422))
async def withdraw_machine_event(
    service: Here, number: Annotated[int, Path(ge=1, le=2**53)], told: WithdrawalIn
) -> Response:
    """Let an event no longer count; it is kept, with the reason."""

    def withdraw() -> dict[str, Any]:
        service.ledger_access.ledger().withdraw_event(number, told.reason)
        return {"id": number}

    return await _recorded_answer(service, withdraw)


# readings


class Filter(shapes.BaseModel):
    """Which readings are asked for; what is left out lets all pass."""

    printer: Annotated[str | None, shapes.Field(max_length=200)] = None
    material: Annotated[str | None, shapes.Field(max_length=200)] = None
    coupon: Annotated[str | None, shapes.Field(max_length=40)] = None
    print: Annotated[int | None, shapes.Field(ge=1, le=2**53)] = None
    kind: ConditionKind | None = None
    numbers: Annotated[str, shapes.Field(max_length=2000, pattern=_NUMBERS, description="such as 3,7-12")] = (
        ""
    )
    search: Annotated[str, shapes.Field(max_length=200)] = ""
    withdrawn: bool = False
    page: Annotated[int, shapes.Field(ge=1, le=10**6)] = 1

    def passes(self, one: Recorded) -> bool:
        """Whether a reading is among them, by what the ledger itself does not look at."""
        spans = [span.partition("-") for span in self.numbers.split(",") if span]
        asked = [range(int(first), int(last or first) + 1) for first, _, last in spans]
        return (
            (self.kind is None or one.reading.condition.kind is self.kind)
            and (not asked or any(one.id in span for span in asked))
            and self.search.lower() in _words_of(one)
        )


@router.get("/readings", responses=shapes.errors(422))
async def readings(service: Here, wanted: Annotated[Filter, Query()]) -> Response:
    """Readings as they stand now, the latest first, fifty to a page."""

    def found() -> dict[str, Any]:
        ledger = service.ledger_access.existing()
        if ledger is None:
            return {"readings": [], "total": 0}
        some = ledger.readings(
            wanted.printer,
            wanted.material,
            coupon=wanted.coupon,
            print_id=wanted.print,
            withdrawn=wanted.withdrawn,
        )
        chosen = [one for one in reversed(some) if wanted.passes(one)]
        shown = chosen[(wanted.page - 1) * _PAGE_ROWS : wanted.page * _PAGE_ROWS]
        return {"readings": [reading_json(one, ledger) for one in shown], "total": len(chosen)}

    return Json(await service.ask(found))


def _words_of(recorded: Recorded) -> str:
    some = (
        recorded.reading.printer,
        recorded.reading.material,
        recorded.coupon,
        recorded.cell,
        recorded.note,
    )
    return " ".join(filter(None, some)).lower()


Digits = Annotated[str, shapes.StringConstraints(pattern=r"^[0-9a-f]{64}$")]


@router.post("/readings", status_code=201, responses=shapes.errors(404, 422))
async def record(service: Here, told: recording.ReadingIn) -> Response:
    """Record one outcome. ``once``, a name of the sender's own, makes sending it again harmless."""
    return await _recorded_answer(service, lambda: recording.record(service, told), 201)


class Correction(Strict):
    """What a reading is to say from now on; what is left out stays, null forgets it."""

    reason: Annotated[str, shapes.StringConstraints(min_length=1, max_length=1000)]
    outcome: recording.SeenOutcome = recording.SeenOutcome()
    condition: dict[str, shapes.JsonValue] | None = None
    measured_on: datetime.date | None = None
    gap_method: shapes.Title | None = None
    note: shapes.Words | None = None


class WithdrawalReason(Strict):
    """Why."""

    reason: Annotated[str, shapes.StringConstraints(min_length=1, max_length=1000)]


@router.patch("/readings/{number}", responses=shapes.errors(404, 422))
async def correct(service: Here, number: RowNumber, told: Correction) -> Response:
    """Let a reading say something else; what it said stays in its history."""

    def corrected() -> dict[str, Any]:
        ledger = _known(service)
        old = ledger.reading(number).reading
        changed = told.outcome.model_dump(exclude_unset=True)
        refuse_where("thickness_mm" in changed, "thickness_mm", "is not kept", "Give droop_mm")
        condition = old.condition if told.condition is None else condition_of(told.condition)
        new = replace(old, condition=condition, **changed)
        ledger.correct(
            number, new, told.reason, when=told.measured_on, gap_method=told.gap_method, note=told.note
        )
        return reading_json(ledger.reading(number), ledger)

    return await _recorded_answer(service, corrected)


def _counting(
    ledger: Ledger, number: int, reason: str, change: Callable[[Ledger, int, str], object]
) -> dict[str, Any]:
    """A reading after it was withdrawn or taken back in."""
    change(ledger, number, reason)
    return reading_json(ledger.reading(number), ledger)


@router.post("/readings/{number}/withdraw", responses=shapes.errors(404, 422))
async def withdraw(service: Here, number: RowNumber, told: WithdrawalReason) -> Response:
    """Let a reading no longer count; it stays in the ledger with the reason."""

    return await _recorded_answer(
        service, lambda: _counting(_known(service), number, told.reason, Ledger.withdraw)
    )


@router.post("/readings/{number}/restore", responses=shapes.errors(404, 422))
async def restore(service: Here, number: RowNumber, told: WithdrawalReason) -> Response:
    """Let a withdrawn reading count again."""

    return await _recorded_answer(
        service, lambda: _counting(_known(service), number, told.reason, Ledger.restore)
    )


@router.get("/readings/{number}/history", responses=shapes.errors(404))
async def reading_history(service: Here, number: RowNumber) -> Response:
    """Everything that a reading has ever said, the first version first."""
    versions = await service.ask(lambda: _known(service).history(number))
    return Json({"versions": plain(list(versions))})


def _known(service: Service) -> Ledger:
    ledger = service.ledger_access.existing()
    if ledger is None:
        raise LedgerError("ledger", "holds nothing yet", "Record something first")
    return ledger


# photographs


@router.post("/photographs", status_code=201, responses=shapes.errors(413, 422), openapi_extra=RAW)
async def photograph(
    service: Here, request: Request, name: Annotated[str, Query(max_length=1000)] = "photograph"
) -> Response:
    """Keep a photograph (JPEG, PNG, WebP, HEIC or AVIF); it is attached when a reading names it."""
    from falsework.bench.arriving import plain_name

    content = await request.body()
    digest = await service.ask(
        lambda: service.ledger_access.ledger().keep_photograph(content, plain_name(name))
    )
    return Json({"photograph": digest}, 201)


@router.get(
    "/photographs/{digest}",
    response_class=Response,
    responses=shapes.errors(404) | shapes.content("image/jpeg", "image/png", "image/webp"),
)
async def photograph_of(service: Here, digest: DigestInPath) -> Response:
    """A photograph, whatever it was called."""
    ledger = service.ledger_access.existing()
    if ledger is None:
        raise not_found("photograph", digest)
    content, media = await service.ask(ledger.photograph, digest)
    return Response(content, media_type=media, headers=_PHOTOGRAPH_POLICY)


# prints


class PrintIn(Strict):
    """That a work order or a test piece was printed."""

    sheet: Annotated[str, shapes.StringConstraints(pattern=r"^[0-9a-f]{16}$")] | None = None
    coupon: Annotated[str, shapes.StringConstraints(max_length=40)] | None = None
    printer: shapes.Name | None = None
    material: shapes.Name | None = None
    printed_on: datetime.date | None = None
    note: shapes.Words = ""


@router.post("/prints", status_code=201, responses=shapes.errors(404, 409, 422))
async def printed(service: Here, who: Who, told: PrintIn) -> Response:
    """Record that a sheet's plan, or a test piece, was printed; then what became of it can be recorded."""
    if (told.sheet is None) == (told.coupon is None):
        raise Refused(422, "Invalid", "request", "needs either a sheet or a coupon", "Give one of them")
    if told.coupon is not None:
        return await _recorded_answer(service, lambda: _printed_coupon(service, told), 201)
    sheet = await service.get(told.sheet or "")
    order = await service.ask(service.order, sheet)
    key = order.key(Stage.RELEASE)
    plan, spots = service.results.file(key, "plan.json"), service.results.file(key, "spots.json")
    if plan is None or spots is None:
        raise Refused(409, "NotReady", "sheet", "is not worked out as it stands now", "Wait for it")

    def add() -> dict[str, Any]:
        text, looked = plan.read_text("utf-8"), json.loads(spots.read_text("utf-8"))
        document = json.loads(text)
        digest = digest_of(text)
        process = service.ledger_access.on(order.process, told.printer, told.material)
        ledger = service.ledger_access.introduce(process)
        ledger.add_plan(digest, document["part"]["name"] or "part", order.process, looked["summary"])
        service.sheets.keep_spots(digest, looked["spots"])
        number = ledger.add_print(
            process.printer.name,
            process.material.name,
            plan=digest,
            printed_on=told.printed_on,
            note=told.note,
        )
        return _print_json(service, ledger, number)

    return await _recorded_answer(service, add, 201)


def _printed_coupon(service: Service, told: PrintIn) -> dict[str, Any]:
    ledger = service.ledger_access.ledger()
    code = told.coupon or ""
    process = service.ledger_access.on(recording.coupon_process(ledger, code), told.printer, told.material)
    service.ledger_access.introduce(process)
    names = (process.printer.name, process.material.name)
    number = ledger.add_print(*names, coupon=code, printed_on=told.printed_on, note=told.note)
    return _print_json(service, ledger, number)


@router.get("/prints", responses=shapes.errors(422))
async def prints(
    service: Here,
    search: Annotated[str, Query(max_length=200)] = "",
    printer: Annotated[str | None, Query(max_length=200)] = None,
    material: Annotated[str | None, Query(max_length=200)] = None,
    page: Annotated[int, Query(ge=1, le=10**6)] = 1,
) -> Response:
    """Prints, the latest first, fifty to a page; ``search`` looks into part, piece, note and names."""

    def found() -> dict[str, Any]:
        ledger = service.ledger_access.existing()
        if ledger is None:
            return {"prints": [], "total": 0}
        parts = {digest: plan.part for digest, plan in ledger.plans().items()}
        rows = []
        for one in reversed(ledger.prints()):
            part = parts.get(one.plan or "", "")
            words = f"{part} {one.coupon or ''} {one.printer} {one.material} {one.note}".lower()
            if (
                search.lower() in words
                and printer in (None, one.printer)
                and material in (None, one.material)
            ):
                rows.append({**plain(one), "part": part})
        return {"prints": rows[(page - 1) * _PAGE_ROWS : page * _PAGE_ROWS], "total": len(rows)}

    return Json(await service.ask(found))


@router.get("/prints/{number}", responses=shapes.errors(404))
async def one_print(service: Here, number: RowNumber) -> Response:
    """One print: what was printed, what there is to look at, what was read off it, its photographs."""
    return Json(await service.ask(lambda: _print_json(service, _known(service), number)))


def _print_json(service: Service, ledger: Ledger, number: int) -> dict[str, Any]:
    made = recording.print_of(ledger, number)
    plan = ledger.plans().get(made.plan or "")
    read = ledger.readings(print_id=number, withdrawn=True)
    return {
        **plain(made),
        "part": "" if plan is None else plan.part,
        "summary": None if plan is None else json.loads(plan.summary),
        "process": None if plan is None else plain(ledger.process(plan.process)),
        "spots": recording.print_spots(service, ledger, number),
        "readings": [reading_json(one, ledger) for one in read],
        "photographs": plain(ledger.photographs(print_id=number)),
    }


class Shown(Strict):
    """What a photograph shows: one print or one test piece."""

    print: Annotated[int, shapes.Field(ge=1, le=2**53)] | None = None
    coupon: Annotated[str, shapes.StringConstraints(max_length=40)] | None = None
    reading: Annotated[int, shapes.Field(ge=1, le=2**53)] | None = None
    note: shapes.Words = ""


@router.post("/photographs/{digest}/shows", status_code=201, responses=shapes.errors(404, 422))
async def attach(service: Here, digest: DigestInPath, told: Shown) -> Response:
    """Say what a photograph shows."""

    def attached() -> dict[str, Any]:
        number = _known(service).attach(
            digest, reading=told.reading, print_id=told.print, coupon=told.coupon, note=told.note
        )
        return {"attachment": number}

    return await _recorded_answer(service, attached, 201)


# all of it


@router.get(
    "/ledger/export.{form}",
    response_class=Response,
    responses=shapes.errors(404, 422) | shapes.content("application/json", "text/csv"),
)
async def export(service: Here, form: Literal["json", "csv"]) -> Response:
    """Everything as JSON, or the readings as a table."""
    ledger = service.ledger_access.existing()
    if ledger is None:
        raise LedgerError("ledger", "holds nothing yet", "Record something first")
    text = await service.ask(ledger.export_json if form == "json" else ledger.export_csv)
    media = "application/json" if form == "json" else "text/csv; charset=utf-8"
    headers = {"content-disposition": f'attachment; filename="ledger.{form}"'}
    return Response(text.encode("utf-8", "replace"), media_type=media, headers=headers)


@router.post("/ledger/import", responses=shapes.errors(413, 422), openapi_extra=RAW)
async def import_(
    service: Here, request: Request, form: Literal["json", "csv"], keep: bool = True
) -> Response:
    """Take over another ledger's JSON, or record a table of readings; without ``keep`` it is only tried."""
    content = await request.body()

    def taken() -> dict[str, Any]:
        ledger = service.ledger_access.ledger()
        if form == "csv":
            return {"recorded": plain(ledger.import_csv(content, "readings.csv", keep=keep))}
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise LedgerError("ledger.json", "is not UTF-8 text", "Export it again") from None
        return {"imported": plain(ledger.import_json(text))}

    return await _recorded_answer(service, taken)
