"""Sheets in SQLite: versions, undo, conflicts, what survives."""

from __future__ import annotations

import random
import sqlite3
import threading
from pathlib import Path

import pytest

from falsework.bench import sheets as module
from falsework.bench.sheets import Missing, NothingToUndo, Outdated, Sheets
from falsework.errors import OutputError


def state(note: str) -> dict[str, object]:
    return {"note": note, "choices": {}}


def test_edits_undo_and_redo_each_make_a_version(tmp_path: Path) -> None:
    sheets = Sheets(tmp_path / "bench.sqlite")
    sheet = sheets.add(state("a"), "ann", "part arrived")
    assert (sheet.version, sheet.undo, sheet.redo) == (1, None, None)
    sheet = sheets.edit(sheet.id, 1, state("b"), "note", "ann")
    sheet = sheets.edit(sheet.id, 2, state("c"), "more", "bob")
    assert (sheet.version, sheet.undo, sheet.redo) == (3, "more", None)
    sheet = sheets.undo(sheet.id, 3)
    assert (sheet.state["note"], sheet.version, sheet.undo, sheet.redo) == ("b", 4, "note", "more")
    assert [(s.what, s.who, s.place) for s in sheets.history(sheet.id)] == [
        ("part arrived", "ann", "before"),
        ("note", "ann", "now"),
        ("more", "bob", "after"),
    ]
    assert sheets.redo(sheet.id, 4).state["note"] == "c"
    sheet = sheets.undo(sheet.id, 5)
    sheet = sheets.edit(sheet.id, 6, state("d"), "other", "ann")  # what was undone is gone now
    with pytest.raises(NothingToUndo):
        sheets.redo(sheet.id, 7)
    steps = sheets.history(sheet.id)
    assert [step.place for step in steps] == ["before", "before", "aside", "now"]
    assert [sheets.earlier(sheet.id, step.number)[1]["note"] for step in steps] == ["a", "b", "c", "d"]
    with pytest.raises(Missing):
        sheets.earlier(sheets.add(state("x"), "ann", "part arrived").id, steps[0].number)  # of another sheet
    for version in (7, 8):
        sheet = sheets.undo(sheet.id, version)
    assert sheet.state["note"] == "a"
    with pytest.raises(NothingToUndo):
        sheets.undo(sheet.id, 9)
    sheets.close()


def test_who_edits_an_old_version_is_told_what_it_was_and_what_it_is(tmp_path: Path) -> None:
    sheets = Sheets(tmp_path / "bench.sqlite")
    sheet = sheets.add(state("a"), "ann", "part arrived")
    sheets.edit(sheet.id, 1, state("bob's words"), "note", "bob")
    with pytest.raises(Outdated) as told:
        sheets.edit(sheet.id, 1, state("ann's words"), "note", "ann")
    assert told.value.base == state("a") and told.value.sheet.state == state("bob's words")
    for action in (sheets.undo, sheets.redo, sheets.delete, sheets.check):
        with pytest.raises(Outdated):
            action(sheet.id, 1)
    assert sheets.get(sheet.id).state == state("bob's words")
    sheets.close()


def test_of_many_at_once_each_version_goes_to_one(tmp_path: Path) -> None:
    sheets = Sheets(tmp_path / "bench.sqlite")
    sheet = sheets.add(state(""), "ann", "part arrived").id
    refused = []

    def write(who: str) -> None:
        for k in range(5):
            while True:
                now = sheets.get(sheet)
                try:
                    sheets.edit(sheet, now.version, state(f"{now.state['note']}{who}{k} "), "note", who)
                    break
                except Outdated:
                    refused.append(who)

    threads = [threading.Thread(target=write, args=(who,)) for who in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    words = sheets.get(sheet).state["note"].split()
    assert sorted(words) == sorted(f"{who}{k}" for who in "abcd" for k in range(5))
    sheets.close()


def test_all_of_it_is_there_after_a_restart_and_deleted_sheets_can_be_taken_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.sqlite"
    sheets = Sheets(path)
    one = sheets.add(state("one"), "ann", "part arrived")
    two = sheets.add(state("two"), "ann", "part arrived")
    sheets.edit(one.id, 1, state("one, changed"), "note", "ann")
    sheets.delete(two.id, 1)
    sheets.add_part("d" * 64, 12)
    sheets.add_marks("m", b"\x05")
    sheets.put_process("ours", "[process]", "34 readings")
    sheets.add_visitor("v")
    sheets.close()
    sheets = Sheets(path)
    assert [sheet.state["note"] for sheet in sheets.all()] == ["one, changed"]
    assert sheets.undo(one.id, 2).state["note"] == "one"
    assert (sheets.part_bytes("d" * 64), sheets.part_bytes("e" * 64)) == (12, None)
    assert (sheets.marks("m"), sheets.marks("n")) == (b"\x05", None)
    assert sheets.processes() == {"ours": ("[process]", "34 readings")} and sheets.visitors() == {"v"}
    with pytest.raises(Missing):
        sheets.get(two.id)
    assert sheets.restore(two.id).state["note"] == "two"
    sheets.delete(two.id, 1)
    monkeypatch.setattr(module, "KEPT_DAYS", -1.0)
    sheets.forget_deleted()
    with pytest.raises(Missing):
        sheets.restore(two.id)
    sheets.close()


def test_history_is_bounded_and_what_nobody_can_reach_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_STEPS", 10)
    sheets = Sheets(tmp_path / "bench.sqlite")
    sheet = sheets.add(state("0"), "ann", "part arrived")
    chance = random.Random(1)
    for _ in range(100):
        try:
            if chance.random() < 0.3:
                sheet = sheets.undo(sheet.id, sheet.version)
            elif chance.random() < 0.3:
                sheet = sheets.redo(sheet.id, sheet.version)
            else:
                sheet = sheets.edit(sheet.id, sheet.version, state(str(sheet.version)), "note", "ann")
        except NothingToUndo:
            pass
        steps = sheets.history(sheet.id)
        assert sum(step.place == "now" for step in steps) == 1
        assert all(sheets.earlier(sheet.id, step.number)[0] == step for step in steps)
    assert len(sheets.history(sheet.id)) <= 40
    with sqlite3.connect(tmp_path / "bench.sqlite") as db:
        assert db.execute("SELECT count(*) FROM steps").fetchone()[0] <= 40
    db.close()
    sheets.close()


def test_invitations_are_good_once_and_for_a_while(tmp_path: Path) -> None:
    sheets = Sheets(tmp_path / "bench.sqlite")
    sheets.add_invitation("soon", 1e12)
    assert sheets.take_invitation("soon") and not sheets.take_invitation("soon")
    sheets.add_invitation("past", 1.0)
    assert not sheets.take_invitation("past")
    sheets.close()


def test_a_file_that_is_no_database_or_a_later_one_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bench.sqlite"
    path.write_bytes(b"these are the minutes of the harbour board" * 100)
    with pytest.raises(OutputError, match="cannot be used"):
        Sheets(path)
    later = tmp_path / "later.sqlite"
    db = sqlite3.connect(later)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(OutputError, match="later falsework"):
        Sheets(later)
