"""Events: in order, resumed after a lost connection, a fresh start where too much was missed."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

from falsework.bench import events
from falsework.bench.events import Hub


async def some(stream: AsyncIterator[bytes], count: int) -> list[str]:
    """The next events as 'id name data', what is no event left out."""
    out: list[str] = []
    while len(out) < count:
        lines = (await anext(stream)).decode().splitlines()
        if any(line.startswith("event") for line in lines):
            out.append(" ".join(line.partition(": ")[2] for line in lines if line))
    return out


async def first() -> list[tuple[str, Any]]:
    return [("sheet", {"version": 1})]


def listen(hub: Hub, last: str = "") -> AsyncIterator[bytes]:
    return hub.stream("a", last, first, lambda: None)


def test_a_newcomer_gets_the_state_first_and_who_resumes_what_was_missed() -> None:
    async def run() -> None:
        hub = Hub()
        stream = listen(hub)
        assert await some(stream, 1) == [f'{hub.server}-0 sheet {{"version": 1}}']
        hub.tell("a", "stage", 1)
        hub.tell("b", "stage", "of something else")
        (told,) = await some(stream, 1)
        assert told == f"{hub.server}-1 stage 1"
        assert hub.listening("a") == 1
        await stream.aclose()  # type: ignore[attr-defined]
        assert hub.listening("a") == 0
        hub.tell("a", "stage", 2)
        hub.tell("a", "stage", 3)
        again = listen(hub, f"{hub.server}-1")
        assert await some(again, 2) == [f"{hub.server}-2 stage 2", f"{hub.server}-3 stage 3"]
        await again.aclose()  # type: ignore[attr-defined]
        for strange in ("", "x", "other-2", f"{hub.server}-99", f"{hub.server}-x"):
            fresh = listen(hub, strange)
            assert (await some(fresh, 1))[0].endswith('sheet {"version": 1}')
            await fresh.aclose()  # type: ignore[attr-defined]

    asyncio.run(run())


def test_who_missed_too_much_starts_afresh_and_who_sleeps_is_let_go() -> None:
    async def run() -> None:
        hub = Hub()
        sleeper = listen(hub)
        await some(sleeper, 1)
        for k in range(events._MOST_BEHIND + 10):
            hub.tell("a", "stage", k)
        assert hub.listening("a") == 0
        late = listen(hub, f"{hub.server}-1")
        assert (await some(late, 1))[0].endswith('sheet {"version": 1}')
        got = [line async for line in sleeper]
        assert len(got) == events._MOST_BEHIND  # then it ended
        await late.aclose()  # type: ignore[attr-defined]

    asyncio.run(run())


def test_a_quiet_line_is_kept_open_and_closing_ends_all(monkeypatch: Any) -> None:
    monkeypatch.setattr(events, "_STILL_HERE_S", 0.01)

    async def run() -> None:
        hub = Hub()
        stream = listen(hub)
        await some(stream, 1)
        assert await anext(stream) == b": still here\n\n"
        hub.close()
        rest = [line async for line in stream]
        assert all(line == b": still here\n\n" for line in rest)

    asyncio.run(run())
