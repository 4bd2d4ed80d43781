"""The server: one application made of the service, the guard in front of it and the routes."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Match

from falsework.bench import description
from falsework.bench.answers import Json, Refused, of_error, refusal
from falsework.bench.assets import Assets
from falsework.bench.pool import WorkerLimits, WorkerPool
from falsework.bench.routes import (
    Here,
    about,
    catalogues,
    ledger,
    parts,
    programs,
    redrawn,
    screened,
    sheets,
    tuning,
)
from falsework.bench.security import BODY_BYTES, COOKIE_AGE_S, Guard, cookie_name, stranger_page
from falsework.bench.service import BenchSettings, Service
from falsework.errors import FalseworkError
from falsework.version import __version__

LOG = logging.getLogger("falsework.bench")
_OPEN = ("/enter", "/assets/css/base.css", "/assets/icon.svg")  # no secret: the page of those not let in
_PARTS = (sheets, parts, redrawn, programs, screened, about, ledger, tuning, catalogues)
_NO_SUCH = "there is nothing at this address"
_WORDS = {
    404: ("NotFound", _NO_SUCH),
    405: ("NotAllowed", "this cannot be done here"),
    408: ("TooSlow", "stopped coming"),
    413: ("TooLarge", "is too large"),
}


def create_app(settings: BenchSettings) -> FastAPI:
    """The application for one data folder; its workers run while it is served.

    OutputError where the folder cannot be used.
    """
    service = Service.open(settings)

    @asynccontextmanager
    async def served(app: FastAPI) -> AsyncIterator[None]:
        limits = WorkerLimits.of_this_machine(2 * settings.workers, settings.job_s)
        pool = WorkerPool(settings.workers, settings.folder, limits, service.scheduler.dispatch)
        service.scheduler.pool = pool
        await pool.start()
        service.scheduler.dispatch()
        watching = [
            asyncio.create_task(work) for work in (service.follow_ledger(), service.scheduler.watch())
        ]
        yield
        for task in watching:
            task.cancel()
        service.hub.close()
        await asyncio.to_thread(service.catalogues.close)
        await pool.close()
        await service.scheduler.settle()
        service.sheets.close()

    app = FastAPI(
        title="falsework bench",
        version=__version__,
        lifespan=served,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        default_response_class=Json,
    )
    app.state.service = service
    for part in _PARTS:
        app.include_router(part.router)
    _add_pages(app, service)
    _add_errors(app)

    large = {
        "/api/marks": parts.MOST_MARKS_BYTES,
        "/api/photographs": ledger.MOST_PHOTOGRAPH_BYTES,
        "/api/ledger/import": ledger.MOST_IMPORT_BYTES,
    }

    def limit(method: str, path: str) -> int:
        if method == "POST" and path in ("/api/parts", "/api/programs"):
            return settings.upload_bytes
        return large.get(path, BODY_BYTES)

    app.add_middleware(Guard, hosts=service.hosts, sessions=service.sessions, open_paths=_OPEN, limit=limit)
    return app


def _add_pages(app: FastAPI, service: Service) -> None:
    assets = Assets()

    def asset(request: Request, name: str) -> Response | None:
        found = assets.get(name)
        if found is None:
            return None
        headers = {"etag": found.tag, "cache-control": "no-cache", "vary": "accept-encoding"}
        if request.headers.get("if-none-match") == found.tag:
            return Response(status_code=304, headers=headers)
        if found.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
            return Response(found.packed, media_type=found.type, headers=headers)
        return Response(found.plain, media_type=found.type, headers=headers)

    @app.get("/api/openapi.json", include_in_schema=False)
    async def openapi() -> Response:
        return Json(await asyncio.to_thread(description.describe_api, app))

    @app.get("/api/docs", include_in_schema=False)
    async def docs() -> Response:
        return HTMLResponse(description.page(await asyncio.to_thread(description.describe_api, app)))

    @app.get("/enter", include_in_schema=False)
    async def enter(
        service: Here, request: Request, token: Annotated[str, Query(max_length=200)] = ""
    ) -> Response:
        if request.state.visitor:  # has been let in before: the token stays good for somebody else
            return RedirectResponse("/", 303)
        secret = await service.ask(service.sessions.admit, token)
        if secret is None:
            return stranger_page()
        answer = RedirectResponse("/", 303)
        name = cookie_name(service.settings.port)
        # lax: a link from mail or a ticket opens for who is let in; what another site writes, or asks of the
        # interface, is refused by the guard
        secure = service.settings.public.startswith("https:")
        answer.set_cookie(name, secret, max_age=COOKIE_AGE_S, httponly=True, samesite="lax", secure=secure)
        return answer

    @app.get("/assets/{name:path}", include_in_schema=False)
    async def assets_(request: Request, name: str) -> Response:
        found = asset(request, name)
        return found if found is not None else refusal(404, "NotFound", "page", _NO_SUCH)

    @app.get("/api/{rest:path}", include_in_schema=False)
    async def no_such(request: Request, rest: str) -> Response:
        if allowed := _allowed(request):  # other methods know it
            return _not_allowed(allowed)
        return refusal(404, "NotFound", "request", _NO_SUCH, "See /api/docs")

    @app.get("/screenings", include_in_schema=False)
    async def screenings(request: Request) -> Response:
        found = asset(request, "screenings.html")
        return found if found is not None else refusal(404, "NotFound", "page", _NO_SUCH)

    @app.get("/{rest:path}", include_in_schema=False)
    async def index(request: Request, rest: str) -> Response:
        found = asset(request, "index.html")
        return found if found is not None else refusal(404, "NotFound", "page", _NO_SUCH)


def _allowed(request: Request) -> tuple[str, ...]:
    """The methods that an address of the interface knows; none where there is nothing at it."""
    known = {
        method
        for part in _PARTS
        for route in part.router.routes
        if route.matches(dict(request.scope))[0] is not Match.NONE
        for method in getattr(route, "methods", None) or ()
    }
    return tuple(sorted(known))


def _not_allowed(allowed: tuple[str, ...]) -> Response:
    kind, wrong = _WORDS[405]
    answer = refusal(405, kind, "request", wrong)
    answer.headers["allow"] = ", ".join(allowed)
    return answer


def _add_errors(app: FastAPI) -> None:
    @app.exception_handler(Refused)
    async def refused(request: Request, error: Refused) -> Response:
        return error.answer

    @app.exception_handler(FalseworkError)
    async def of_api(request: Request, error: FalseworkError) -> Response:
        return of_error(error)

    @app.exception_handler(RequestValidationError)
    async def wrong_shape(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        if first["type"] == "json_invalid":
            return refusal(400, "NotJson", "request", "its body is no JSON", "Send a JSON object")
        if first["loc"][0] == "path":
            return refusal(404, "NotFound", "request", _NO_SUCH)
        where = ".".join(map(str, first["loc"][1:])) or "request"
        return refusal(422, "Invalid", where, first["msg"][:1].lower() + first["msg"][1:], "Correct it")

    @app.exception_handler(HTTPException)
    async def of_framework(request: Request, error: HTTPException) -> Response:
        status = error.status_code
        if status == 405:
            if allowed := _allowed(request):
                return _not_allowed(allowed)
            status = 404
        kind, wrong = _WORDS.get(status, ("Malformed", "it cannot be read"))
        return refusal(status, kind, "request", wrong)

    @app.exception_handler(ClientDisconnect)
    async def gone(request: Request, error: ClientDisconnect) -> Response:
        return refusal(400, "Gone", "request", "the connection ended before the request did")

    @app.exception_handler(Exception)
    async def own_fault(request: Request, error: Exception) -> Response:
        LOG.error("%s %s", request.method, request.url.path, exc_info=error)
        wrong = f"failed by a fault of its own ({type(error).__name__})"
        return refusal(500, "OwnFault", "falsework", wrong, "Report this with what the bench printed")
