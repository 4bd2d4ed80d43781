"""``Watch``: what jobs beside each other tell."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from falsework.watch import Watch


def test_jobs_beside_each_other_tell_one_at_a_time_at_one_fraction() -> None:
    telling, seen = [0], []

    def tell(step: str, fraction: float) -> None:
        telling[0] += 1
        seen.append((telling[0], fraction))
        telling[0] -= 1

    watch = Watch(tell=tell, start=0.2, end=0.8).part(0.5, 1.0).beside()
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda k: watch.part(0.1 * k, 1.0).at("building", 0.5), range(8)))
    assert seen == [(1, 0.5)] * 8
