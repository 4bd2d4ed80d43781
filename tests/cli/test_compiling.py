"""That compiling is announced exactly when it happens."""

from __future__ import annotations

import numba
import pytest

from falsework.cli import compiling


def test_compiling_is_announced_once_and_only_when_it_happens(capsys: pytest.CaptureFixture[str]) -> None:
    @numba.njit
    def fresh(x):
        return x + 1

    with compiling.announced():
        pass
    assert capsys.readouterr().err == ""
    with compiling.announced():
        assert fresh(1) == 2
        assert fresh(1.5) == 2.5
    assert capsys.readouterr().err.count("compiling the kernels") == 1
    with compiling.announced():
        assert fresh(2) == 3
    assert capsys.readouterr().err == ""
