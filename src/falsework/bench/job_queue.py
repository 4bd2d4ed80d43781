"""Who is next: clients take turns, whatever each has waiting; a worker that knows the part goes first."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field


@dataclass(eq=False)
class Waiting:
    """A run in the line: of which client, in which precedence (less goes first), on which part."""

    run: str
    client: str
    precedence: int
    part: str


@dataclass
class JobQueue:
    """Jobs that wait. Clients take turns; of one client's the least precedence, then the oldest, goes."""

    _clients: OrderedDict[str, list[Waiting]] = field(default_factory=OrderedDict)

    def add(self, waiting: Waiting) -> None:
        """Put a job in its client's own line."""
        mine = self._clients.setdefault(waiting.client, [])
        place = next((k for k, other in enumerate(mine) if other.precedence > waiting.precedence), len(mine))
        mine.insert(place, waiting)

    def drop(self, run: str) -> None:
        """Take a run out, wherever it stands."""
        for client, mine in list(self._clients.items()):
            mine[:] = [waiting for waiting in mine if waiting.run != run]
            if not mine:
                del self._clients[client]

    def take(self, workers: Sequence[Collection[str]]) -> tuple[Waiting, int] | None:
        """The next job and the index of the worker for it; its client goes to the end of the turns.

        ``workers`` are the idle ones, each as the parts it has in memory. A job goes to one that knows its
        part, else to the one that knows least.
        """
        if not workers or not self._clients:
            return None
        client, mine = next(iter(self._clients.items()))
        waiting = mine.pop(0)
        if mine:
            self._clients.move_to_end(client)
        else:
            del self._clients[client]
        able = [k for k, knows in enumerate(workers) if waiting.part in knows]
        return waiting, able[0] if able else min(range(len(workers)), key=lambda k: len(workers[k]))

    def in_turn(self) -> Iterator[Waiting]:
        """All jobs in the order in which they would go."""
        lines = [list(mine) for mine in self._clients.values()]
        while lines:
            yield from (mine[0] for mine in lines)
            lines = [mine[1:] for mine in lines if len(mine) > 1]

    def count_of(self, client: str) -> int:
        """How many jobs of one client wait."""
        return len(self._clients.get(client, ()))

    def __len__(self) -> int:
        return sum(map(len, self._clients.values()))
