"""Where compiled kernels are kept, and that old code never runs after the sources have changed."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from falsework.kernels import compiled

SOURCES = Path(compiled.__file__).parent
CALLER = """
from falsework.kernels.compiled import kernel
from falsework.kernels.called import twice


@kernel
def answer(x):
    return twice(x) + 1
"""
CALLED = """
from falsework.kernels.compiled import inner


@inner
def twice(x):
    return {factor} * x
"""


@pytest.fixture
def changed(tmp_path: Path):
    """Runs a kernel of a package of its own, whose callee lies in another file, as a new process."""
    kernels = tmp_path / "package" / "falsework" / "kernels"
    kernels.mkdir(parents=True)
    (kernels.parent / "__init__.py").touch()
    (kernels / "__init__.py").touch()
    shutil.copy(compiled.__file__, kernels)
    (kernels / "caller.py").write_text(CALLER)
    cache = tmp_path / "cache"

    def run(factor: int, at_once: int = 1) -> tuple[int, int, list[Path]]:
        """(answer to 5, how many functions were compiled by all together, folders in the cache)"""
        (kernels / "called.py").write_text(CALLED.format(factor=factor))
        code = (
            "from numba.core import event\n"
            "class Count(event.Listener):\n"
            "    n = 0\n"
            "    def on_start(self, event):\n        Count.n += 1\n"
            "    def on_end(self, event):\n        pass\n"
            "event.register('numba:compile', Count())\n"
            "from falsework.kernels.caller import answer\n"
            "print(answer(5), Count.n)"
        )
        env = {**os.environ, "PYTHONPATH": str(tmp_path / "package"), "NUMBA_CACHE_DIR": str(cache)}
        env.pop("PYTHONDONTWRITEBYTECODE", None)
        started = [
            subprocess.Popen([sys.executable, "-B", "-c", code], env=env, stdout=subprocess.PIPE, text=True)
            for _ in range(at_once)
        ]
        told = [process.communicate()[0].split() for process in started]
        assert [process.returncode for process in started] == [0] * at_once
        (answer,) = {int(answer) for answer, _ in told}
        return answer, sum(int(count) for _, count in told), sorted(cache.iterdir())

    return run


def test_a_changed_callee_in_another_file_is_compiled_anew(changed) -> None:
    assert changed(2)[:2] == (11, 2)
    assert changed(2)[:2] == (11, 0)
    answer, compiled_now, folders = changed(3)
    assert (answer, compiled_now, len(folders)) == (16, 2, 2)
    assert changed(2)[:2] == (11, 0)  # two versions side by side do not push each other out


def test_of_processes_that_want_a_kernel_at_once_one_compiles_it(changed) -> None:
    assert changed(2, at_once=3)[:2] == (11, 2)


def test_folders_of_other_versions_go_when_they_were_long_unused(changed) -> None:
    (old,) = changed(2)[2]
    long_ago = time.time() - 31 * 86400
    os.utime(old, (long_ago, long_ago))
    folders = changed(3)[2]
    assert len(folders) == 1 and old not in folders
    (kept,) = folders
    os.utime(kept, (long_ago, long_ago))
    changed(3)  # used again
    assert len(changed(4)[2]) == 2


@pytest.mark.parametrize("suffix", [".nbi", ".nbc"])
def test_a_file_cut_short_is_compiled_anew(changed, suffix: str) -> None:
    (folder,) = changed(2)[2]
    for path in folder.glob(f"*{suffix}"):
        path.write_bytes(path.read_bytes()[:40])
    assert changed(2)[:2] == (11, 2)
    assert changed(2)[:2] == (11, 0)


def test_every_kernel_counts_the_sources_that_it_imports() -> None:
    """``source_digest`` reads imports of one form; no kernel uses another."""
    for path in SOURCES.rglob("*.py"):
        for line in re.findall(
            r"^[ \t]*(?:from|import) .*falsework.*$", path.read_text("utf-8"), re.MULTILINE
        ):
            module = re.match(r"from falsework\.kernels\.([\w.]+) import ", line)
            assert module, (path, line)
            assert (SOURCES / module[1].replace(".", "/")).with_suffix(".py").exists(), (path, line)
    assert compiled._imported("outline.chords") == {"compiled", "outline.distance", "graph"}
    assert compiled.source_digest("mesh.edges") != compiled.source_digest("mesh.measures")


def test_the_place_is_the_users_cache_else_the_package_else_a_private_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = compiled.cache_place.__wrapped__
    monkeypatch.setattr(compiled.config, "CACHE_DIR", str(tmp_path / "own"))
    assert place() == tmp_path / "own"

    monkeypatch.setattr(compiled.config, "CACHE_DIR", "")
    monkeypatch.setattr(compiled.sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert place() == tmp_path / "cache" / "falsework" / "kernels"

    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder should be")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    monkeypatch.setattr(compiled, "_SOURCES", tmp_path)
    assert place() == tmp_path / "__pycache__"

    monkeypatch.setattr(compiled, "_SOURCES", blocked)
    monkeypatch.setenv("NUMBA_CACHE_DIR", "")  # so that monkeypatch takes back what is set here
    monkeypatch.setattr(compiled.tempfile, "tempdir", str(tmp_path))
    private = place()
    assert private.parent == tmp_path
    assert stat.S_IMODE(private.stat().st_mode) == 0o700
    assert os.environ["NUMBA_CACHE_DIR"] == str(private)  # worker processes take the same
