"""Single bits that flip in the file: whatever comes of it is said as damage, with the cure."""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from falsework.errors import LedgerError
from falsework.ledger import Ledger
from ledger.samples import full, museum


def everything(ledger: Ledger) -> None:
    """All that the commands read."""
    ledger.readings(withdrawn=True)
    for recorded in ledger.readings():
        ledger.history(recorded.id)
    for read in (ledger.printers, ledger.materials, ledger.spools, ledger.prints, ledger.events):
        read()
    ledger.coupons()
    ledger.plans()
    ledger.photographs()
    ledger.fit()
    ledger.readings_digest()
    ledger.export_json()
    ledger.export_csv()
    ledger.check()


def tried(work: Callable[[], None]) -> str:
    """'sound', or what kind of trouble; LedgerError alone may come out."""
    try:
        work()
    except LedgerError as error:
        assert error.cure
        return "damaged" if "damaged" in str(error) else "other"
    return "sound"


def test_flipped_bits_end_as_damage_and_never_as_a_fault_of_the_program(tmp_path: Path) -> None:
    full(tmp_path / "whole")
    path = tmp_path / "whole" / "ledger.sqlite3"
    content = path.read_bytes()
    rng = random.Random(7)
    found: Counter[str] = Counter()
    for k in range(120):
        at, bit = rng.randrange(len(content)), 1 << rng.randrange(8)
        if k % 3 == 0:  # the schema's text lies on the first page
            at = rng.randrange(100, 4096)
        folder = tmp_path / f"{k}"
        shutil.copytree(tmp_path / "whole", folder)
        spoilt = bytearray(content)
        spoilt[at] ^= bit
        (folder / "ledger.sqlite3").write_bytes(spoilt)
        found[tried(lambda folder=folder: everything(Ledger.open(folder / "ledger.sqlite3")))] += 1
        shutil.rmtree(folder)
    assert found["damaged"] > 0


def flipped(path: Path, content: bytes, text: bytes, rng: random.Random) -> None:
    """The file with one bit of ``text``, which it holds, the other way."""
    at = content.index(text) + rng.randrange(len(text))
    spoilt = bytearray(content)
    spoilt[at] ^= 1 << rng.randrange(8)
    path.write_bytes(spoilt)


def test_a_stored_fit_that_is_damaged_is_told_and_left_aside(tmp_path: Path) -> None:
    ledger = museum(tmp_path)
    rng = random.Random(11)
    told = "".join(rng.choices("abcdefgh", k=20_000))  # pages that SQLite does not check
    ledger.save_fit(f'{{"sets":"{told}"}}', ledger.readings_digest())
    stored, content = ledger.fit(), ledger.path.read_bytes()
    assert stored is not None and stored.sound
    ledger.check()
    parts = [told[k : k + 500].encode() for k in range(0, 20_000, 2000)]
    parts = [part for part in parts if part in content]  # where no page ends within
    assert len(parts) > 5
    for part in (*parts, stored.digest.encode(), stored.when.encode()):
        for _ in range(5):
            flipped(ledger.path, content, part, rng)
            spoilt = ledger.fit()
            assert spoilt is not None and not spoilt.sound and not spoilt.text
            with pytest.raises(LedgerError, match=r"is damaged: .* stored fit .*'falsework tune'"):
                ledger.check()
    ledger.save_fit("{}", ledger.readings_digest())
    ledger.check()
    assert ledger.fit() == ("{}", ledger.readings_digest(), ledger.fit().when, True)


@pytest.mark.parametrize(
    ("what", "text"), [("test piece G7K", "the roof from below"), ("process", '{"bridge_speed_mm_s": 30.0')]
)
def test_a_stored_document_that_is_damaged_is_told(tmp_path: Path, what: str, text: str) -> None:
    ledger = full(tmp_path)
    content = ledger.path.read_bytes()
    for k in range(7):
        flipped(ledger.path, content, text.encode(), random.Random(k))
        with pytest.raises(LedgerError, match=f"is damaged: {what}.*Restore a backup"):
            ledger.check()
