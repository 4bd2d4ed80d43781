"""Photographs beside the ledger, and backups that bring them along."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from falsework.errors import LedgerError
from falsework.ledger import Ledger, database, photographs
from falsework.ledger.place import photograph_folder
from ledger.samples import DAY, HAND, PHOTOGRAPH, full, museum


@pytest.fixture
def ledger(tmp_path) -> Ledger:
    return museum(tmp_path)


def test_a_photograph_is_kept_once_under_its_content(ledger, tmp_path):
    (tmp_path / "IMG 1.jpg").write_bytes(PHOTOGRAPH)
    digest = ledger.keep_photograph(tmp_path / "IMG 1.jpg")
    assert ledger.keep_photograph(PHOTOGRAPH, "the same.jpeg") == digest
    files = [path for path in photograph_folder(ledger.path).rglob("*") if path.is_file()]
    assert [path.name for path in files] == [f"{digest}.jpg"]
    assert ledger.photograph(digest) == (PHOTOGRAPH, "image/jpeg")
    with pytest.raises(LedgerError, match="knows none of digest"):
        ledger.photograph("0" * 64)


def test_a_photograph_shows_one_thing_and_can_be_detached(ledger):
    digest = ledger.keep_photograph(PHOTOGRAPH, "roof.jpg")
    reading = ledger.add_reading(HAND, when=DAY)
    print_id = ledger.add_print("harbour mole", "PLA", printed_on=DAY)
    ledger.attach(digest, reading=reading, note="from below")
    second = ledger.attach(digest, print_id=print_id)
    (shown,) = ledger.photographs(reading=reading)
    assert (shown.digest, shown.name, shown.size, shown.note) == (
        *(digest, "roof.jpg", len(PHOTOGRAPH), "from below"),
    )
    assert len(ledger.photographs()) == 2
    ledger.detach(second, "shows another print")
    assert ledger.photographs(print_id=print_id) == [] and ledger.photograph(digest)[0] == PHOTOGRAPH
    for wrong in ({}, {"reading": reading, "print_id": print_id}):
        with pytest.raises(LedgerError, match="shows one reading, print or test piece"):
            ledger.attach(digest, **wrong)
    with pytest.raises(LedgerError, match="no reading 99"):
        ledger.attach(digest, reading=99)
    with pytest.raises(LedgerError, match="detached already"):
        ledger.detach(second, "again")
    with pytest.raises(LedgerError, match="knows no photograph"):
        ledger.attach("0" * 64, reading=reading)


@pytest.mark.parametrize(
    ("beginning", "media"),
    [
        (b"\xff\xd8\xff\xe1", "image/jpeg"),
        (b"\x89PNG\r\n\x1a\n", "image/png"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "image/webp"),
        (b"\0\0\0\x18ftypheic", "image/heic"),
        (b"\0\0\0\x18ftypavif", "image/avif"),
    ],
)
def test_the_kind_is_told_by_the_content(beginning: bytes, media: str):
    assert photographs.media_type(beginning + b"\0" * 20, "x") == media


@pytest.mark.parametrize("content", [b"", b"<svg onload=alert(1)>", b"GIF89a", b"%PDF-1.7", b"\xff\xd8"])
def test_what_is_no_photograph_is_refused(ledger, content: bytes):
    with pytest.raises(LedgerError, match=r"roof\.jpg: is not a photograph of a known kind"):
        ledger.keep_photograph(content, "roof.jpg")
    assert not photograph_folder(ledger.path).exists()


def test_files_that_cannot_be_photographs(ledger, tmp_path, monkeypatch):
    for path, message in ((tmp_path, "is not a file"), (tmp_path / "none.jpg", "does not exist")):
        with pytest.raises(LedgerError, match=message):
            ledger.keep_photograph(path)
    with pytest.raises(LedgerError, match="the most for one photograph is 50 MB"):
        ledger.keep_photograph(bytes(50_000_001), "roof.jpg")
    monkeypatch.setattr(photographs, "LARGEST_BYTES", 1_000_000)
    with pytest.raises(LedgerError, match="has 3 MB; the most for one photograph is 1 MB"):
        ledger.keep_photograph(PHOTOGRAPH.ljust(3_000_000), "roof.jpg")


def test_a_missing_or_changed_photograph_is_told_and_can_be_given_again(ledger):
    digest = ledger.keep_photograph(PHOTOGRAPH, "roof.jpg")
    path = photographs.photograph_path(ledger.path, digest, "image/jpeg")
    path.write_bytes(PHOTOGRAPH[:-1])
    (lost,) = ledger.check()
    assert "was changed or damaged" in lost
    ledger.keep_photograph(PHOTOGRAPH, "roof.jpg")
    assert ledger.check() == ()
    path.unlink()
    with pytest.raises(LedgerError, match="the photograph is missing"):
        ledger.photograph(digest)


def test_a_backup_is_a_ledger_with_its_photographs(tmp_path):
    ledger = full(tmp_path / "ours")
    ledger.backup(tmp_path / "safe" / "copy.sqlite3")
    copy = Ledger.open(tmp_path / "safe" / "copy.sqlite3")
    copy.check()
    assert copy.export_json() == ledger.export_json() and copy.fit() == ledger.fit()
    assert copy.photograph(copy.photographs()[0].digest)[0] == PHOTOGRAPH
    with pytest.raises(LedgerError, match="is there already"):
        ledger.backup(tmp_path / "safe" / "copy.sqlite3")
    copy.add_reading(HAND, when=DAY)
    assert len(ledger.readings()) + 1 == len(copy.readings())


def test_a_backup_says_which_photographs_it_could_not_take(tmp_path):
    ledger = full(tmp_path / "ours")
    digest = ledger.photographs()[0].digest
    photographs.photograph_path(ledger.path, digest, "image/jpeg").unlink()
    (lost,) = ledger.backup(tmp_path / "copy.sqlite3")
    assert digest in lost and "missing" in lost
    assert Ledger.open(tmp_path / "copy.sqlite3").export_json() == ledger.export_json()


def test_a_backup_that_fails_leaves_nothing_that_looks_like_one(tmp_path, monkeypatch):
    def full_disk(path: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    ledger = full(tmp_path / "ours")
    for module in (database, photographs):
        monkeypatch.setattr(module, "settle", full_disk)
        with pytest.raises(LedgerError, match="the disk is full"):
            ledger.backup(tmp_path / "copy.sqlite3")
        assert not (tmp_path / "copy.sqlite3").exists()


def test_a_photograph_has_at_most_fifty_megabytes():
    photographs._check_size(50_000_000, "roof.jpg")
    with pytest.raises(LedgerError, match="has 61 MB; the most for one photograph is 50 MB"):
        photographs._check_size(60_600_000, "roof.jpg")
    with pytest.raises(LedgerError, match="the most for one photograph is 50 MB"):
        photographs._check_size(50_000_001, "roof.jpg")


def test_notes_are_printable_text_of_several_lines() -> None:
    from falsework.ledger.checks import wrong_note

    assert wrong_note("") is None and wrong_note("two\n\tlines") is None
    assert wrong_note(5) == "5 is not printable text" and "not printable" in str(wrong_note("a\x07b"))
