"""Machine programs that people's own slicing programs made: they come in, are audited, and go nowhere."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import FileResponse, Response

from falsework.bench import shapes
from falsework.bench.answers import Json, Refused, not_found
from falsework.bench.arriving import arrive, keep_program, plain_name
from falsework.bench.routes import Here
from falsework.bench.routes.parts import BINARY, HANDED, RAW, DigestInPath, FileName, handed
from falsework.bench.routes.sheets import SheetId
from falsework.bench.service import ARRIVING
from falsework.bench.stages import Stage
from falsework.bench.work import program_file

router = APIRouter(prefix="/api", tags=["programs"])
_HANDED_OUT = ("audit.json", "report.html")


@router.post(
    "/programs",
    status_code=201,
    response_model=shapes.ProgramKept,
    responses=shapes.errors(408, 413, 422, 507),
    openapi_extra=RAW,
)
async def upload(
    service: Here, request: Request, name: Annotated[str, Query(max_length=1000)] = "program"
) -> Response:
    """Take a machine program (the body, as it is; it may be packed). A sheet refers to it by PATCH."""
    folder = service.settings.folder
    path, digest, size = await arrive(request.stream(), folder / ARRIVING, service.settings.upload_s)
    if size == 0:
        path.unlink()
        raise Refused(422, "ProgramError", plain_name(name), "the file is empty", "Write the program again")
    await service.ask(keep_program, path, folder, digest)
    return Json({"digest": digest, "name": plain_name(name), "bytes": size}, 201)


@router.get("/programs/{digest}", response_class=FileResponse, responses=shapes.errors(404) | BINARY)
async def original(
    service: Here, digest: DigestInPath, name: Annotated[str, Query(max_length=1000)] = "program"
) -> Response:
    """A machine program to the byte as it came."""
    path = program_file(service.settings.folder, digest)
    if not path.is_file():
        raise not_found("program", digest)
    return FileResponse(path, filename=plain_name(name), media_type="application/octet-stream")


@router.get(
    "/sheets/{sheet}/audit/{file}",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | HANDED,
)
async def audited(service: Here, sheet: SheetId, file: FileName, view: bool = False) -> Response:
    """The audit of the sheet's program as a page or as JSON, as a download; the page with ``view`` to look
    at."""
    if file not in _HANDED_OUT:
        raise not_found("file", file)
    return await handed(service, sheet, Stage.AUDIT, file, view)
