"""Sheets: list, read, change, undo, put away; their stages; their events."""

from __future__ import annotations

import time
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Query
from starlette.responses import Response, StreamingResponse

from falsework.bench import shapes
from falsework.bench.answers import Json, Refused
from falsework.bench.arriving import plain_name
from falsework.bench.history import differing
from falsework.bench.reach import as_picture
from falsework.bench.routes import Here, Who
from falsework.bench.scheduler import EVERYBODY, MOST_WAITING, TooMany
from falsework.bench.service import Service, patched
from falsework.bench.sheets import Sheet, SheetStep
from falsework.bench.stages import Stage
from falsework.bench.tray import Briefs, row
from falsework.bench.work import program_file

router = APIRouter(prefix="/api", tags=["sheets"])
SheetId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
StepNumber = Annotated[int, Path(ge=1, le=2**53)]
_BRIEFS = Briefs()
_CONFLICT: shapes.Responses = {409: {"model": shapes.ConflictBody}}


def answered(service: Service, sheet: Sheet, status: int = 200, dropped: list[str] | None = None) -> Json:
    """A sheet as an answer."""
    body = service.sheet_json(sheet)
    if dropped is not None:
        body["dropped"] = dropped
    return Json(body, status, headers={"etag": f'"{sheet.version}"'})


@router.get("/sheets", response_model=shapes.SheetsOut, responses=shapes.errors())
async def list_sheets(service: Here, search: Annotated[str, Query(max_length=200)] = "") -> Response:
    """All sheets whose title, note or part's name holds ``search``, the latest changed first."""
    found = []
    for sheet in await service.ask(service.sheets.all):
        state = sheet.state
        if search.lower() in f"{state['title']}\n{state['note']}\n{state['part']['name']}".lower():
            found.append(row(service, _BRIEFS, sheet))
    return Json({"sheets": found})


@router.get("/sheets/{sheet}", response_model=shapes.SheetOut, responses=shapes.errors(404))
async def read_sheet(service: Here, sheet: SheetId) -> Response:
    """The sheet as it stands."""
    return answered(service, await service.get(sheet))


@router.patch(
    "/sheets/{sheet}", response_model=shapes.SheetOut, responses=shapes.errors(404, 422) | _CONFLICT
)
async def change_sheet(service: Here, who: Who, sheet: SheetId, change: shapes.SheetPatch) -> Response:
    """Change title, note, program or choices of the version that is named; 409 where somebody was faster."""
    patch = change.model_dump(exclude_unset=True)
    if change.program is not None:
        patch["program"] = _on_the_sheet(service, change.program)
    done, dropped = await service.edit(sheet, change.version, lambda state: patched(state, patch), who)
    return answered(service, done, dropped=dropped)


def _on_the_sheet(service: Service, program: shapes.ProgramIn) -> dict[str, Any]:
    """A machine program as a sheet keeps it; 422 where none with that digest has arrived."""
    path = program_file(service.settings.folder, program.digest)
    if not path.is_file():
        wrong = "there is no program of that digest"
        raise Refused(422, "Invalid", "program.digest", wrong, "Send the program first")
    told = {**program.model_dump(), "name": plain_name(program.name)}
    return {**told, "bytes": path.stat().st_size, "dropped": time.time()}


@router.post("/sheets/{sheet}/undo", response_model=shapes.SheetOut, responses=shapes.errors(404) | _CONFLICT)
async def undo(service: Here, who: Who, sheet: SheetId, expected: shapes.SheetVersionMeant) -> Response:
    """Take the last change back."""
    return answered(service, await service.undo(sheet, expected.version, who))


@router.post("/sheets/{sheet}/redo", response_model=shapes.SheetOut, responses=shapes.errors(404) | _CONFLICT)
async def redo(service: Here, who: Who, sheet: SheetId, expected: shapes.SheetVersionMeant) -> Response:
    """Make the change that was taken back last again."""
    return answered(service, await service.undo(sheet, expected.version, who, again=True))


@router.get("/sheets/{sheet}/history", response_model=shapes.HistoryOut, responses=shapes.errors(404))
async def history(service: Here, who: Who, sheet: SheetId) -> Response:
    """Every state of the sheet that is kept: what was changed, by whom and when; oldest first."""
    now = await service.get(sheet)
    steps = [_step_json(step, who) for step in await service.ask(service.sheets.history, sheet)]
    fits = [{"when": at} for at in await service.ask(service.sheets.fits_since, now.created)]
    return Json({"title": now.state["title"], "version": now.version, "steps": steps, "fits": fits})


def _step_json(step: SheetStep, who: str) -> dict[str, Any]:
    return {**asdict(step), "own": step.who == who}


@router.get(
    "/sheets/{sheet}/history/{number}", response_model=shapes.EarlierOut, responses=shapes.errors(404)
)
async def earlier(service: Here, who: Who, sheet: SheetId, number: StepNumber) -> Response:
    """One state of the sheet's history, and how it differs from the sheet as it stands."""
    step, state = await service.earlier(sheet, number)
    now = await service.get(sheet)
    order = service.order_of(state)
    body = {
        "step": _step_json(step, who),
        **{name: state[name] for name in ("title", "note", "part", "choices", "process")},
        "stages": {stage.value: service.scheduler.kept(order.key(stage)) for stage in Stage},
        "differs": [asdict(one) for one in differing(state, now.state)],
    }
    return Json(body)


@router.post(
    "/sheets/{sheet}/history/{number}/take-back",
    response_model=shapes.SheetOut,
    responses=shapes.errors(404) | _CONFLICT,
)
async def take_back(
    service: Here, who: Who, sheet: SheetId, number: StepNumber, expected: shapes.SheetVersionMeant
) -> Response:
    """Have the sheet be as it was after that step: a new state, so nothing is lost and undo leads back."""
    return answered(service, await service.take_back(sheet, expected.version, number, who))


@router.post(
    "/sheets/{sheet}/copy", status_code=201, response_model=shapes.SheetOut, responses=shapes.errors(404, 422)
)
async def copy_sheet(
    service: Here, who: Who, sheet: SheetId, wanted: shapes.CopyIn | None = None
) -> Response:
    """A new sheet that starts where this one stands, but for the changes given."""
    patch = {} if wanted is None else wanted.model_dump(exclude_unset=True)
    return answered(service, await service.copy(sheet, who, patch), 201)


@router.get("/sheets/{sheet}/code", response_model=shapes.CodeOut, responses=shapes.errors(404))
async def code(service: Here, sheet: SheetId) -> Response:
    """The sheet's address as a picture for a phone that is let in; printed with the sheet."""
    address = service.address(f"/sheets/{(await service.get(sheet)).id}")
    return Json({"address": address, "picture": as_picture(address)})


@router.get("/sheets/{sheet}/against/{other}", response_model=shapes.AgainstOut, responses=shapes.errors(404))
async def against(service: Here, sheet: SheetId, other: SheetId) -> Response:
    """What is decided otherwise on another sheet: ``then`` is this one's, ``now`` the other's."""
    mine, theirs = (await service.get(sheet)).state, (await service.get(other)).state
    return Json({"differs": [asdict(one) for one in differing(mine, theirs)]})


@router.delete("/sheets/{sheet}", status_code=204, responses=shapes.errors(404) | _CONFLICT)
async def delete_sheet(
    service: Here, sheet: SheetId, version: Annotated[int, Query(ge=1, le=10**12)]
) -> Response:
    """Put the sheet away; it can be taken back for 30 days."""
    await service.delete(sheet, version)
    return Response(status_code=204)


@router.post("/sheets/{sheet}/restore", response_model=shapes.SheetOut, responses=shapes.errors(404))
async def restore_sheet(service: Here, who: Who, sheet: SheetId) -> Response:
    """Take a deleted sheet back."""
    restored = await service.ask(service.sheets.restore, sheet)
    service.changed(restored, who)
    return answered(service, restored)


@router.post(
    "/sheets/{sheet}/stages/{stage}",
    status_code=202,
    response_model=shapes.StageOut,
    responses=shapes.errors(404, 409, 429),
)
async def ask_for(service: Here, who: Who, sheet: SheetId, stage: Stage) -> Response:
    """Have a stage computed, with what it rests on; a failed or stopped one once more."""
    now = await service.get(sheet)
    if stage is Stage.AUDIT and not now.state.get("programs"):
        cure = "Bring the machine program first"
        raise Refused(409, "NotReady", "audit", "there is no program on this sheet", cure)
    service.scheduler.want(sheet, service.order(now), who, work=True)
    try:
        state = service.scheduler.ask(sheet, stage, who)
        return Json(state | {"news": service.scheduler.news()}, 202)
    except TooMany:
        wrong = f"{MOST_WAITING} of your jobs are waiting already"
        raise Refused(429, "TooMany", "bench", wrong, "Wait for some of them, or stop some") from None


@router.delete(
    "/sheets/{sheet}/stages/{stage}",
    status_code=202,
    response_model=shapes.StageOut,
    responses=shapes.errors(404),
)
async def stop(service: Here, who: Who, sheet: SheetId, stage: Stage) -> Response:
    """Stop computing a stage."""
    now = await service.get(sheet)
    service.scheduler.want(sheet, service.order(now), who)
    state = service.scheduler.stop(sheet, stage)
    return Json(state | {"news": service.scheduler.news()}, 202)


_STREAM: shapes.Responses = {200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}}
LastEvent = Annotated[str, Header(max_length=100)]


@router.get(
    "/sheets/{sheet}/events",
    response_class=StreamingResponse,
    responses=shapes.errors(404) | _STREAM,
)
async def sheet_events(service: Here, who: Who, sheet: SheetId, last_event_id: LastEvent = "") -> Response:
    """Server-sent events of one sheet: ``sheet``, ``stage``, ``people``, ``gone``.

    Whoever listens wants to see results: what is missing is computed.
    """
    now = await service.get(sheet)
    subject = f"sheet:{sheet}"
    service.scheduler.want(sheet, service.order(now), who)

    def tell_people() -> None:
        service.hub.tell(subject, "people", {"count": service.hub.listening(subject)})

    async def first() -> list[tuple[str, dict[str, Any]]]:
        return [("sheet", service.sheet_json(await service.get(sheet)))]

    stream = service.hub.stream(subject, last_event_id, first, tell_people)
    return StreamingResponse(stream, media_type="text/event-stream")


@router.get("/events", response_class=StreamingResponse, responses=shapes.errors() | _STREAM)
async def events(service: Here, last_event_id: LastEvent = "") -> Response:
    """Server-sent events of the whole bench: ``sheets``, ``bench``, ``ledger``, ``task``."""

    async def first() -> list[tuple[str, dict[str, Any]]]:
        return [("bench", {"busy": service.scheduler.busy()})]

    stream = service.hub.stream(EVERYBODY, last_event_id, first, lambda: None)
    return StreamingResponse(stream, media_type="text/event-stream")
