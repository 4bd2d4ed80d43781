"""The folder of a plan: the right files, all or none, and the plan reads back equal."""

from __future__ import annotations

import errno
import zipfile
from pathlib import Path

import pytest

from falsework.errors import Cancelled, OutputError
from falsework.files import folder as folder_module
from falsework.files.folder import write_plan
from falsework.planning.value import Plan
from falsework.report import report_html
from falsework.watch import Watch
from falsework.wording.heading import Heading
from plans import bracket_plan


def names(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir()}


def test_all_files_are_there_and_the_plan_reads_back_equal(tmp_path: Path) -> None:
    plan = bracket_plan()
    written = write_plan(plan, tmp_path / "out", extra={"report.html": "<html></html>"})
    everything = {"plan.json", "print.3mf", "part.stl", "supports.stl", "settings.md", "report.html"}
    assert names(tmp_path / "out") == everything
    assert {p.name for p in written} == everything
    assert all(p.is_file() for p in written)
    assert Plan.from_json((tmp_path / "out" / "plan.json").read_text("utf-8")) == plan


def test_no_supports_no_supports_file_not_even_an_old_one(tmp_path: Path) -> None:
    write_plan(bracket_plan(), tmp_path / "out", extra={"report.html": "old"})
    write_plan(bracket_plan(supported=False), tmp_path / "out")
    assert names(tmp_path / "out") == {"plan.json", "print.3mf", "part.stl", "settings.md"}


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_plan(bracket_plan(), tmp_path / name)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_stopped_half_way_nothing_is_left(tmp_path: Path) -> None:
    steps: list[str] = []
    watch = Watch(tell=lambda step, _: steps.append(step), stop=lambda: len(steps) >= 2)
    with pytest.raises(Cancelled):
        write_plan(bracket_plan(), tmp_path / "out", watch=watch)
    assert len(steps) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("step", ["write_3mf", "write_stl", "settings_sheet"])
def test_full_disk_at_any_step_leaves_the_earlier_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    write_plan(bracket_plan(), tmp_path / "out")
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(folder_module, step, full)
    with pytest.raises(OutputError, match="disk is full"):
        write_plan(bracket_plan("another"), tmp_path / "out")
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == before
    assert names(tmp_path) == {"out"}


def test_a_name_that_is_not_unicode_does_not_stop_the_writing(tmp_path: Path) -> None:
    write_plan(bracket_plan("half \udcff"), tmp_path / "out")
    assert (tmp_path / "out" / "settings.md").read_text("utf-8").startswith("# Settings sheet: half ?")


def test_title_and_note_are_on_everything_that_is_handed_over(tmp_path: Path) -> None:
    heading = Heading("Cowl for the <boat>", "Print it slowly.\nAsk Ann & Bob.")
    plan = bracket_plan()
    report = {"report.html": report_html(plan, heading=heading)}
    write_plan(plan, tmp_path / "out", extra=report, heading=heading)
    sheet = (tmp_path / "out" / "settings.md").read_text("utf-8")
    assert "Cowl for the \\<boat\\>" in sheet and "Print it slowly. Ask Ann & Bob." in sheet
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "Cowl for the &lt;boat&gt;" in page and "Ask Ann &amp; Bob." in page
    model = zipfile.ZipFile(tmp_path / "out" / "print.3mf").read("3D/3dmodel.model").decode()
    assert '<metadata name="Title">Cowl for the &lt;boat&gt;</metadata>' in model
    assert '<metadata name="Description">Print it slowly. Ask Ann &amp; Bob.</metadata>' in model
