"""What a redraw hands over: the changed part, the changes as solids, pieces of a split, the page about it."""

from __future__ import annotations

import shutil
from typing import Any
from uuid import uuid4

from fastapi import APIRouter
from starlette.responses import FileResponse, Response

from falsework.bench import shapes
from falsework.bench.answers import not_found
from falsework.bench.arriving import digest_of, keep_part
from falsework.bench.routes import Here, Who
from falsework.bench.routes.parts import HANDED, FileName, handed, ready_file
from falsework.bench.routes.sheets import SheetId, answered
from falsework.bench.service import ARRIVING
from falsework.bench.stages import Stage

router = APIRouter(prefix="/api", tags=["redrawing"])
_OF_THE_PART = (
    "turn_deg", "scale", "unit", "overrules", "underside_notes", "show", "spare", "keep_off", "load_axis",
    "redrawing",
)  # fmt: skip


@router.get(
    "/sheets/{sheet}/redrawn/{file}",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | HANDED,
)
async def redrawn(service: Here, sheet: SheetId, file: FileName, view: bool = False) -> Response:
    """One file of the sheet's redraw as a download; its page with ``view`` to look at."""
    from falsework.files.redraw import OWN_NAMES

    if file not in OWN_NAMES:
        raise not_found("file", file)
    return await handed(service, sheet, Stage.REDRAW, file, view)


@router.post(
    "/sheets/{sheet}/redrawn",
    status_code=201,
    response_model=shapes.SheetOut,
    responses=shapes.errors(404, 409, 422),
)
async def take_redrawn(service: Here, who: Who, sheet: SheetId, wanted: shapes.RedrawnIn) -> Response:
    """Go on with the redrawn part: as the part of this sheet, or of a second one beside it."""
    from falsework.files.redraw import PACKAGE

    _, path = await ready_file(service, sheet, Stage.REDRAW, PACKAGE)
    copy = service.settings.folder / ARRIVING / uuid4().hex
    await service.ask(shutil.copyfile, path, copy)
    digest, size = await service.ask(digest_of, copy)
    await service.ask(keep_part, copy, service.settings.folder, digest)
    await service.ask(service.sheets.add_part, digest, size)
    now = await service.get(sheet)
    name = f"{now.state['part']['name'].rpartition('.')[0][:120]} redrawn.3mf"
    part = {"digest": digest, "name": name, "bytes": size}

    title = f"{now.state['title'][:180]}, redrawn"
    if wanted.beside:
        made = await service.beside(
            now.state, lambda state: {**_with_redrawn(state, part), "title": title}, who, "redrawn"
        )
        return answered(service, made, 201)
    done, dropped = await service.edit(sheet, wanted.version, lambda state: _with_redrawn(state, part), who)
    return answered(service, done, 201, dropped)


def _with_redrawn(state: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    """The state with the redrawn part: it lies and is sized as it is to be printed, and its faces are others,
    so what was said of turn, scale and single faces goes."""
    choices = dict(state["choices"])
    for field in _OF_THE_PART:
        choices.pop(field, None)
    return {**state, "part": part, "choices": choices, "programs": []}
