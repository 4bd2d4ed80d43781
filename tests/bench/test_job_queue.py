"""Who is next: clients take turns however much each has waiting."""

from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from falsework.bench.job_queue import JobQueue, Waiting


def line_of(*jobs: tuple[str, int, str]) -> JobQueue:
    line = JobQueue()
    for k, (client, precedence, part) in enumerate(jobs):
        line.add(Waiting(f"{client}{k}", client, precedence, part))
    return line


def taken(line: JobQueue) -> list[str]:
    out = []
    while (one := line.take([()])) is not None:
        out.append(one[0].run)
    return out


def test_one_with_many_jobs_does_not_hold_up_one_with_few() -> None:
    line = line_of(*[("ann", 0, "p")] * 4, ("bob", 0, "q"), ("cat", 0, "r"))
    assert taken(line) == ["ann0", "bob4", "cat5", "ann1", "ann2", "ann3"]


def test_of_ones_own_the_first_picture_goes_before_long_work_and_else_the_oldest() -> None:
    line = line_of(("ann", 5, "p"), ("ann", 0, "q"), ("ann", 5, "r"), ("ann", 2, "s"))
    assert [waiting.run for waiting in line.in_turn()] == ["ann1", "ann3", "ann0", "ann2"]
    assert taken(line) == ["ann1", "ann3", "ann0", "ann2"]


def test_a_worker_that_knows_the_part_is_chosen_else_the_one_that_knows_least() -> None:
    assert line_of(("ann", 0, "p")).take([{"q"}, {"p", "q"}, set()])[1] == 1  # type: ignore[index]
    assert line_of(("ann", 0, "x")).take([{"q"}, {"p", "q"}, set()])[1] == 2  # type: ignore[index]
    assert line_of(("ann", 0, "x")).take([]) is None
    assert JobQueue().take([()]) is None


def test_what_is_dropped_is_gone() -> None:
    line = line_of(("ann", 0, "p"), ("bob", 0, "q"))
    line.drop("ann0")
    assert len(line) == 1 and line.count_of("ann") == 0 and taken(line) == ["bob1"]


@given(st.lists(st.tuples(st.sampled_from("abcde"), st.integers(0, 8)), max_size=40))
def test_all_go_once_in_the_order_foretold_and_nobody_waits_for_more_than_one_of_each_other(
    jobs: list[tuple[str, int]],
) -> None:
    line = line_of(*((client, precedence, "p") for client, precedence in jobs))
    foretold = [waiting.run for waiting in line.in_turn()]
    order = taken(line)
    assert order == foretold and len(set(order)) == len(jobs)
    # between two turns of a client who still waits, each other one goes at most once
    left = Counter(client for client, _ in jobs)
    since: dict[str, Counter[str]] = {client: Counter() for client in left}
    for key in order:
        client = key[0]
        for other in since:
            if left[other]:
                since[other][client] += 1
                assert other == client or since[other][client] <= 1
        left[client] -= 1
        since[client] = Counter()
