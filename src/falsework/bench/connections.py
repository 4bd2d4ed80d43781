"""Connections that are begun and not used: each has a limit in time, and all of them in number.

The server's protocol waits for ever for a request's first line, and counts such a connection like any other:
a thousand of them would shut everybody out. Here they are hung up on, the oldest first where they are many.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from typing import Any, ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 15.0  # from the first byte of a connection, or of its next request, to the end of the head
MOST_IDLE = 200  # connections that have no request under way


class PatientProtocol(H11Protocol):
    """HTTP/1.1 as uvicorn speaks it; whoever connects and does not finish asking is hung up on."""

    # of the one server that a process has, the longest idle first
    _idle: ClassVar[OrderedDict[PatientProtocol, None]] = OrderedDict()
    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._await_head()
        self._idle[self] = None
        if len(self._idle) > MOST_IDLE:
            oldest, _ = self._idle.popitem(last=False)
            oldest._hang_up()

    def connection_lost(self, exc: Exception | None) -> None:
        self._rest()
        self._idle.pop(self, None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._asked():
            self._rest()
            self._idle.pop(self, None)
        elif self._deadline is None:  # the head of the next request has begun
            self._await_head()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if self._asked():  # the next request was there already
            return
        if not self.transport.is_closing():
            self._idle[self] = None

    def _asked(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _await_head(self) -> None:
        self._deadline = self.loop.call_later(HEAD_S, self._hang_up)

    def _rest(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _hang_up(self, *_: Any) -> None:
        if not self._asked() and not self.transport.is_closing():
            self.transport.abort()
