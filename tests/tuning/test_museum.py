"""The demo's ledger: invented, marked so everywhere, and as a real one would be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from falsework.cli.demo import tuned_museum
from falsework.ledger import Ledger
from falsework.process import load_process
from falsework.tuning.museum import PRINTER
from falsework.watch import QUIET

pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(scope="module")
def museum(few_steps: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "tuning"
    tuned_museum(folder, QUIET)
    return folder


def test_every_reading_belongs_to_a_cell_of_a_piece_and_is_marked(museum: Path) -> None:
    ledger = Ledger.open(museum / "ledger.sqlite3")
    recorded = ledger.readings()
    assert len(recorded) >= 30
    assert all(r.reading.invented and r.reading.printer == PRINTER for r in recorded)
    pieces = ledger.coupons()
    assert len(pieces) == 4
    for r in recorded:
        document = json.loads(pieces[r.coupon].document)
        assert r.cell in {cell["label"] for cell in document["cells"]}
    assert all(p.invented for p in ledger.prints())


def test_page_process_file_and_export_say_that_it_is_invented(museum: Path) -> None:
    page = (museum / "tuning.html").read_text("utf-8")
    assert "invented for demonstration, never measured" in page and "Tuning · invented" in page
    text = (museum / "process.toml").read_text("utf-8")
    assert text.count("never measured") >= 4
    exported = json.loads(Ledger.open(museum / "ledger.sqlite3").export_json())
    assert "invented" in json.dumps(exported)


def test_the_tuned_process_is_the_museums_and_differs_from_practice(museum: Path) -> None:
    tuned = load_process(museum / "process.toml")
    assert tuned.printer.name == PRINTER
    assert tuned.structure.air_gap_layers == 3 and tuned.reach_share > 0.55
