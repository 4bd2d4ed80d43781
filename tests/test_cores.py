"""How work is shared: each piece once, in order, the first failure told, whatever the number of cores."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from falsework import load_process, plan
from falsework.cores import cores_here, dealt, in_chunks, on_cores, side_by_side
from falsework.part.demo import demo_parts


def fails(number: int) -> int:
    raise ValueError(str(number))


@pytest.mark.parametrize("cores", [1, 2, 5])
def test_what_is_shared_comes_back_whole_and_in_order(cores):
    items = np.arange(23)
    with on_cores(cores):
        assert cores_here() == cores
        assert np.concatenate(in_chunks(lambda some: some * some, 3, items)).tolist() == (items**2).tolist()
        assert side_by_side([partial(pow, k, 2) for k in range(7)]) == [k * k for k in range(7)]
        hands = dealt(items, 4)
        assert len(hands) == min(cores, 5) and sorted(np.concatenate(hands).tolist()) == items.tolist()
        assert dealt(items[:0]) == []
    assert cores_here() == 1


@pytest.mark.parametrize("cores", [1, 3])
def test_the_first_that_fails_is_told(cores):
    with on_cores(cores), pytest.raises(ValueError, match="4"):
        side_by_side([partial(int, 1), partial(fails, 4), partial(fails, 5)])


def test_work_beside_other_work_may_share_what_it_does():
    def squares() -> list[int]:
        return np.concatenate(in_chunks(lambda some: some**2, 2, np.arange(40))).tolist()

    with on_cores(2):
        assert side_by_side([squares] * 4) == [[k * k for k in range(40)]] * 4


def test_a_plan_has_the_same_bytes_on_any_number_of_cores():
    part, process = demo_parts()["mooring cleat"](), load_process("pla-0.4")
    one, three = (plan(part, process, cores=cores).to_json() for cores in (1, 3))
    assert one == three
