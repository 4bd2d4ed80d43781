"""Tuning: test pieces, and what the readings say about a process."""

from __future__ import annotations

import json
import secrets
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from starlette.responses import FileResponse, Response

from falsework.bench import shapes
from falsework.bench.answers import Json, Refused, not_found
from falsework.bench.choices import Strict, base_process
from falsework.bench.ledger_access import plain
from falsework.bench.recording import coupon_spots
from falsework.bench.routes import Here, Who
from falsework.bench.routes.ledger import Code
from falsework.bench.routes.parts import HANDED, REPORT_POLICY, TYPES, FileName
from falsework.bench.scheduler import MOST_WAITING, TooMany
from falsework.bench.security import FRAMED
from falsework.bench.service import Service
from falsework.bench.stages import key_of
from falsework.coupon.value import CouponKind
from falsework.documents import decode, encode
from falsework.errors import LedgerError
from falsework.planning.handling import job_of
from falsework.process.settings import Process
from falsework.process.toml import override
from falsework.wording.cautions import CautionedTask, cautions

router = APIRouter(prefix="/api", tags=["tuning"])
_MOST_SEED = 999_999

SettingTexts = dict[shapes.Name, Annotated[str, shapes.StringConstraints(max_length=200)]]


class ProcessChoice(Strict):
    """A process of this bench, its settings changed, on a printer and with a material of the ledger."""

    process: shapes.Name
    settings: Annotated[SettingTexts, shapes.Field(max_length=200, default_factory=dict)]
    printer: shapes.Name | None = None
    material: shapes.Name | None = None
    minutes: Annotated[float, shapes.Field(gt=0, le=600)] = 30.0
    grams: Annotated[float, shapes.Field(gt=0, le=500)] = 15.0


class CouponIn(ProcessChoice):
    """A test piece that is wanted; ``cells`` as a proposal has them, else as is best."""

    kind: CouponKind
    seed: Annotated[int, shapes.Field(ge=0, le=2**53)] | None = None
    cells: Annotated[list[dict[str, shapes.JsonValue]], shapes.Field(max_length=60)] | None = None


class TunedIn(ProcessChoice):
    """The tuned process of this choice is to be kept under this name."""

    name: shapes.ProcessName


def _chosen(service: Service, told: ProcessChoice) -> Process:
    base = base_process(told.process, service.kept_processes())
    changed = override(base, told.settings) if told.settings else base
    return service.ledger_access.on(changed, told.printer, told.material)


def _cautions(process: dict[str, Any]) -> Any:
    """Of printing a test piece by this process and taking its supports off."""
    job = job_of(decode(Process, process))
    return encode(cautions(CautionedTask.PRINT, CautionedTask.TAKE_OFF, job=job))


def _begin(service: Service, who: str, what: str, words: str, arguments: dict[str, Any], finish: Any) -> Json:
    try:
        return Json(service.scheduler.begin(what, words, arguments, who, finish).as_json(), 202)
    except TooMany:
        wrong = f"{MOST_WAITING} of your jobs are waiting already"
        raise Refused(429, "TooMany", "bench", wrong, "Wait for some of them, or stop some") from None


@router.get("/coupons", responses=shapes.errors())
async def coupons(service: Here) -> Response:
    """The test pieces that the ledger knows."""

    def found() -> list[dict[str, Any]]:
        ledger = service.ledger_access.existing()
        if ledger is None:
            return []
        read = ledger.readings()
        rows = []
        for stored in ledger.coupons().values():
            document = json.loads(stored.document)
            rows.append(
                {
                    "code": stored.code,
                    "kind": stored.kind,
                    "process": document["process"]["name"],
                    "printer": document["process"]["printer"]["name"],
                    "material": document["process"]["material"]["name"],
                    "cells": len(document["cells"]),
                    "readings": len({one.cell for one in read if one.coupon == stored.code}),
                    "minutes": document["minutes"],
                    "grams": document["grams"],
                }
            )
        return rows

    return Json({"coupons": await service.ask(found)})


@router.post("/coupons", status_code=202, response_model=shapes.TaskOut, responses=shapes.errors(422, 429))
async def make_coupon(service: Here, who: Who, told: CouponIn) -> Response:
    """Make a test piece; the task's result is ``{"coupon": code, "key": key of its files}``."""
    process = await service.ask(_chosen, service, told)
    arguments = {
        "kind": told.kind.value,
        "process": encode(process),
        "fit": service.ledger_access.fit,
        "seed": secrets.randbelow(_MOST_SEED + 1) if told.seed is None else told.seed,
        "minutes": told.minutes,
        "grams": told.grams,
        "cells": _known_cells(told.cells),
    }
    return _make(service, who, arguments)


def _known_cells(cells: list[dict[str, Any]] | None) -> list[dict[str, Any]] | None:
    from falsework.coupon.reading import Condition

    try:
        return None if cells is None else [encode(decode(Condition, cell)) for cell in cells]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise LedgerError("cells", f"cannot be read: {error}", "Take them from a proposal") from None


def _make(service: Service, who: str, arguments: dict[str, Any]) -> Json:
    async def finish(key: str) -> dict[str, str]:
        document = service.results.file(key, "coupon.json")
        assert document is not None

        def keep() -> str:
            process: Process = decode(Process, arguments["process"])
            code = service.ledger_access.introduce(process).add_coupon(document.read_text("utf-8"))
            service.sheets.keep_coupon(code, arguments)
            return code

        code = await service.ask(keep)
        service.ledger_changed()
        return {"coupon": code, "key": key}

    return _begin(service, who, "coupon", f"making a test piece: {arguments['kind']}", arguments, finish)


@router.get("/coupons/{code}", responses=shapes.errors(404))
async def coupon(service: Here, code: Code) -> Response:
    """A test piece: its document, what there is to look at, what was read off it, its files."""

    def found() -> dict[str, Any]:
        ledger = service.ledger_access.existing()
        stored = None if ledger is None else ledger.coupons().get(code)
        if ledger is None or stored is None:
            raise not_found("test piece", code)
        arguments = service.sheets.coupon(code)
        key = None if arguments is None else key_of("coupon", arguments)
        there = key is not None and service.results.has(key)
        files = sorted(path.name for path in service.results.place(key or "").iterdir()) if there else []
        document = json.loads(stored.document)
        return {
            "coupon": document | {"kind": stored.kind},
            "cautions": _cautions(document["process"]),
            "spots": coupon_spots(ledger, code),
            "readings": [plain(one) for one in ledger.readings(coupon=code)],
            "prints": [plain(one) for one in ledger.prints() if one.coupon == code],
            "photographs": plain(ledger.photographs(coupon=code)),
            "files": [name for name in files if name != "spots.json" and not name.endswith(".svg")],
            "pictures": [name for name in files if name.endswith(".svg")],
            "can_be_made": arguments is not None,
        }

    return Json(await service.ask(found))


@router.post(
    "/coupons/{code}/files", status_code=202, response_model=shapes.TaskOut, responses=shapes.errors(404, 429)
)
async def make_coupon_files(service: Here, who: Who, code: Code) -> Response:
    """Make the files of a test piece of this bench again; they are the same."""
    arguments = await service.ask(service.sheets.coupon, code)
    if arguments is None:
        raise not_found("test piece made on this bench", code)
    return _make(service, who, arguments)


@router.get(
    "/coupons/{code}/files/{file}",
    response_class=FileResponse,
    responses=shapes.errors(404, 409) | HANDED,
)
async def coupon_file(service: Here, code: Code, file: FileName, view: bool = False) -> Response:
    """One file of a test piece as a download; the recording sheet with ``view`` to look at."""
    arguments = await service.ask(service.sheets.coupon, code)
    if arguments is None:
        raise not_found("test piece made on this bench", code)
    key = key_of("coupon", arguments)
    if not service.results.has(key):
        raise Refused(409, "NotReady", "files", "have been cleared away", "Make them again")
    path = service.results.file(key, file)
    if path is None:
        raise not_found("file", file)
    kind = TYPES.get(path.suffix, "application/octet-stream")
    if view and path.suffix == ".svg":
        return FileResponse(path, media_type=kind)
    if view and path.suffix == ".html":
        return FileResponse(
            path, media_type=kind, headers={"content-security-policy": REPORT_POLICY, **FRAMED}
        )
    return FileResponse(path, media_type=kind, filename=f"{code}-{file}")


# what the readings say


def _tuning_arguments(service: Service, told: ProcessChoice) -> dict[str, Any]:
    process = _chosen(service, told)
    ledger = service.ledger_access.existing()
    return {
        "ledger": str(service.ledger_access.path),
        "digest": "" if ledger is None else ledger.readings_digest(),
        "process": encode(process),
        "minutes": told.minutes,
        "grams": told.grams,
    }


@router.post("/tuning", status_code=202, response_model=shapes.TaskOut, responses=shapes.errors(422, 429))
async def tune(service: Here, who: Who, told: ProcessChoice) -> Response:
    """Fit the readings and say what follows for a process; the task's result is ``{"key": …}``.

    Of that key there are ``tuning.json``, ``tuning.html`` and ``process.toml``.
    """
    arguments = await service.ask(_tuning_arguments, service, told)

    async def finish(key: str) -> dict[str, str]:
        fit = service.results.file(key, "fit.json")
        if fit is not None:
            await service.ask(
                service.ledger_access.ledger().save_fit, fit.read_text("utf-8"), arguments["digest"]
            )
            await service.refitted()
        return {"key": key}

    return _begin(service, who, "tune", f"tuning {told.process}", arguments, finish)


@router.get("/tuning", responses=shapes.errors(422))
async def tuning_state(
    service: Here,
    process: Annotated[str, Query(min_length=1, max_length=200)],
    printer: Annotated[str | None, Query(min_length=1, max_length=200)] = None,
    material: Annotated[str | None, Query(min_length=1, max_length=200)] = None,
    minutes: Annotated[float, Query(gt=0, le=600)] = 30.0,
    grams: Annotated[float, Query(gt=0, le=500)] = 15.0,
) -> Response:
    """Whether what the readings say now is worked out: ``key`` of the result; how many readings there are."""
    told = ProcessChoice(
        process=process, settings={}, printer=printer, material=material, minutes=minutes, grams=grams
    )

    def found() -> dict[str, Any]:
        arguments = _tuning_arguments(service, told)
        key = key_of("tune", arguments)
        ledger = service.ledger_access.existing()
        chosen = arguments["process"]
        names = (chosen["printer"]["name"], chosen["material"]["name"])
        count = 0 if ledger is None else len(ledger.readings(*names))
        return {
            "key": key if service.results.has(key) else None,
            "readings": count,
            "fitted": service.ledger_access.is_fitted(),
            "cautions": _cautions(chosen),
        }

    return Json(await service.ask(found))


@router.get("/tuning/{key}/page", response_class=FileResponse, responses=shapes.errors(404) | HANDED)
async def tuning_page(service: Here, key: Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]) -> Response:
    """The page of curves and advice, to look at."""
    path = service.results.file(key, "tuning.html")
    if path is None:
        raise not_found("result", key)
    headers = {"content-security-policy": REPORT_POLICY, **FRAMED}
    return FileResponse(path, media_type="text/html; charset=utf-8", headers=headers)


@router.post(
    "/tuning/keep", status_code=201, response_model=shapes.ProcessOut, responses=shapes.errors(409, 422)
)
async def keep_tuned(service: Here, told: TunedIn) -> Response:
    """Keep the tuned process under a name, to be chosen on sheets."""
    from falsework.bench.routes.about import keep_text

    choice = ProcessChoice(**told.model_dump(exclude={"name"}))
    key = key_of("tune", await service.ask(_tuning_arguments, service, choice))
    path = service.results.file(key, "process.toml")
    if path is None:
        raise Refused(409, "NotReady", "tuning", "is not worked out for these readings", "Tune first")
    return await keep_text(service, told.name, path.read_text("utf-8"), 201)
