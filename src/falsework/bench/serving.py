"""Serving the bench until it is stopped: one bench to a data folder, one address to open."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import FrameType

import uvicorn

from falsework.bench.app import create_app
from falsework.bench.service import BenchSettings, Service
from falsework.errors import OutputError

LOCK = "bench.lock"
_GRACE_S = 3
_BACKLOG = 256


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


def serve(settings: BenchSettings, ready: Callable[[str], None]) -> None:
    """Serve until a signal comes. ``ready`` is called with the one-time address once requests are answered.

    Port 0 takes a free one. Raises OutputError where the folder is in use or cannot be used, or the address
    cannot be listened on.
    """
    settings.folder.mkdir(parents=True, exist_ok=True)
    with _bound(settings) as bound, _alone(settings.folder) as note:
        settings = replace(settings, port=bound.getsockname()[1])
        app = create_app(settings)
        service: Service = app.state.service
        note(service.address())
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            date_header=True,
            timeout_graceful_shutdown=_GRACE_S,
            timeout_keep_alive=30,
            limit_concurrency=1000,
            http="h11",
            ws="none",
            lifespan="on",
        )
        entrance = service.address(f"/enter?token={service.sessions.invite()}")
        server = _Server(config, service, lambda: ready(entrance))
        with contextlib.suppress(KeyboardInterrupt):  # raised again by the server when all has ended well
            server.run(sockets=[bound])


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
def _alone(folder: Path) -> Iterator[Callable[[str], None]]:
    """Hold the data folder for this bench alone; the lock ends with the process, however that ends."""
    handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            _lock(handle)
        except OSError:
            where = os.read(handle, 1000).decode("utf-8", "replace")
            try:
                at = f" at {json.loads(where)['address']}"
            except (ValueError, KeyError, TypeError):
                at = ""
            raise OutputError(
                str(folder),
                f"a bench is running on this folder{at}",
                "Use that one, or give another --folder",
            ) from None

        def note(address: str) -> None:
            os.ftruncate(handle, 0)
            os.lseek(handle, 0, os.SEEK_SET)
            os.write(handle, json.dumps({"address": address}).encode())

        yield note
    finally:
        os.close(handle)


def _lock(handle: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        os.lseek(handle, 4096, os.SEEK_SET)  # past the note, which others may read
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
