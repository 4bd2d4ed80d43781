"""The step store: makes each result once, forgets the oldest, is safe between threads."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from falsework.request.store import Store


def test_makes_once_and_forgets_the_least_recently_used() -> None:
    made: list[str] = []

    def make(name: str) -> str:
        made.append(name)
        return name.upper()

    store = Store(capacity=2)
    for name in "abab":
        assert store.get(name, lambda name=name: make(name)) == name.upper()
    assert made == ["a", "b"]
    store.get("c", lambda: make("c"))  # pushes out a, the least recently used
    store.get("b", lambda: make("b"))
    store.get("a", lambda: make("a"))
    assert made == ["a", "b", "c", "a"]


def test_threads_get_equal_results() -> None:
    store = Store(capacity=8)
    with ThreadPoolExecutor(8) as pool:
        results = list(pool.map(lambda k: store.get(k % 4, lambda: (k % 4) ** 2), range(400)))
    assert results == [(k % 4) ** 2 for k in range(400)]
