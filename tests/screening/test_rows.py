"""What the rows of a screening say, and what is done again when: without processes of its own."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
from pathlib import Path

import pytest

import falsework
from falsework.errors import OutputError, PartError, ProcessError
from falsework.orientation import device
from falsework.part.demo import table
from falsework.planning.calls import inspect, totals
from falsework.screening import columns
from falsework.screening.dataset import Dataset
from falsework.screening.listing import SUFFIXES
from falsework.screening.row import NOT_COMPARED, SCHEMA, Row, schema
from falsework.screening.running import best_process, named_processes
from falsework.screening.terms import Terms
from screenings import write_box
from solids import blocks


def figures(rows: list[Row]) -> list[dict]:
    return [{k: v for k, v in dataclasses.asdict(row).items() if k not in NOT_COMPARED} for row in rows]


def test_every_column_is_documented_and_typed() -> None:
    assert all(column.meaning and column.type for column in columns())
    assert schema().names == [column.name for column in columns()]
    assert schema().metadata[b"schema"] == SCHEMA.encode()
    assert {column.depth for column in columns()} == {"", "look", "plan", "full"}


def test_a_box_is_looked_at(store: Path, screen, rows_kept) -> None:
    a, b = screen(store)
    assert (a.name, a.state, a.undersides, a.closed, a.bodies) == ("a", "looked at", 0, True, 1)
    assert a.volume_mm3 == pytest.approx(32.0) and b.volume_mm3 == pytest.approx(40.0)
    assert (a.size_x_mm, a.size_z_mm, a.layers) == (4.0, 2.0, 10)
    assert a.price == pytest.approx(a.price_filament + a.price_time)
    assert figures(rows_kept()) == figures([a, b])
    assert (store.parent / "out" / a.picture).read_bytes().startswith(b"\x89PNG")


def test_figures_are_those_of_a_single_plan(tmp_path: Path, screen) -> None:
    part = blocks(((6.0, 6.0, 12.0), (0.0, 0.0, 0.0)), ((20.0, 6.0, 3.0), (-7.0, 0.0, 12.0)))
    path = tmp_path / "tee.stl"
    falsework.write_stl(path, part.vertices, part.faces, "tee")
    marks = tmp_path / "tee.lie.toml"
    marks.write_text('[spare]\ndirections = ["+x"]\n')
    (row,) = screen(path, depth="plan")
    spare = falsework.MarkedFaces(directions=((1.0, 0.0, 0.0),))
    plan = falsework.plan(str(path), "pla-0.4", spare=spare, release=False)
    assert row.price == (plan.part_cost + plan.support_cost).price
    assert row.total == plan.price.total
    assert (row.part_g, row.support_g) == (plan.part_cost.mass_g, plan.support_cost.mass_g)
    assert (row.pieces, row.undersides) == (len(plan.pieces), len(plan.undersides))
    assert row.pieces and row.state == "ready" and row.stands and row.best_process == "pla-0.4"
    assert len(row.warnings) == len(plan.warnings)


def test_what_does_not_fit_the_printer_is_only_looked_at(tmp_path: Path, screen, here) -> None:
    rail = write_box(tmp_path / "rail.stl", (600.0, 4.0, 2.0))
    rod = write_box(tmp_path / "rod.stl", (2.0, 280.0, 2.0))
    asked = {"depth": "plan", "lies": True, "plans": "plans"}
    longest, long = rows = screen(rail, rod, **asked)
    estimate = totals(rail)
    assert longest.price == (estimate.part_cost + estimate.alternatives[-1].cost).price
    for row in rows:
        assert (row.state, row.depth, row.pieces, row.plan) == ("not ready", "plan", None, "")
        assert "mm" in row.why and row.warning_kinds[0] == "too-large"
    assert (longest.turned_state, long.turned_state) == ("not ready", "ready"), "across the bed it fits"
    assert figures(screen(rail, rod, **asked)) == figures(rows) and here.started == 1


def test_nothing_is_done_twice(store: Path, screen, here, rows_kept) -> None:
    first = screen(store)
    assert len(here.done) == 2
    assert figures(screen(store)) == figures(first)
    assert here.started == 1
    write_box(store / "c.stl", (6.0, 4.0, 2.0))
    write_box(store / "a.stl", (7.0, 4.0, 2.0))
    third = screen(store)
    assert here.started == 2 and sorted(job.called for job in here.done) == ["a.stl", "c.stl"]
    assert [row.size_x_mm for row in third] == [7.0, 6.0, 5.0]
    assert figures(rows_kept()) == figures(third)


def test_another_depth_or_process_is_other_work(store: Path, screen, here, rows_kept) -> None:
    screen(store)
    screen(store, depth="plan")
    assert len(here.done) == 2 and {row.depth for row in rows_kept()} == {"plan"}
    assert {row.depth for row in screen(store)} == {"plan"}, "who planned has looked"
    assert here.started == 2
    screen(store, depth="plan", process=("pla-0.4", "petg-0.6"))
    assert [job.processes for job in here.done] == [(1,), (1,)]
    rows = rows_kept()
    assert len(rows) == 4
    for file in {row.file for row in rows}:
        mine = [row for row in rows if row.file == file]
        cheapest = min(mine, key=lambda row: row.total).process
        assert {row.best_process for row in mine} == {cheapest}


def test_positions_are_looked_for_by_columns_where_that_is_asked(tmp_path: Path, screen, here) -> None:
    part = table()
    falsework.write_stl(tmp_path / "table.stl", part.vertices, part.faces, "table")
    write_box(tmp_path / "plate.stl", (8.0, 6.0, 2.0))
    files = tmp_path / "plate.stl", tmp_path / "table.stl"
    _, plain = screen(*files)
    assert plain.turn == "" and plain.turned is None and plain.device == ""
    stays, over = screen(*files, lies=True)
    assert len(here.done) == 2, "a row without positions does not serve"
    assert (stays.turn, stays.turned) == ("0,0,0", False), "as good as it lies"
    assert stays.turned_total == pytest.approx(stays.total, rel=1e-12)
    assert over.turned and over.turned_support_g == pytest.approx(0.0, abs=0.01) and over.support_g > 1.0
    assert over.turned_total < over.total and (over.turned_state, over.device) == ("looked at", "cpu")
    assert figures(screen(*files)) == figures([stays, over]) and here.started == 2


def test_a_device_that_is_not_there_is_said_before_anything_is_done(store: Path, monkeypatch) -> None:
    monkeypatch.setattr(device, "devices", lambda: 0)
    for name in ("gpu", "abacus"):
        with pytest.raises(ProcessError, match="device"):
            next(falsework.screen(store, depth="look", device=name))


def test_the_finish_asked_for_decides_which_process_is_best() -> None:
    cheap = Row(process="cheap", state="ready", total=1.0, sag_mm=2.0)
    fine = Row(process="fine", state="ready", total=3.0, sag_mm=0.1)
    falls = Row(process="falls", state="not ready", total=0.5, sag_mm=0.0)
    assert best_process([cheap, fine, falls], None) == "cheap"
    assert best_process([cheap, fine, falls], 0.5) == "fine"
    assert best_process([cheap, fine, falls], 0.05) == ""


def test_the_same_part_ten_times_is_done_once_and_counted_ten_times(store: Path, screen, here) -> None:
    (store / "deep" / "b.stl").unlink()
    for k in range(9):
        shutil.copy(store / "a.stl", store / f"copy {k}.stl")
    rows = screen(store)
    assert len(here.done) == 1 and len(rows) == 10
    assert sum(row.copy_of == "" for row in rows) == 1
    assert len({row.price for row in rows}) == 1 and sum(row.wanted for row in rows) == 10
    shutil.move(store / "copy 0.stl", store / "moved.stl")
    screen(store)
    assert here.started == 1, "a file that was moved is known by its content"


def test_lines_of_a_list_are_rows_and_changes_of_a_list_are_taken_in(tmp_path, store, screen, here) -> None:
    orders = tmp_path / "orders.csv"
    orders.write_text("path,wanted,shelf\nstore/a.stl,3,A\nstore/a.stl,4,B\ngone.stl,1,C\n")
    rows = screen(orders)
    assert [(row.wanted, json.loads(row.own)["shelf"]) for row in rows if row.name == "a"] in (
        [(3, "A"), (4, "B")],
        [(4, "B"), (3, "A")],
    )
    gone = next(row for row in rows if row.name == "gone")
    assert (gone.state, gone.fault) == ("failed", "part") and "no such file" in gone.why
    orders.write_text("path,wanted,shelf\nstore/a.stl,30,A\nstore/a.stl,4,B2\n")
    rows = [row for row in screen(orders) if row.name == "a"]
    assert sorted(row.wanted for row in rows) == [4, 30] and here.started == 1


def test_a_list_names_its_own_process(tmp_path: Path, store: Path, screen) -> None:
    orders = tmp_path / "orders.csv"
    ours = falsework.dump_process(dataclasses.replace(falsework.load_process("petg-0.6"), name="ours"))
    (tmp_path / "processes").mkdir()
    (tmp_path / "processes" / "ours.toml").write_text(ours, "utf-8")
    lines = ["path,process", "store/a.stl,petg-0.6", "store/deep/b.stl,", "store/a.stl,none-such"]
    orders.write_text("\n".join([*lines, "store/a.stl,processes/ours.toml"]) + "\n")
    rows = screen(orders)
    assert sorted((row.name, row.process, row.state) for row in rows) == [
        ("a", "ours", "looked at"),
        ("a", "petg-0.6", "looked at"),
        ("a", "pla-0.4", "failed"),
        ("b", "pla-0.4", "looked at"),
    ]
    assert "none-such" in next(row.why for row in rows if row.state == "failed")


def test_hostile_and_unreadable_files_become_rows(tmp_path: Path, store: Path, screen) -> None:
    (store / "text.stl").write_text("hello")
    (store / "empty.3mf").write_bytes(b"")
    (store / "huge.stl").write_bytes(b"x" * 80 + b"\xff\xff\xff\x7f")
    (store / "zip.3mf").write_bytes(b"PK\x03\x04nonsense")
    (store / "船.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    (store / "all.7z").write_bytes(b"x")
    (store / "away.stl").symlink_to(tmp_path / "gone.stl")
    os.mkfifo(store / "pipe.stl")
    (store / "a.lie.toml").write_text("[spare]\ndirections = 3\n")
    rows = screen(store)
    failed = {row.name: row for row in rows if row.state == "failed"}
    assert failed.keys() == {"text", "empty", "huge", "zip", "船", "all", "away", "pipe", "a"}
    assert all(
        row.why.endswith(".") and "\n" not in row.why and row.fault == "part" for row in failed.values()
    )
    assert [row.name for row in rows if row.state != "failed"] == ["b"]


def test_what_failed_is_tried_again_where_that_is_asked(store: Path, screen, here, monkeypatch) -> None:
    from falsework.planning import pipeline

    right = pipeline.inspect_for

    def wrong(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(pipeline, "inspect_for", wrong)
    assert {row.fault for row in screen(store)} == {"memory"}
    monkeypatch.setattr(pipeline, "inspect_for", right)
    assert {row.state for row in screen(store)} == {"failed"}
    assert {row.state for row in screen(store, again=True)} == {"looked at"}


def test_a_fault_of_our_own_is_a_row(store: Path, screen, monkeypatch) -> None:
    from falsework.planning import pipeline

    def wrong(*_: object) -> None:
        raise ZeroDivisionError("really")

    monkeypatch.setattr(pipeline, "inspect_for", wrong)
    a, _ = screen(store)
    assert a.fault == "fault" and "ZeroDivisionError: really" in a.why


def test_a_file_that_changes_meanwhile_is_said(store: Path, screen, here, monkeypatch) -> None:
    monkeypatch.setattr(here, "send", lambda self, token, job: (
        os.utime(job.place, ns=(1, 1)) if job.called == "a.stl" else None, self._sent.append((token, job))
    ))  # fmt: skip
    a, b = screen(store)
    assert (a.state, b.state) == ("failed", "looked at") and "changed" in a.why
    assert [row.state for row in screen(store)] == ["failed", "looked at"]


def test_two_runs_into_one_folder_are_refused(tmp_path: Path, store: Path, screen) -> None:
    with Dataset(tmp_path / "out") as data:
        data.describe({})
        with pytest.raises(OutputError, match="another screening"):
            screen(store)
    assert len(screen(store)) == 2


def test_a_folder_that_is_not_ours_is_left_alone(tmp_path: Path, store: Path, screen) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "letter.txt").write_text("keep me")
    with pytest.raises(OutputError, match="not written by falsework"):
        screen(store)
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["letter.txt"]


def test_nothing_is_written_where_nothing_can_be_meant(tmp_path: Path, screen) -> None:
    with pytest.raises(PartError):
        screen(tmp_path / "gone")
    assert not (tmp_path / "out").exists()


def test_a_full_disk_ends_the_run_and_the_next_goes_on(store: Path, screen, rows_kept, monkeypatch) -> None:
    import errno

    from falsework.screening import dataset

    right = dataset._write
    monkeypatch.setattr(dataset, "FULL_ROWS", 1)
    calls = []

    def full(rows: list[Row], path: Path) -> None:
        calls.append(path)
        if len(calls) > 1:
            raise OSError(errno.ENOSPC, "No space left on device")
        right(rows, path)

    monkeypatch.setattr(dataset, "_write", full)
    with pytest.raises(OutputError, match="the disk is full"):
        screen(store)
    assert len(rows_kept()) == 1
    monkeypatch.setattr(dataset, "_write", right)
    assert len(screen(store)) == len(rows_kept()) == 2


def test_what_a_killed_run_left_aside_is_cleared(tmp_path: Path, store: Path, screen) -> None:
    screen(store)
    left = tmp_path / "out" / "rows" / ".falsework-left"
    left.write_bytes(b"half")
    screen(store)
    assert not left.exists()


def test_plans_are_kept_where_they_are_asked_for(tmp_path: Path, store: Path, screen) -> None:
    shutil.rmtree(store / "deep")
    (a,) = screen(store, depth="plan", plans="plans", pictures=False)
    assert a.picture == ""
    plan = falsework.Plan.from_json((tmp_path / "out" / a.plan / "plan.json").read_text("utf-8"))
    assert plan.part.name == "a" and (plan.part_cost.price, plan.price.total) == (a.price, a.total)
    assert (tmp_path / "out" / a.plan / "report.html").is_file()
    assert len(screen(tmp_path, depth="plan", plans="plans", pictures=False)) == 1, "plans are no parts"


def test_terms_that_are_none() -> None:
    for wrong in ({"depth": "deep"}, {"limit_s": 0.0}, {"finish_mm": -1.0}, {"depth": "look", "plans": "x"}):
        with pytest.raises(ProcessError):
            Terms(**wrong)
    with pytest.raises(ProcessError, match="two processes have this name"):
        named_processes(["pla-0.4", "pla-0.4"])
    with pytest.raises(ProcessError, match="none is given"):
        named_processes([])


def test_the_public_function_yields_rows(tmp_path: Path, store: Path, here) -> None:
    rows = list(falsework.screen(store, depth="look", pictures=False))
    assert sorted(row.name for row in rows) == ["a", "b"] and isinstance(rows[0], falsework.Row)
    with pytest.raises(TypeError, match="colour"):
        falsework.screen(store, colour="red")


def test_a_public_set_of_meshes_is_screened_whole(screen, rows_kept) -> None:
    """Every mesh of ``tests/data`` (sources and licences beside them), against what each gives by itself."""
    data = Path(__file__).parents[1] / "data"
    rows = {row.name: row for row in screen(data)}
    meshes = {path.stem: path for path in data.iterdir() if path.suffix in SUFFIXES}
    assert rows.keys() == meshes.keys() and len(rows) > 8
    assert {row.state for row in rows.values()} <= {"looked at", "not ready"}
    for name in ("nut", "torus", "so101_gauge_tight"):
        row, found = rows[name], inspect(meshes[name])
        estimate = totals(meshes[name])
        chosen = estimate.alternatives[-1]
        assert (row.triangles, row.undersides) == (found.part.triangles, len(found.undersides))
        assert (row.total, row.support_g) == (chosen.price.total, chosen.cost.mass_g)
        assert row.price == (estimate.part_cost + chosen.cost).price


def test_a_real_part_costs_what_its_plan_says_to_the_cent(screen) -> None:
    path = Path(__file__).parents[1] / "data" / "so101_gauge_tight.stl"
    (row,) = screen(path, depth="plan")
    plan = falsework.plan(path, release=False)
    assert (row.price, row.total) == ((plan.part_cost + plan.support_cost).price, plan.price.total)
