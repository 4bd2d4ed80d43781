"""``Store``: results of pipeline steps kept by the content they were made from."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from functools import partial
from threading import Lock
from typing import TypeVar

T = TypeVar("T")


class Store:
    """Keeps the last ``capacity`` step results of one process in memory.

    A key names the step and everything its result depends on, so nothing is ever stale: changing the
    air gap finds the layers and the need of the same part again. Safe to share between threads; two
    threads that ask for the same missing result may both make it (the results are equal).

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> store = falsework.Store()
    >>> plain = falsework.plan(table(), store=store)
    >>> other = falsework.plan(table(), store=store, weights=falsework.Weights(time=2.0))
    >>> other.undersides == plain.undersides
    True
    """

    def __init__(self, capacity: int = 64) -> None:
        self._capacity = capacity
        self._kept: OrderedDict[Hashable, object] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """The result kept under ``key``, else ``make()``, which is then kept."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]  # type: ignore[return-value]
        result = make()
        with self._lock:
            self._kept[key] = result
            while len(self._kept) > self._capacity:
                self._kept.popitem(last=False)
        return result

    def get_all(self, keys: Sequence[Hashable], make: Callable[[list[int]], Sequence[T]]) -> list[T]:
        """The results kept under ``keys``; ``make`` is asked once, by their places, for all that are not."""
        with self._lock:
            found = {key: self._kept[key] for key in keys if key in self._kept}
        missing = [place for place, key in enumerate(keys) if key not in found]
        if missing:
            made = zip([keys[place] for place in missing], make(missing), strict=True)
            found |= {key: self.get(key, partial(_given, result)) for key, result in made}
        return [found[key] for key in keys]  # type: ignore[misc]


def _given(result: T) -> T:
    return result
