"""Server-sent events: channels that remember their last events, so that a lost connection misses nothing."""

from __future__ import annotations

import asyncio
import json
import secrets
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

_REMEMBERED = 256
_MOST_BEHIND = 512  # a listener who is further behind has gone to sleep: it may come back and resume
_STILL_HERE_S = 15.0


@dataclass(frozen=True)
class ChannelEvent:
    """One event: its number in the channel, its name, its data as JSON text."""

    number: int
    name: str
    data: str


@dataclass
class Channel:
    """Events on one subject, numbered from 1 since the server started."""

    numbered: int = 0
    remembered: deque[ChannelEvent] = field(default_factory=lambda: deque(maxlen=_REMEMBERED))
    listeners: set[asyncio.Queue[ChannelEvent | None]] = field(default_factory=set)


class Hub:
    """All channels of one server. An event's id is ``<server>-<number>``: another server's mean nothing."""

    def __init__(self) -> None:
        self.server = secrets.token_hex(4)
        self._channels: dict[str, Channel] = {}
        self._closing = False

    def tell(self, subject: str, name: str, data: Any) -> None:
        """Send an event to whoever listens on ``subject`` now or resumes soon."""
        channel = self._channels.setdefault(subject, Channel())
        channel.numbered += 1
        event = ChannelEvent(channel.numbered, name, json.dumps(data, ensure_ascii=True, allow_nan=False))
        channel.remembered.append(event)
        for queue in list(channel.listeners):
            if queue.qsize() >= _MOST_BEHIND:
                channel.listeners.discard(queue)
                queue.put_nowait(None)
            else:
                queue.put_nowait(event)

    def listening(self, subject: str) -> int:
        """How many listen on ``subject`` now."""
        channel = self._channels.get(subject)
        return len(channel.listeners) if channel else 0

    def close(self) -> None:
        """End all streams; listeners will try to come back."""
        self._closing = True
        for channel in self._channels.values():
            for queue in channel.listeners:
                queue.put_nowait(None)

    async def stream(
        self,
        subject: str,
        last_id: str,
        first: Callable[[], Awaitable[list[tuple[str, Any]]]],
        moved: Callable[[], None],
    ) -> AsyncIterator[bytes]:
        """Events as they go over the line, from after ``last_id`` where that is still remembered.

        Else ``first()`` comes first: what a newcomer has to know. ``moved()`` is called when somebody has
        come, and again when they have gone.
        """
        channel = self._channels.setdefault(subject, Channel())
        queue: asyncio.Queue[ChannelEvent | None] = asyncio.Queue()
        channel.listeners.add(queue)
        try:
            yield b"retry: 2000\n\n"
            missed = self._missed(channel, last_id)
            if missed is None:
                told = await first()
                missed = [ChannelEvent(channel.numbered, name, json.dumps(data)) for name, data in told]
            for event in missed:
                yield self._waiting(event)
            moved()
            while not self._closing:
                try:
                    following = await asyncio.wait_for(queue.get(), _STILL_HERE_S)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if following is None:
                    return
                yield self._waiting(following)
        finally:
            channel.listeners.discard(queue)
            moved()

    def _missed(self, channel: Channel, last_id: str) -> list[ChannelEvent] | None:
        server, _, number = last_id.partition("-")
        if server != self.server or not number.isdecimal():
            return None
        seen = int(number)
        oldest = channel.numbered - len(channel.remembered) + 1
        if not oldest - 1 <= seen <= channel.numbered:
            return None
        return [event for event in channel.remembered if event.number > seen]

    def _waiting(self, event: ChannelEvent) -> bytes:
        return f"id: {self.server}-{event.number}\nevent: {event.name}\ndata: {event.data}\n\n".encode()
