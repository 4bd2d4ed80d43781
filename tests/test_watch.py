"""``Watch``: what jobs beside each other tell."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import shapely

from falsework.cores import on_cores
from falsework.errors import Cancelled
from falsework.layers import overlay
from falsework.watch import Watch, heeding


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


@pytest.mark.parametrize("cores", [1, 2])
def test_work_on_many_outlines_is_stopped_between_them(cores: int) -> None:
    """Where nobody handed a watch down: asked every few regions, by threads too; not outside the block."""
    asked = []

    def stop() -> bool:
        asked.append(0)
        return len(asked) > 3

    squares = shapely.box(np.arange(2000.0), 0.0, np.arange(2000.0) + 2.0, 1.0)
    with on_cores(cores), heeding(Watch(stop=stop)), pytest.raises(Cancelled, match="outlines"):
        overlay.union(squares, squares)
    assert 3 < len(asked) < 20
    assert overlay.union(squares, squares).shape == (2000,)
    with heeding(Watch(stop=lambda: True)), pytest.raises(Cancelled):
        overlay.union_all(squares)
