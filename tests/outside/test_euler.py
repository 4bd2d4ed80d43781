"""Buckling against worked examples."""

from __future__ import annotations

import pytest

from falsework.support.stability import euler_load_n


@pytest.mark.parametrize(("side", "height", "load"), [(1.2, 50, 0.563), (0.8, 50, 0.111), (2.0, 100, 1.09)])
def test_square_columns_fixed_at_the_foot(side, height, load) -> None:
    """Source: Euler's column, from memory; E 3.3 GPa; worked by hand to three digits."""
    assert euler_load_n(3.3, side**4 / 12, height, 2.0) == pytest.approx(load, rel=5e-3)


def test_pinned_at_both_ends_carries_four_times_as_much() -> None:
    """Source: Euler's end conditions, from memory."""
    assert euler_load_n(3.3, 1.0, 40.0, 1.0) == pytest.approx(4 * euler_load_n(3.3, 1.0, 40.0, 2.0))
