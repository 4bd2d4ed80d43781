"""Screenings of the folders that the bench was started with."""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, Field
from starlette.responses import FileResponse, Response

from falsework.bench import catalogues, shapes
from falsework.bench.answers import Json, Refused, not_found
from falsework.bench.arriving import plain_name
from falsework.bench.catalogues import AskedScreening, ScreeningRun
from falsework.bench.choices import Strict, base_process
from falsework.bench.routes import Here, Who
from falsework.bench.routes.parts import Arrived, taken_in
from falsework.bench.service import ARRIVING, Service

router = APIRouter(prefix="/api/screenings", tags=["screenings"])
RunId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
AfterNumber = Annotated[int, Query(ge=0, le=10**12)]
MOST_ROWS = 200


class ScreeningIn(Strict):
    """Which folder is to be screened, by which processes, how deep."""

    catalogue: Annotated[str, Field(min_length=1, max_length=300)]
    processes: Annotated[list[shapes.ProcessName], Field(min_length=1, max_length=8)]
    depth: Literal["look", "plan", "full"] = "look"


class OpenIn(Strict):
    """Which part is to be opened, by its file as the rows have it."""

    file: Annotated[str, Field(min_length=1, max_length=4000)]


class ScreenedRowOut(BaseModel):
    """A row of the table; ``number`` counts them as they came."""

    number: int = 0
    file: str
    name: str
    process: str
    best_process: str
    state: str
    why: str
    wanted: int
    support_g: float | None
    part_g: float | None
    price: float | None
    total: float | None
    loss: float | None
    sag_mm: float | None
    entry: str
    picture: str


class RunOut(BaseModel):
    """A screening: what was asked, where it stands, and the rows that came last."""

    id: str
    catalogue: str
    processes: list[str]
    depth: str
    began: float
    state: Literal["running", "paused", "done", "failed"]
    wrong: str
    done: int
    listed: int
    whole: bool
    states: dict[str, int]
    rows: list[ScreenedRowOut]


class RunsOut(BaseModel):
    """The folders that may be screened, by name, and all screenings, newest first."""

    catalogues: list[str]
    screenings: list[RunOut]


class RowsOut(BaseModel):
    """Rows of the table, what will disappoint first, and how many there are."""

    rows: list[ScreenedRowOut]
    count: int
    price: float
    filament_g: float
    time_s: float


@router.get("", response_model=RunsOut, responses=shapes.errors())
async def screenings(service: Here) -> Response:
    """What may be screened, and what was."""
    runs = [run.told() for run in service.catalogues.all()]
    return Json({"catalogues": list(service.catalogues.roots), "screenings": runs})


@router.post("", status_code=201, response_model=RunOut, responses=shapes.errors(404, 409, 422))
async def screen(service: Here, asked: ScreeningIn) -> Response:
    """Screen a folder."""
    if len(set(asked.processes)) < len(asked.processes):
        raise Refused(422, "Invalid", "processes", "one is named twice", "Name each once")
    run_asked = AskedScreening(asked.catalogue, tuple(asked.processes), asked.depth)
    named = await service.ask(_processes, service, run_asked)
    run = await service.ask(service.catalogues.add, run_asked)
    try:
        service.catalogues.begin(run, named)
    except Refused:
        await service.ask(service.catalogues.forget, run)
        raise
    return Json(run.told(), 201)


@router.get("/{run}", response_model=RunOut, responses=shapes.errors(404))
async def screening(service: Here, run: RunId, after: AfterNumber = 0) -> Response:
    """Where a screening stands, with the rows that came after the one of that number."""
    return Json(service.catalogues.get(run).told(after))


@router.post("/{run}/pause", response_model=RunOut, responses=shapes.errors(404))
async def pause(service: Here, run: RunId) -> Response:
    """Pause it: what is done is kept."""
    found = service.catalogues.get(run)
    await service.ask(service.catalogues.pause, found)
    return Json(found.told())


@router.post("/{run}/resume", response_model=RunOut, responses=shapes.errors(404, 409, 422))
async def resume(service: Here, run: RunId) -> Response:
    """Go on with it; what is new or changed in its folder is done as well."""
    found = service.catalogues.get(run)
    service.catalogues.begin(found, await service.ask(_processes, service, found.asked))
    return Json(found.told())


@router.delete("/{run}", status_code=204, responses=shapes.errors(404, 409))
async def forget(service: Here, run: RunId) -> Response:
    """Stop it and remove its table."""
    await service.ask(service.catalogues.forget, service.catalogues.get(run))
    return Response(status_code=204)


@router.get("/{run}/rows", response_model=RowsOut, responses=shapes.errors(404, 422))
async def rows(
    service: Here,
    run: RunId,
    state: Literal["", "ready", "not ready", "looked at", "failed"] = "",
) -> Response:
    """Rows of its table, what will disappoint first."""
    found = service.catalogues.get(run)
    return Json(await service.ask(_answered, service, found, state))


@router.get(
    "/{run}/pictures/{name}.png",
    response_class=FileResponse,
    responses=shapes.errors(404) | shapes.content("image/png"),
)
async def picture(
    service: Here, run: RunId, name: Annotated[str, Path(pattern=r"^[0-9a-f]{24}$")]
) -> Response:
    """The picture of a part."""
    path = service.catalogues.table(service.catalogues.get(run)) / "pictures" / name[:2] / f"{name[2:]}.png"
    if not path.is_file():
        raise not_found("picture", name)
    return FileResponse(path, media_type="image/png", headers={"cache-control": "private, max-age=86400"})


@router.post(
    "/{run}/open",
    status_code=201,
    response_model=shapes.UploadOut,
    responses=shapes.errors(404, 409, 422, 507),
)
async def open_part(service: Here, who: Who, run: RunId, asked: OpenIn) -> Response:
    """Make a sheet for one of its parts."""
    found = service.catalogues.get(run)
    folder = service.settings.folder / ARRIVING
    path, digest, size = await service.ask(service.catalogues.copy_of, found, asked.file, folder)
    name = plain_name(FilePath(asked.file).name)
    return await taken_in(service, who, Arrived(path, digest, size, name))


def _processes(service: Service, asked: AskedScreening) -> tuple[Any, ...]:
    """The processes by name, with what the bench's ledger has taught of each."""
    from falsework.screening.terms import NamedProcess
    from falsework.tuning.of_ledger import belief_from_ledger

    kept, ledger = service.kept_processes(), service.ledger_access.existing()
    made = [(name, base_process(name, kept)) for name in asked.processes]
    return tuple(
        NamedProcess(name, process, belief_from_ledger(ledger, process).belief) for name, process in made
    )


def _answered(service: Service, run: ScreeningRun, state: str) -> dict[str, Any]:
    from falsework.screening.asking import Question, answered
    from falsework.screening.dataset import is_screening

    table = service.catalogues.table(run)
    if not is_screening(table):
        return {"rows": [], "count": 0, "price": 0.0, "filament_g": 0.0, "time_s": 0.0}
    where = f"state = '{state}'" if state else ""
    found = answered(table, Question(where, shown=catalogues.TOLD, most=MOST_ROWS))
    told = [dict(zip(found.names, values, strict=True)) for values in found.values]
    return {
        "rows": [{"number": 0, **row} for row in told],
        "count": found.count,
        "price": found.price,
        "filament_g": found.filament_g,
        "time_s": found.time_s,
    }
