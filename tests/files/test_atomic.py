"""Old state or new state, never half: whatever goes wrong while results are written."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from falsework.errors import OutputError
from falsework.files import atomic
from falsework.files.atomic import atomic_file, atomic_folder, check_file, check_folder, check_replaceable

OURS = '{"schema": "falsework.plan/3"}'


def tree(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_text() for p in sorted(folder.rglob("*")) if p.is_file()}


def write(folder: Path, **more: str) -> None:
    with atomic_folder(folder, own={"supports.stl"}) as aside:
        (aside / "plan.json").write_text(OURS)
        for name, text in more.items():
            (aside / name).write_text(text)


def test_a_new_folder_appears_whole(tmp_path: Path) -> None:
    with atomic_folder(tmp_path / "out") as aside:
        assert aside.parent == tmp_path
        (aside / "plan.json").write_text(OURS)
        assert not (tmp_path / "out").exists()
    assert tree(tmp_path) == {"out/plan.json": OURS}


@pytest.mark.parametrize("ask", [check_file, check_folder])
@pytest.mark.parametrize("name", ["x" * 300, "x" * 300 + "/out", "missing/out"])
def test_a_place_that_cannot_be_is_refused_before_the_work(tmp_path: Path, ask, name: str) -> None:
    with pytest.raises(OutputError, match=r"too long|does not exist"):
        ask(tmp_path / name)


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    write(tmp_path / "out")
    assert tree(tmp_path) == {"out/plan.json": OURS}


def test_our_own_folder_is_replaced_and_what_is_the_users_stays(tmp_path: Path) -> None:
    write(tmp_path / "out", **{"supports.stl": "old", "settings": "old"})
    (tmp_path / "out" / "photo.txt").write_text("mine")
    (tmp_path / "out" / "notes").mkdir()
    (tmp_path / "out" / "notes" / "a.txt").write_text("mine too")
    write(tmp_path / "out", settings="new")
    now = {
        "out/notes/a.txt": "mine too",
        "out/photo.txt": "mine",
        "out/plan.json": OURS,
        "out/settings": "new",
    }
    before = {f"out/earlier-1/{name}": text for name, text in (("plan.json", OURS), ("settings", "old"))}
    before["out/earlier-1/supports.stl"] = "old"
    assert tree(tmp_path) == {**now, **before}
    write(tmp_path / "out", settings="new")
    assert tree(tmp_path) == {**now, **before}  # nothing changed: nothing more to keep


def test_what_nobody_touched_is_replaced_without_a_trace(tmp_path: Path) -> None:
    write(tmp_path / "out", **{"supports.stl": "old", "settings": "old"})
    write(tmp_path / "out", settings="new")
    assert tree(tmp_path) == {"out/plan.json": OURS, "out/settings": "new"}
    os.utime(tmp_path / "out" / "settings", (2e9, 2e9))  # somebody wrote into it
    write(tmp_path / "out", settings="newer")
    assert tree(tmp_path)["out/earlier-1/settings"] == "new"


def test_only_files_of_ours_are_replaced_where_that_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    check_replaceable(path, "falsework", "page")
    path.write_text("")
    check_replaceable(path, "falsework", "page")
    path.write_text("by falsework")
    check_replaceable(path, "falsework", "page")
    path.write_text("a thesis")
    with pytest.raises(OutputError, match="is no page that falsework wrote"):
        check_replaceable(path, "falsework", "page")


@pytest.mark.parametrize(
    "content",
    [{"thesis.txt": "x"}, {"plan.json": "{}"}, {"plan.json": '{"schema": "other/1"}'}, {"plan.json": "[]"}],
)
def test_a_strangers_folder_is_left_alone(tmp_path: Path, content: dict[str, str]) -> None:
    (tmp_path / "out").mkdir()
    for name, text in content.items():
        (tmp_path / "out" / name).write_text(text)
    with pytest.raises(OutputError, match="not written by falsework"):
        write(tmp_path / "out")
    assert tree(tmp_path / "out") == content


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match="is a file"):
        write(tmp_path / "out")


def test_a_missing_parent_is_named(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"deep\) does not exist"):
        write(tmp_path / "deep" / "out")


def test_dot_is_the_folder_one_stands_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    write(Path("."))
    assert tree(tmp_path) == {"here/plan.json": OURS}


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, SystemExit, ValueError, MemoryError])
def test_a_stop_half_way_leaves_the_old_state(tmp_path: Path, trouble: type[BaseException]) -> None:
    write(tmp_path / "out", settings="old")
    before = tree(tmp_path)
    with pytest.raises(trouble), atomic_folder(tmp_path / "out") as aside:
        (aside / "plan.json").write_text("half")
        raise trouble
    assert tree(tmp_path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("which", [0, 1])
def test_a_stop_between_the_two_renames_brings_the_old_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: int
) -> None:
    write(tmp_path / "out", settings="old")
    before, real, calls = tree(tmp_path), os.rename, []

    def rename(old: str, new: str) -> None:
        calls.append(old)
        if len(calls) == which + 1:
            raise KeyboardInterrupt
        real(old, new)

    monkeypatch.setattr(os, "rename", rename)
    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "out", settings="new")
    assert tree(tmp_path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EDQUOT, "disk is full"),
        (errno.EROFS, "no permission"),
        (errno.EIO, "cannot"),
    ],
)
def test_troubles_of_the_system_are_said_with_a_cure(tmp_path: Path, number: int, says: str) -> None:
    with pytest.raises(OutputError, match=says) as caught, atomic_folder(tmp_path / "out") as aside:
        (aside / "plan.json").write_text(OURS)
        raise OSError(number, os.strerror(number))
    assert caught.value.cure
    assert list(tmp_path.iterdir()) == []


def test_a_really_full_disk(tmp_path: Path) -> None:
    """/dev/full answers every write with 'no space left', as a full disk does."""
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full on this system")
    with pytest.raises(OutputError, match="disk is full"), atomic_folder(tmp_path / "out") as aside:
        (aside / "plan.json").symlink_to("/dev/full")
        (aside / "plan.json").write_text(OURS)
    assert list(tmp_path.iterdir()) == []


def test_a_parent_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # root may write anywhere, so the answer of the system is put in its mouth
    monkeypatch.setattr(atomic.os, "access", lambda *_: False)
    with pytest.raises(OutputError, match="no permission"):
        write(tmp_path / "out")


def test_atomic_file_replaces_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    with atomic_file(path) as aside:
        aside.write_text("old")
    with pytest.raises(KeyboardInterrupt), atomic_file(path) as aside:
        aside.write_text("half")
        raise KeyboardInterrupt
    assert tree(tmp_path) == {"a.txt": "old"}
    with atomic_file(path) as aside:
        aside.write_text("new")
    assert tree(tmp_path) == {"a.txt": "new"}
    assert path.stat().st_mode & 0o777 == 0o666 & ~atomic._umask()


def test_atomic_file_does_not_replace_a_folder(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    with pytest.raises(OutputError, match="is a folder"), atomic_file(tmp_path / "a"):
        pass
