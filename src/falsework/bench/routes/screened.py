"""Several work orders as one list for ``falsework screen``: their files as they came, their processes."""

from __future__ import annotations

import csv
import io
import zipfile
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import FileResponse

from falsework.bench import shapes
from falsework.bench.answers import Refused
from falsework.bench.arriving import legal_name
from falsework.bench.routes import Here
from falsework.bench.routes.parts import archive
from falsework.bench.service import Service
from falsework.bench.sheets import Sheet
from falsework.bench.work import part_file
from falsework.process.builtin import builtin_names
from falsework.process.toml import dump_process

router = APIRouter(prefix="/api", tags=["screening"])
COLUMNS = ("path", "wanted", "unit", "process", "work_order")


@dataclass(frozen=True)
class _Line:
    """One work order in the list: its line, its part's digest, its process as a file where it has its own."""

    path: str
    unit: str
    process: str
    address: str
    digest: str
    process_toml: str


@router.get(
    "/screening.zip",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | shapes.content("application/zip"),
)
async def list_for_a_screening(
    service: Here, sheets: Annotated[str, Query(pattern=r"^[0-9a-f]{16}(,[0-9a-f]{16}){0,199}$")]
) -> FileResponse:
    """Parts, processes and ``parts.csv`` of several sheets in one archive, as ``falsework screen`` reads it.

    Files are as they came: positions and decisions of the sheets stay with the sheets.
    """
    lines: list[_Line] = []
    for id in dict.fromkeys(sheets.split(",")):
        lines.append(_line(service, await service.get(id), {PurePath(line.path).stem for line in lines}))

    def fill(out: zipfile.ZipFile) -> None:
        out.writestr("parts.csv", _table(lines))
        for line in lines:
            out.write(part_file(service.settings.folder, line.digest), line.path)
            if line.process_toml:
                out.writestr(line.process, line.process_toml)

    return await archive(service, "screening", fill)


def _line(service: Service, sheet: Sheet, taken: set[str]) -> _Line:
    order = service.order(sheet)
    if order.choices.scale != 1.0:
        wrong = f"it is scaled by {order.choices.scale:g}, and a screening scales all of its parts or none"
        raise Refused(409, "Scaled", sheet.state["title"], wrong, "Leave it out, or set its scale to 1")
    stem = legal_name(sheet.state["title"])
    names = (stem, *(f"{stem}-{k}" for k in range(2, 300)))
    stem = next(name for name in names if name.lower() not in {one.lower() for one in taken})
    own = bool(order.choices.settings) or order.choices.process not in builtin_names()
    made = dump_process(replace(order.process, name=f"{order.process.name}, {stem}")) if own else ""
    return _Line(
        path=f"parts/{stem}{PurePath(order.name).suffix.lower()}",
        unit=order.choices.unit or "",
        process=f"processes/{stem}.toml" if own else order.choices.process,
        address=service.address(f"/sheets/{sheet.id}"),
        digest=order.digest,
        process_toml=made,
    )


def _table(lines: list[_Line]) -> str:
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    table.writerows((line.path, 1, line.unit, line.process, line.address) for line in lines)
    return out.getvalue()
