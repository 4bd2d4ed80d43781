"""The bench itself, its registry of fields, its processes, who may come in."""

from __future__ import annotations

import dataclasses
import time
from typing import Annotated, Any

from fastapi import APIRouter, Path
from starlette.responses import Response

from falsework.bench import shapes
from falsework.bench.answers import Json, Refused, not_found
from falsework.bench.choices import base_process
from falsework.bench.reach import as_picture
from falsework.bench.routes import Here, Who
from falsework.bench.scheduler import SideTask
from falsework.bench.security import BODY_BYTES, INVITATION_S
from falsework.bench.service import Service
from falsework.documents import encode
from falsework.process.builtin import builtin, builtin_names
from falsework.process.fields import rows_in, spec_of
from falsework.process.schema import Setting, describe
from falsework.process.toml import dump_process, override, parse_process
from falsework.request.weights import Weights
from falsework.version import __version__
from falsework.wording import cautions, terms

router = APIRouter(prefix="/api", tags=["bench"])
ProcessNameInPath = Annotated[str, Path(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._+-]{0,59}$")]


@router.get("/bench", response_model=shapes.BenchOut, responses=shapes.errors())
async def bench(service: Here) -> Response:
    """What this bench is, what it takes, what it is doing."""
    settings, screened = service.settings, service.catalogues
    limits = {
        "upload_bytes": settings.upload_bytes,
        "upload_s": settings.upload_s,
        "job_s": settings.job_s,
        "body_bytes": BODY_BYTES,
    }
    body = {
        "version": __version__,
        "address": service.address(),
        "started": service.started,
        "workers": settings.workers,
        "limits": limits,
        "busy": service.scheduler.busy(),
        "places": {"tuning": True, "ledger": True, "screenings": bool(screened.roots or screened.all())},
        "other_machines": not service.hosts.loopback,
    }
    return Json(body)


@router.post("/invitations", status_code=201, response_model=shapes.InvitationOut, responses=shapes.errors())
async def invite(service: Here) -> Response:
    """A one-time address for another browser, good for a quarter of an hour; with a picture for a phone."""
    token = await service.ask(service.sessions.invite)
    address = service.address(f"/enter?token={token}")
    body = {"address": address, "picture": as_picture(address), "expires": time.time() + INVITATION_S}
    return Json(body, 201)


@router.get("/registry", response_model=shapes.RegistryOut, responses=shapes.errors())
async def registry(service: Here) -> Response:
    """Every field that a person may set or record: unit, range, help and source; the terms of a price."""
    from falsework.coupon.reading import Condition, Reading

    body = {
        "process": [_row(row) for row in describe()],
        "condition": _rows("condition", Condition),
        "reading": _rows("reading", Reading),
        "weights": [_row(row) for row in rows_in(Weights, "weights")],
        "price": terms.PRICE,
    }
    return Json(body)


def _row(row: Setting) -> dict[str, Any]:
    key = row.field if row.table in ("process", "weights") else f"{row.table}.{row.field}"
    default = None if row.default is dataclasses.MISSING else row.default
    told = row._asdict() | {"choices": list(row.choices), "default": default}
    return told | {"key": key, "allowed": row.allowed}


def _rows(table: str, kind: type[Any]) -> list[dict[str, Any]]:
    """Rows of a dataclass that carries the same metadata as a process."""
    rows = []
    for field in dataclasses.fields(kind):
        spec = spec_of(field)
        plain = str(field.type).removesuffix(" | None")
        type_ = plain if plain in ("int", "float", "bool") else "str"
        default = None if field.default is dataclasses.MISSING else field.default
        row = Setting(
            table,
            field.name,
            type_,
            spec.unit,
            spec.low,
            spec.high,
            spec.choices,
            default,
            spec.help,
            spec.source,
        )
        rows.append(_row(row) | {"key": field.name})
    return rows


def _process(service: Service, name: str, text: str | None, basis: str) -> dict[str, Any]:
    process = builtin(name) if text is None else parse_process(text, name)
    return {"name": name, "builtin": text is None, "basis": basis, "process": encode(process)}


@router.get("/cautions", response_model=shapes.CautionsOut, responses=shapes.errors())
async def told_cautions() -> Response:
    """What can hurt people, by what a page leads to."""
    tasks = {task.value: encode(cautions.cautions(task)) for task in cautions.CautionedTask}
    tasks["turn"] = encode((cautions.TURNED,))
    return Json({"tasks": tasks, "rules": cautions.RULES})


@router.get("/processes", response_model=shapes.ProcessesOut, responses=shapes.errors())
async def processes(service: Here) -> Response:
    """Built-in processes and those that this bench keeps."""
    kept = await service.ask(service.sheets.processes)
    listed = [_process(service, name, None, "") for name in builtin_names()]
    listed += [_process(service, name, text, basis) for name, (text, basis) in kept.items()]
    return Json({"processes": listed})


@router.get(
    "/processes/{name}.toml",
    responses=shapes.errors(404) | {200: {"content": {"application/toml": {"schema": {"type": "string"}}}}},
)
async def process_file(service: Here, name: ProcessNameInPath) -> Response:
    """A process as a file, every setting with its unit, range and meaning."""
    kept = await service.ask(service.sheets.processes)
    text = kept[name][0] if name in kept else None
    if text is None:
        if name not in builtin_names():
            raise not_found("process", name)
        text = dump_process(builtin(name))
    headers = {"content-disposition": f'attachment; filename="{name}.toml"'}
    return Response(text.encode(), media_type="application/toml", headers=headers)


@router.get("/processes/{name}", response_model=shapes.ProcessOut, responses=shapes.errors(404))
async def process(service: Here, name: ProcessNameInPath) -> Response:
    """One process."""
    kept = await service.ask(service.sheets.processes)
    if name in builtin_names():
        return Json(_process(service, name, None, ""))
    if name not in kept:
        raise not_found("process", name)
    return Json(_process(service, name, *kept[name]))


@router.put("/processes/{name}", response_model=shapes.ProcessOut, responses=shapes.errors(409, 422))
async def keep_process(service: Here, name: ProcessNameInPath, wanted: shapes.ProcessIn) -> Response:
    """Keep a process: from a file's text, or from another one with settings changed."""
    if (wanted.toml is None) == (wanted.based_on is None):
        raise Refused(422, "Invalid", "request", "needs either toml or based_on", "Give one of them")
    if wanted.toml is not None:
        made = override(parse_process(wanted.toml, name), {**wanted.settings, "name": name})
    else:
        kept = await service.ask(service.kept_processes)
        made = override(base_process(wanted.based_on or "", kept), {**wanted.settings, "name": name})
    return await keep_text(service, name, dump_process(made))


async def keep_text(service: Service, name: str, text: str, status: int = 200) -> Json:
    """Keep a process by its text, evidence and all, and answer with it."""
    if name in builtin_names():
        raise Refused(409, "Conflict", name, "is the name of a built-in process", "Choose another name")
    made = {**_process(service, name, text, ""), "basis": basis_of(text)}
    await service.ask(service.sheets.put_process, name, text, made["basis"])
    return Json(made, status)


def basis_of(text: str) -> str:
    """On what a tuned process rests, in words from its evidence; '' for one that was not tuned."""
    import tomllib

    evidence = tomllib.loads(text).get("evidence", {})
    found = dict.fromkeys(entry["basis"] for entry in evidence.values() if "basis" in entry)
    invented = ", invented readings" if any("invented" in entry for entry in evidence.values()) else ""
    return f"tuned: {', '.join(found)}{invented}" if found else ""


@router.delete("/processes/{name}", status_code=204, responses=shapes.errors(404))
async def drop_process(service: Here, name: ProcessNameInPath) -> Response:
    """Keep a process no longer; sheets that chose it keep their settings."""
    if not await service.ask(service.sheets.drop_process, name):
        raise not_found("process", name)
    return Response(status_code=204)


TaskId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]


def _known(service: Service, task: str) -> SideTask:
    found = service.scheduler.task(task)
    if found is None:
        raise not_found("task", task)
    return found


@router.get("/tasks/{task}", response_model=shapes.TaskOut, responses=shapes.errors(404))
async def task_state(service: Here, task: TaskId) -> Response:
    """Where a task stands."""
    return Json(_known(service, task).as_json())


@router.delete("/tasks/{task}", status_code=202, response_model=shapes.TaskOut, responses=shapes.errors(404))
async def stop_task(service: Here, who: Who, task: TaskId) -> Response:
    """Stop a task."""
    found = _known(service, task)
    service.scheduler.stop_task(found)
    return Json(found.as_json(), 202)
