"""Where compiled kernels are kept, and that their compiling is announced exactly when it happens."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import numba
import pytest

from falsework.cli import compiling


def test_the_package_folder_is_used_where_it_can_be_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    compiling.choose_cache()
    assert "NUMBA_CACHE_DIR" not in os.environ


def test_else_the_users_cache_and_else_a_private_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", "")  # so that monkeypatch takes back what is set here
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(compiling.sys, "platform", "linux")
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder should be")
    monkeypatch.setattr(compiling, "_beside_source", lambda: blocked / "__pycache__")
    compiling.choose_cache()
    assert os.environ["NUMBA_CACHE_DIR"] == str(tmp_path / "cache" / "falsework")

    monkeypatch.setenv("NUMBA_CACHE_DIR", "")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    monkeypatch.setattr(compiling.tempfile, "tempdir", str(tmp_path))
    compiling.choose_cache()
    private = Path(os.environ["NUMBA_CACHE_DIR"])
    assert private.parent == tmp_path
    assert stat.S_IMODE(private.stat().st_mode) == 0o700


def test_a_choice_of_the_users_own_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", "/somewhere")
    compiling.choose_cache()
    assert os.environ["NUMBA_CACHE_DIR"] == "/somewhere"


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
