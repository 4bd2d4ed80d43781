"""Documents, ledgers and folders that were written by earlier words are read as if by today's."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from falsework.auditing.value import Audit, Finding, FindingLevel
from falsework.cli.app import run
from falsework.coupon import Coupon, CouponKind
from falsework.coupon.designing import design_coupon
from falsework.documents import decode, encode
from falsework.ledger import Ledger, database
from falsework.ledger.recording import keep_coupon
from falsework.process import builtin
from falsework.redrawing.value import Redraw
from shown import shown

pytestmark = pytest.mark.usefixtures("quick")
WEAVES = {"parallel": "lines", "crossed": "grid"}


def of_before(text: str) -> str:
    """A test piece as the first version wrote it."""
    told = json.loads(text)
    told["kind"] = "pattern-comb"
    for holder in (told["process"]["structure"], *(cell["condition"] for cell in told["cells"])):
        holder["pattern"] = WEAVES[holder.pop("weave")]
    told["process"]["printer"].pop("corner_loss_s")
    return json.dumps(told)


def comb() -> Coupon:
    return design_coupon(CouponKind.WEAVE, builtin("pla-0.4"), seed=1)


def test_a_test_piece_of_before_is_read_from_its_folder_and_from_a_ledger(
    tmp_path: Path, monkeypatch
) -> None:
    piece = comb()
    old = of_before(piece.to_json())
    assert "pattern-comb" in old and "weave" not in old
    assert Coupon.from_json(old) == Coupon.from_json(piece.to_json())
    ledger = Ledger.open(tmp_path / "ledger.sqlite3")
    with database.writing(ledger.path) as db:
        keep_coupon(db, piece.code, "pattern-comb", old, database.now())
    assert {code: one.kind for code, one in ledger.coupons().items()} == {piece.code: "weave-comb"}
    other = Ledger.open(tmp_path / "other.sqlite3")
    other.import_json(ledger.export_json())
    assert other.coupons() == ledger.coupons()
    folder = tmp_path / "pattern-comb-G7K"
    folder.mkdir()
    (folder / "coupon.json").write_text(old, "utf-8")
    monkeypatch.chdir(tmp_path)
    cell = piece.cells[0].label
    record = ["record", "piece", str(folder), "--cell", cell, "--finish", "4", "--let-go", "hand"]
    assert run([*record, "--ledger", str(other.path)]) == 0
    (read,) = other.readings()
    assert (read.coupon, read.reading.condition.weave) == (piece.code, piece.cells[0].condition.weave)


def test_findings_of_before_have_todays_kinds_and_levels() -> None:
    today = Finding(
        1, "other position", FindingLevel.RUIN, "it is turned", "turn it", follows="other position"
    )
    told = encode(today) | {"kind": "other lie", "level": "ruin", "follows": "other lie"}
    assert decode(Finding, told) == today


def test_an_audit_of_before_is_read(tmp_path: Path) -> None:
    from audited import faults, table_plan
    from falsework.auditing import audit

    path = tmp_path / "table.gcode"
    path.write_bytes(faults()["gap too wide"][1]()[0])
    found = audit(path, table_plan())
    text = found.to_json()
    old = text.replace(f'"{FindingLevel.RUIN.value}"', '"ruin"')
    assert Audit.from_json(old) == Audit.from_json(text)


def test_a_redraw_of_before_has_todays_word_for_another_position() -> None:
    text = shown().documents["redrawn/redraw.json"]
    assert '"best": "another position"' in text or '"best":"another position"' in text
    old = text.replace('"another position"', '"another lie"')
    assert old != text and Redraw.from_json(old) == Redraw.from_json(text)
