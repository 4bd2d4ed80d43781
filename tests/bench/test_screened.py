"""Work orders as one list: what comes out of the tray is what a screening takes in."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path

import pytest

from bench.benches import Served, change, demo, read
from falsework.process import load_process
from falsework.screening.lists import entries_of_list


def _unpacked(served: Served, sheets: list[str], folder: Path) -> Path:
    answer = served.client.get("/api/screening.zip", params={"sheets": ",".join(sheets)})
    assert answer.status_code == 200, answer.text
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        packed.extractall(folder)
    return folder / "parts.csv"


def test_a_list_has_each_part_once_with_its_file_and_its_own_process(
    served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain, twin = (demo(served.client, "table") for _ in range(2))
    change(served.client, twin, choices={"settings": {"layer_height_mm": "0.3"}, "unit": "mm"})
    table = _unpacked(served, [plain["id"], twin["id"], plain["id"]], tmp_path)
    lines = list(csv.DictReader(io.StringIO(table.read_text("utf-8"))))
    assert [line["path"] for line in lines] == ["parts/table.stl", "parts/table-2.stl"]
    assert [line["unit"] for line in lines] == ["", "mm"]
    assert lines[0]["process"] == plain["choices"]["process"]
    assert lines[1]["work_order"].endswith(f"/sheets/{twin['id']}")
    monkeypatch.chdir(tmp_path)  # where the archive was unpacked, as the page of the screening says
    assert load_process(lines[1]["process"]).layer_height_mm == 0.3
    entries = list(entries_of_list(str(table)))
    assert [entry.fault for entry in entries] == ["", ""] and [entry.wanted for entry in entries] == [1, 1]
    for entry, sheet in zip(entries, (plain, twin), strict=True):
        assert len(Path(entry.place).read_bytes()) == sheet["part"]["bytes"]


def test_a_scaled_part_is_named_and_not_sent_at_another_size(served: Served) -> None:
    sheet = demo(served.client, "table")
    change(served.client, read(served.client, sheet["id"]), choices={"scale": 2.0})
    answer = served.client.get("/api/screening.zip", params={"sheets": sheet["id"]})
    assert answer.status_code == 409 and "scaled by 2" in answer.json()["error"]["wrong"]
