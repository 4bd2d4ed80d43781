"""Parts and marks coming in; results and files going out."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Annotated, Any
from uuid import uuid4

from fastapi import APIRouter, Path, Query, Request
from starlette.background import BackgroundTask
from starlette.responses import FileResponse, Response

from falsework.bench import shapes
from falsework.bench.answers import Json, Refused, not_found
from falsework.bench.arriving import arrive, keep_part, legal_name, plain_name
from falsework.bench.routes import Here, Who
from falsework.bench.routes.sheets import SheetId
from falsework.bench.security import FRAMED, plain_page
from falsework.bench.service import ARRIVING, Service
from falsework.bench.stages import Stage
from falsework.bench.work import part_file

router = APIRouter(prefix="/api", tags=["parts"])

DigestInPath = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]
FileName = Annotated[str, Path(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,60}$")]
RAW: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}
BINARY = shapes.content("application/octet-stream")
HANDED = shapes.content(
    "application/octet-stream",
    "application/json",
    "text/html",
    "text/markdown",
    "model/3mf",
    "model/stl",
    "image/svg+xml",
)
_FOR_EVER = "private, max-age=31536000, immutable"
TYPES = {
    ".json": "application/json",
    ".html": "text/html; charset=utf-8",
    ".md": "text/markdown; charset=utf-8",
    ".3mf": "model/3mf",
    ".stl": "model/stl",
    ".svg": "image/svg+xml",
}
# The report brings its own policy for its one script and style; here it loses our origin.
REPORT_POLICY = "sandbox allow-scripts allow-popups allow-downloads; frame-ancestors 'self'"

DEMO = {
    "mooring cleat": "two horns on a base: bridges and short overhangs",
    "ventilator cowl": "a bent trumpet: slopes that turn from holding to needing help",
    "pulley block": "a block with a slot: a wide bridge that nobody sees",
    "gull": "a sculpture on its post: every kind of underside",
    "lamp bracket": "an arm on a post: one big cantilever",
    "table": "four legs and a top: the plainest case",
}
MOST_MARKS_BYTES = 20_000_000 // 8 + 1


@router.post(
    "/parts",
    status_code=201,
    response_model=shapes.UploadOut,
    responses=shapes.errors(404, 408, 409, 413, 422, 507),
    openapi_extra=RAW,
)
async def upload(
    service: Here,
    who: Who,
    request: Request,
    name: Annotated[str, Query(max_length=1000)] = "part",
    sheet: Annotated[str | None, Query(pattern=r"^[0-9a-f]{16}$")] = None,
    version: Annotated[int | None, Query(ge=1, le=10**12)] = None,
) -> Response:
    """Take a part's file (the body, as it is) and make a sheet for it, or put it into ``sheet``."""
    if sheet is not None:
        await service.get(sheet)
        if version is None:
            raise Refused(422, "Invalid", "version", "is missing", "Say which version of the sheet is meant")
    folder = service.settings.folder / ARRIVING
    path, digest, size = await arrive(request.stream(), folder, service.settings.upload_s)
    if size == 0:
        path.unlink()
        raise Refused(422, "PartError", plain_name(name), "the file is empty", "Export it again")
    return await taken_in(service, who, Arrived(path, digest, size, plain_name(name)), sheet, version)


@dataclass(frozen=True)
class Arrived:
    """An uploaded file where it has arrived: its content's hash, its size, what it is called."""

    path: FilePath
    digest: str
    size: int
    name: str


async def taken_in(
    service: Service, who: str, file: Arrived, sheet: str | None = None, version: int | None = None
) -> Response:
    """A file that has arrived becomes a part of a new sheet or of that one."""
    await service.ask(keep_part, file.path, service.settings.folder, file.digest)
    await service.ask(service.sheets.add_part, file.digest, file.size)
    if sheet is None or version is None:
        made = await service.create(file.name, file.digest, file.size, who)
    else:
        part = {"digest": file.digest, "name": file.name, "bytes": file.size}
        made, _ = await service.edit(sheet, version, lambda state: {**state, "part": part}, who)
    body = {"part": file.digest, "name": file.name, "bytes": file.size, "sheet": service.sheet_json(made)}
    return Json(body, 201, headers={"location": f"/sheets/{made.id}"})


@router.get("/parts/{digest}", response_class=FileResponse, responses=shapes.errors(404) | BINARY)
async def original(
    service: Here, digest: DigestInPath, name: Annotated[str, Query(max_length=1000)] = "part"
) -> Response:
    """The file as it was uploaded."""
    if await service.ask(service.sheets.part_bytes, digest) is None:
        raise not_found("part", digest)
    return FileResponse(
        part_file(service.settings.folder, digest),
        filename=plain_name(name),
        media_type="application/octet-stream",
    )


@router.get("/demo", response_model=shapes.DemoOut, responses=shapes.errors())
async def demo_parts(service: Here) -> Response:
    """The harbour museum's parts, to try the bench with."""
    return Json({"parts": [{"name": name, "words": words} for name, words in DEMO.items()]})


@router.post("/demo/{name}", status_code=202, response_model=shapes.TaskOut, responses=shapes.errors(404))
async def demo_part(service: Here, who: Who, name: Annotated[str, Path(max_length=60)]) -> Response:
    """Make a demo part; the task's result is ``{"sheet": id}``."""
    if name not in DEMO:
        raise not_found("demo part", name)

    async def finish(key: str) -> dict[str, str]:
        made = service.results.file(key, "part")
        assert made is not None
        data = made.read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        copy = service.settings.folder / ARRIVING / uuid4().hex
        copy.write_bytes(data)
        await service.ask(keep_part, copy, service.settings.folder, digest)
        await service.ask(service.sheets.add_part, digest, len(data))
        sheet = await service.create(f"{name.replace(' ', '-')}.stl", digest, len(data), who)
        return {"sheet": sheet.id}

    task = service.scheduler.begin("demo", f"making the {name}", {"name": name}, who, finish)
    return Json(task.as_json(), 202)


@router.post(
    "/marks",
    status_code=201,
    response_model=shapes.MarksOut,
    responses=shapes.errors(413),
    openapi_extra=RAW,
)
async def marks(service: Here, request: Request) -> Response:
    """Keep marked faces: one bit for each face, least significant first."""
    bits = await request.body()
    digest = hashlib.sha256(bits).hexdigest()
    await service.ask(service.sheets.add_marks, digest, bits)
    return Json({"digest": digest, "count": int.from_bytes(bits, "little").bit_count()}, 201)


@router.get("/marks/{digest}", responses=shapes.errors(404) | BINARY)
async def marked(service: Here, digest: DigestInPath) -> Response:
    """Marked faces as they were sent."""
    bits = await service.ask(service.sheets.marks, digest)
    if bits is None:
        raise not_found("marks", digest)
    return Response(bits, media_type="application/octet-stream", headers={"cache-control": _FOR_EVER})


@router.get("/results/{key}/{file}", response_class=FileResponse, responses=shapes.errors(404) | HANDED)
async def result(service: Here, key: DigestInPath, file: FileName) -> Response:
    """One file of a result; it never changes."""
    path = service.results.file(key, file)
    if path is None:
        raise not_found("result", f"{key[:12]}…/{file}")
    kind = TYPES.get(path.suffix, "application/octet-stream")
    # written by us, but read as anything else than our page it must do nothing
    policy = {"content-security-policy": "default-src 'none'; sandbox"}
    return FileResponse(path, media_type=kind, headers={"cache-control": _FOR_EVER, **policy})


@router.get(
    "/sheets/{sheet}/files/{file}",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | HANDED,
)
async def handed_over(service: Here, sheet: SheetId, file: FileName, view: bool = False) -> Response:
    """One of the files to hand over, as a download; the report with ``view`` to look at."""
    return await handed(service, sheet, Stage.FILES, file, view)


@router.get(
    "/sheets/{sheet}/files.zip",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | shapes.content("application/zip"),
)
async def all_handed_over(service: Here, sheet: SheetId) -> Response:
    """All files to hand over in one."""
    stem, listed = await ready_file(service, sheet, Stage.FILES, "files.json")
    return await _packed(service, {stem: listed}, stem)


@router.get(
    "/files.zip",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | shapes.content("application/zip"),
)
async def files_of_several(
    service: Here, sheets: Annotated[str, Query(pattern=r"^[0-9a-f]{16}(,[0-9a-f]{16}){0,199}$")]
) -> Response:
    """The files of several sheets in one archive, each in a folder of its own."""
    folders: dict[str, FilePath] = {}
    for sheet in dict.fromkeys(sheets.split(",")):
        stem, listed = await ready_file(service, sheet, Stage.FILES, "files.json")
        taken = {name.lower() for name in folders}
        names = (stem, *(f"{stem}-{k}" for k in range(2, 300)))
        folders[next(name for name in names if name.lower() not in taken)] = listed
    return await _packed(service, folders, "work-orders")


async def _packed(service: Service, folders: Mapping[str, FilePath], name: str) -> FileResponse:
    """An archive of folders by name; each value is the list of its files, which lies beside them."""

    def fill(out: zipfile.ZipFile) -> None:
        for folder, listed in folders.items():
            for path in sorted(listed.parent.iterdir()):
                if path != listed:
                    store = zipfile.ZIP_STORED if path.suffix == ".3mf" else zipfile.ZIP_DEFLATED
                    out.write(path, f"{folder}/{path.name}", store)

    return await archive(service, name, fill)


async def archive(service: Service, name: str, fill: Callable[[zipfile.ZipFile], None]) -> FileResponse:
    """An archive of that name as a download: ``fill`` writes into it, and it goes once it was sent."""
    packed = service.settings.folder / ARRIVING / uuid4().hex

    def pack() -> None:
        try:
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
                fill(out)
        except BaseException:
            packed.unlink(missing_ok=True)
            raise

    await service.ask(pack)
    gone = BackgroundTask(packed.unlink, missing_ok=True)
    return FileResponse(packed, media_type="application/zip", filename=f"{name}.zip", background=gone)


async def handed(service: Service, sheet: str, stage: Stage, file: str, view: bool) -> Response:
    """A file of a stage as a download; a page with ``view`` to look at."""
    try:
        stem, path = await ready_file(service, sheet, stage, file)
    except Refused as refused:
        if not (view and refused.answer.status_code == 409):
            raise
        return plain_page(  # a page that was open when the sheet was changed, and is loaded again
            "This page is out of date",
            "The work order was changed after it was written. Write its files again, and open it from there.",
            (f"/sheets/{sheet}/files", "To the work order"),
            409,
        )
    kind = TYPES.get(path.suffix, "application/octet-stream")
    if view and path.suffix == ".html":
        headers = {"content-security-policy": REPORT_POLICY, **FRAMED}
        return FileResponse(path, media_type=kind, headers=headers)
    return FileResponse(path, media_type=kind, filename=f"{stem}-{file}")


async def ready_file(service: Service, sheet: str, stage: Stage, file: str) -> tuple[str, FilePath]:
    """The stem for downloads and the path of a file of a stage; 409 while it is not made."""
    now = await service.get(sheet)
    key = service.order(now).key(stage)
    if not service.results.has(key):
        wrong = "not made for what the sheet says now"
        raise Refused(409, "NotReady", stage.value, wrong, f"Ask for {stage.value} and wait")
    path = service.results.file(key, file)
    if path is None:
        raise not_found("file", file)
    return legal_name(now.state["title"]), path
