"""What grows with a catalogue lies on the disk."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest

from falsework.errors import OutputError
from falsework.screening.aside import Occurrences, table_aside, with_room
from falsework.screening.dataset import Dataset
from falsework.screening.terms import Terms
from screenings import PAGE_ROWS


def test_names_are_counted_in_any_script() -> None:
    names = Occurrences()
    told = [
        names.before(name) for name in ("a", "Ä/船.stl", "a", "\udcff.stl", "a", "Ä/船.stl", "\udcfe.stl")
    ]
    assert told == [0, 0, 1, 0, 2, 1, 0]


def test_many_rows_take_no_more_memory_than_few(tmp_path: Path) -> None:
    names, looks = Occurrences(), Terms(depth="look", pictures=False)
    held = []
    try:
        with Dataset(tmp_path / "out") as data:
            for k in range(600):
                entry, key = f"{k * 7919 % 1_000_003:024x}", f"{k:032x}"
                assert not names.before(f"store/shelf/{entry}.stl")
                assert data.kept(entry, "p") is None and data.like(key, looks) is None
                data.add(replace(PAGE_ROWS[0], entry=entry, key=key, process="p"))
                if k % 150 == 149:
                    data.commit()
                    tracemalloc.start()
                    held.append(tracemalloc.get_traced_memory()[0])
            assert len(data) == 600
    finally:
        tracemalloc.stop()
    assert held[3] - held[2] < 15_000, "bytes for 150 rows"


def test_a_disk_without_room_for_the_list_is_told() -> None:
    table = table_aside("CREATE TABLE some (name)")
    with (
        pytest.raises(OutputError, match=r"out: the list of its parts cannot be kept .*Make room"),
        with_room("out"),
    ):
        table.execute("INSERT INTO nowhere VALUES (1)")
