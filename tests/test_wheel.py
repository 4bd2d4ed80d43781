"""The wheel carries what the bench's page needs, and no wheel is built without it."""

from __future__ import annotations

import gzip
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PAGE = "falsework/bench/page"
MOST_COMPRESSED = 1_500_000  # bytes of the whole page


def build(root: Path, out: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)]
    return subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """The project without its history, so that a build leaves nothing in it."""
    root = tmp_path_factory.mktemp("project")
    for name in ("pyproject.toml", "LICENSE", "README.md", "hatch_build.py"):
        shutil.copy(ROOT / name, root / name)
    shutil.copytree(ROOT / "src", root / "src", ignore=shutil.ignore_patterns("__pycache__"))
    return root


def test_the_wheel_holds_every_file_of_the_page(copy, tmp_path):
    done = build(copy, tmp_path)
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(next(tmp_path.glob("*.whl"))) as wheel:
        held = {name for name in wheel.namelist() if name.startswith(PAGE)}
        page = ROOT / "src" / PAGE
        wanted = {f"{PAGE}/{path.relative_to(page)}" for path in page.rglob("*") if path.is_file()}
        assert held == wanted
        assert any(
            name.endswith("licenses/src/falsework/bench/page/vendor/three.LICENSE.txt")
            for name in wheel.namelist()
        )
        assert sum(len(gzip.compress(wheel.read(name))) for name in held) < MOST_COMPRESSED
        stubs = {f"{path.relative_to(ROOT / 'src')}" for path in (ROOT / "src").rglob("*.pyi")}
        assert len(stubs) > 5 and {*stubs, "falsework/py.typed"} <= set(wheel.namelist())


@pytest.mark.parametrize(
    "gone", ["index.html", "vendor/three.core.min.js", "js/sheet/store.js", "css/base.css"]
)
def test_no_wheel_without_the_page(copy, tmp_path, gone):
    path = copy / "src" / PAGE / gone
    aside = path.rename(tmp_path / "aside")
    try:
        done = build(copy, tmp_path / "out")
    finally:
        aside.rename(path)
    assert done.returncode != 0
    assert "the bench's page is not whole" in done.stderr and gone.rsplit("/", 1)[-1] in done.stderr
    assert not list(tmp_path.glob("out/*.whl"))
