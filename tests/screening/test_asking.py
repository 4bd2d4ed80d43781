"""Questions to the table: what may be asked, what may not, and that all readers find the same."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pytest

from falsework.errors import FalseworkError, PartError
from falsework.screening import Question, answered
from falsework.screening.asking import _database
from falsework.screening.dataset import Dataset
from falsework.screening.row import Row


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty rows in three batches, two of them failed."""
    folder = tmp_path_factory.mktemp("table") / "out"
    with Dataset(folder) as data:
        data.describe({})
        for k in range(30):
            row = Row(file=f"{k:02d}.stl", process="p", entry=str(k), state="failed", wanted=2)
            if k % 2:
                row = replace(row, own=json.dumps({"shelf": f"A {k % 3}", "price": "dear"}))
            if k not in (7, 8):
                took = {"part_g": 10.0, "support_g": float(k), "part_s": 60.0, "support_s": 1.0}
                row = replace(row, state="ready", price=0.1 * k, total=1.0 * k, loss=30.0 - k, **took)
            data.add(row)
            if k % 10 == 9:
                data.commit()
    return folder


def files(table: Path, **asked: object) -> list[str]:
    return [row[0] for row in answered(table, Question(**asked)).values]  # type: ignore[arg-type]


def test_a_condition_and_an_order(table: Path) -> None:
    found = answered(table, Question(where="support_g > part_g", sort=("-price",), shown=("file", "price")))
    assert found.names == ("file", "price")
    assert [row[0] for row in found.values] == [f"{k}.stl" for k in range(29, 10, -1)]
    assert (found.count, found.wanted) == (19, 38)
    assert found.support_g == sum(2 * k for k in range(11, 30))
    assert found.price == pytest.approx(sum(0.2 * k for k in range(11, 30)))
    assert found.time_s == 19 * 2 * 61.0


def test_what_disappoints_comes_first(table: Path) -> None:
    assert files(table)[:4] == ["07.stl", "08.stl", "00.stl", "01.stl"]
    assert len(files(table, most=3)) == 3 and len(files(table, most=None)) == 30


def test_own_columns_are_columns(table: Path) -> None:
    assert files(table, where="shelf = 'A 1' and own_price = 'dear'", sort=("file",))[0] == "01.stl"


@pytest.mark.parametrize(
    "where",
    [
        "price >",
        "1=1) union select file from rows where (1=1",
        "1=1; drop view rows",
        "1=1) --",
        "1=1) limit 3 --",
        "1=1) order by (1",
        "true /*",
        "file in (select file from rows)",
        "exists(from read_text('/etc/hostname'))",
        "price > 1 and read_text('/etc/hostname') is not null",
        "getenv('HOME') <> ''",
        "nosuch > 1",
        "price > 'dear'",
    ],
)
def test_what_is_no_condition_over_the_columns_is_refused(table: Path, where: str) -> None:
    with pytest.raises(FalseworkError):
        answered(table, Question(where=where))


def test_the_database_reads_nothing_else(table: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_text("a\n1\n")
    base = _database(table)
    secret = pd.DataFrame({"a": [1]})
    for text in (
        f"select * from '{tmp_path}/secret.csv'",
        "set enable_external_access=true",
        f"copy rows to '{tmp_path}/out.csv'",
        "select * from secret",
        "install httpfs",
    ):
        with pytest.raises(duckdb.Error):
            base.execute(text).fetchall()
    assert len(secret) == 1 and not (tmp_path / "out.csv").exists()


@pytest.mark.parametrize(
    "asked",
    [{"sort": ("nosuch",)}, {"shown": ("file; drop",)}, {"sort": ("-",)}, {"where": "suport_g > 1"}],
)
def test_unknown_columns_are_named(table: Path, asked: dict) -> None:
    with pytest.raises(FalseworkError, match="no such column"):
        answered(table, Question(**asked))


def test_a_folder_that_is_no_screening(tmp_path: Path) -> None:
    with pytest.raises(PartError, match="no folder of a screening"):
        answered(tmp_path, Question())


def test_an_empty_table(tmp_path: Path) -> None:
    with Dataset(tmp_path / "out") as data:
        data.describe({})
    assert answered(tmp_path / "out", Question(where="price > 1")).count == 0


def test_pandas_polars_and_duckdb_find_the_same(table: Path) -> None:
    frames = pd.read_parquet(table / "rows"), pl.read_parquet(table / "rows" / "*.parquet")
    text = f"select count(*), sum(price), sum(wanted * support_g) from '{table}/rows/*.parquet'"
    ((count, price, support_g),) = duckdb.sql(text).fetchall()
    assert [len(frame) for frame in frames] == [count, count] == [30, 30]
    for frame in frames:
        assert math.isclose(float(frame["price"].sum()), price, rel_tol=1e-12)
        assert math.isclose(float((frame["wanted"] * frame["support_g"]).sum()), support_g, rel_tol=1e-12)
    ours = answered(table, Question())
    assert (ours.count, ours.support_g) == (count, support_g)


@pytest.mark.parametrize("page", ["screening.md", "screening-scale.md"])
def test_what_the_pages_ask_of_the_rows_runs(page: str, table: Path, tmp_path: Path, monkeypatch) -> None:
    text = (Path(__file__).parents[2] / "docs" / page).read_text("utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    for name in ("screened", "screened-1", "screened-2"):
        (tmp_path / name).symlink_to(table)
    monkeypatch.chdir(tmp_path)
    for line in example.splitlines():
        assert len(eval(line, {"pandas": pd, "polars": pl, "duckdb": duckdb})) > 0
