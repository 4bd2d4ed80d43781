"""Serving the bench until it is stopped: one bench to a data folder, and a way in whenever it is asked for.

Whoever starts a second one on the folder is let into the first: the folder's database is its owner's alone,
so who can write an invitation into it may come in.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import Any

import uvicorn

from falsework.bench.app import create_app
from falsework.bench.connections import PatientProtocol
from falsework.bench.security import new_invitation
from falsework.bench.service import DATABASE, BenchSettings, Service
from falsework.bench.sheets import Sheets
from falsework.errors import OutputError

LOCK = "bench.lock"
_GRACE_S = 1
_BACKLOG = 256
_FILES = 4096  # open files and connections that are asked for where the system allows them


@dataclass(frozen=True)
class Entrances:
    """One-time addresses: on this machine, and for others where they may come in; one of those is good.

    ``running``: another process serves it, and was asked.
    """

    here: str
    others: tuple[str, ...] = ()
    running: bool = False


class _Taken(Exception):
    """A bench runs on the folder; ``note`` is what it says of itself, None where it does not yet."""

    def __init__(self, note: dict[str, Any] | None) -> None:
        super().__init__()
        self.note = note


class _Server(uvicorn.Server):
    """A server that ends its event streams when it is told to stop, rather than wait for them."""

    def __init__(self, config: uvicorn.Config, service: Service, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._room, self._ready = service, ready

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._room.hub.close()
        super().handle_exit(sig, frame)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._ready()


def serve(settings: BenchSettings, ready: Callable[[Entrances], None]) -> None:
    """Serve until a signal comes. ``ready`` is called with one-time addresses once requests are answered.

    Where a bench runs on the folder already, ``ready`` is called with fresh addresses of that one, and
    nothing is served. Port 0 takes a free one. Raises OutputError where the folder cannot be used, or the
    address cannot be listened on.
    """
    os.umask(0o077)  # what people bring here is theirs alone, as the ledger is
    settings.folder.mkdir(parents=True, exist_ok=True)
    try:
        with _alone(settings.folder) as note, _bound(settings) as bound:
            _serve(replace(settings, port=bound.getsockname()[1]), bound, note, ready)
    except _Taken as taken:
        ready(_entrances_of(settings.folder, taken.note))


def _serve(
    settings: BenchSettings,
    bound: socket.socket,
    note: Callable[[dict[str, Any]], None],
    ready: Callable[[Entrances], None],
) -> None:
    _allow_files()
    app = create_app(settings)
    service: Service = app.state.service
    here, others = service.addresses()
    note({"address": here, "others": others})
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=True,
        timeout_graceful_shutdown=_GRACE_S,
        timeout_keep_alive=30,
        limit_concurrency=1000,
        http=PatientProtocol,
        ws="none",
        lifespan="on",
    )
    entrances = _invited(here, others, service.sessions.invite)
    server = _Server(config, service, lambda: ready(entrances))
    with contextlib.suppress(KeyboardInterrupt):  # raised again by the server when all has ended well
        server.run(sockets=[bound])


def _entrances_of(folder: Path, note: dict[str, Any] | None) -> Entrances:
    """Fresh invitations to the bench that runs on the folder, written where it looks for them."""
    if note is None:
        wrong = "a bench is being started on this folder"
        raise OutputError(str(folder), wrong, "Ask again in a moment, or give another --folder")
    sheets = Sheets(folder / DATABASE)
    try:
        invited = _invited(note["address"], note["others"], lambda: new_invitation(sheets))
        return replace(invited, running=True)
    finally:
        sheets.close()


def _invited(here: str, others: list[str], invite: Callable[[], str]) -> Entrances:
    if not others:
        return Entrances(f"{here}/enter?token={invite()}")
    token = invite()  # one of them is used
    return Entrances(
        f"{here}/enter?token={invite()}", tuple(f"{other}/enter?token={token}" for other in others)
    )


def _allow_files() -> None:
    """A thousand connections need more open files than many systems give by themselves."""
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = _FILES if hard == resource.RLIM_INFINITY else min(_FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < most:
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))


@contextmanager
def _bound(settings: BenchSettings) -> Iterator[socket.socket]:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    # named as TCP, or the loop leaves Nagle's delay on: 40 ms for every answer
    bound = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name != "nt":
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind((settings.host, settings.port))
        except OSError as error:
            raise OutputError(
                f"{settings.host}:{settings.port}",
                f"cannot be listened on ({error.strerror or error})",
                "Give another --port, or 0 for a free one",
            ) from None
        bound.listen(_BACKLOG)
        yield bound
    finally:
        bound.close()


@contextmanager
def _alone(folder: Path) -> Iterator[Callable[[dict[str, Any]], None]]:
    """Hold the data folder for this bench alone; the lock ends with the process, however that ends."""
    handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            _lock(handle)
        except OSError:
            raise _Taken(_noted(os.read(handle, 4000))) from None
        os.ftruncate(handle, 0)  # what an earlier one said of itself

        def note(what: dict[str, Any]) -> None:
            os.lseek(handle, 0, os.SEEK_SET)
            os.write(handle, json.dumps(what).encode())

        yield note
    finally:
        os.close(handle)


def _noted(text: bytes) -> dict[str, Any] | None:
    try:
        note = json.loads(text)
        return {"address": str(note["address"]), "others": [str(other) for other in note["others"]]}
    except (ValueError, KeyError, TypeError):
        return None


def _lock(handle: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        os.lseek(handle, 4096, os.SEEK_SET)  # past the note, which others may read
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
