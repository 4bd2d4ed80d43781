"""What a redraw hands over: the changed part, the changes as solids, pieces of a split, the page about it."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import FileResponse, Response

from falsework.bench import shapes
from falsework.bench.answers import not_found
from falsework.bench.routes import Here
from falsework.bench.routes.parts import BINARY, FileName, handed
from falsework.bench.routes.sheets import SheetId
from falsework.bench.stages import Stage

router = APIRouter(prefix="/api", tags=["redrawing"])


@router.get(
    "/sheets/{sheet}/redrawn/{file}",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | BINARY,
)
async def redrawn(service: Here, sheet: SheetId, file: FileName, view: bool = False) -> Response:
    """One file of the sheet's redraw as a download; its page with ``view`` to look at."""
    from falsework.files.redraw import OWN_NAMES

    if file not in OWN_NAMES:
        raise not_found("file", file)
    return await handed(service, sheet, Stage.REDRAW, file, view)
