"""Single bits that flip in the file: whatever comes of it is said as damage, with the cure."""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from falsework.errors import LedgerError
from falsework.ledger import Ledger
from ledger.samples import full


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
