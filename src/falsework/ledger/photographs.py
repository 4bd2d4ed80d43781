"""Photographs beside the database, each under the hash of its content: the same picture is kept once."""

from __future__ import annotations

import os
from pathlib import Path

from falsework.errors import LedgerError
from falsework.ledger.database import troubles
from falsework.ledger.place import aside, photograph_folder, private_folder, settle
from falsework.ledger.values import digest_of

LARGEST_BYTES = 50_000_000
_BEGINNINGS = {  # media type by the first bytes of the file: (offset, bytes)
    "image/jpeg": ((0, b"\xff\xd8\xff"),),
    "image/png": ((0, b"\x89PNG\r\n\x1a\n"),),
    "image/webp": ((0, b"RIFF"), (8, b"WEBP")),
    "image/heic": ((4, b"ftyphei"),),
    "image/avif": ((4, b"ftypavif"),),
}
ENDINGS = {
    "image/jpeg": ".jpg",
    "image/png": ".png",
    "image/webp": ".webp",
    "image/heic": ".heic",
    "image/avif": ".avif",
}


def media_type(content: bytes, name: str) -> str:
    """The media type of a photograph by its content, never by its name."""
    for media, marks in _BEGINNINGS.items():
        if all(content[at : at + len(mark)] == mark for at, mark in marks):
            return media
    kinds = ", ".join(ending.lstrip(".").upper() for ending in ENDINGS.values())
    raise LedgerError(name, "is not a photograph of a known kind", f"Give one of {kinds}")


def read_photograph(path: Path) -> bytes:
    """The bytes of a photograph's file."""
    with troubles(path):
        if not path.is_file():
            wrong = "is not a file" if path.exists() else "does not exist"
            raise LedgerError(str(path), wrong, "Give the file of a photograph")
        _check_size(path.stat().st_size, str(path))
        return path.read_bytes()


def _check_size(size: int, name: str) -> None:
    if size > LARGEST_BYTES:
        wrong = f"has {size / 1e6:.0f} MB; the most for one photograph is {LARGEST_BYTES / 1e6:.0f} MB"
        raise LedgerError(name, wrong, "Make it smaller")


def photograph_path(ledger: Path, digest: str, media: str) -> Path:
    """Where the photograph of that digest lies, or would."""
    return photograph_folder(ledger) / digest[:2] / f"{digest}{ENDINGS[media]}"


def keep(ledger: Path, content: bytes, name: str) -> tuple[str, str]:
    """Store a photograph's bytes; returns (digest, media type). Whoever stops this leaves it whole or not."""
    _check_size(len(content), name)
    digest, media = digest_of(content), media_type(content, name)
    target = photograph_path(ledger, digest, media)
    with troubles(target):
        private_folder(photograph_folder(ledger))
        private_folder(target.parent)
        if not _is_whole(target, digest):
            with aside(target.parent) as new:
                new.write_bytes(content)
                settle(new)
                os.replace(new, target)
    return digest, media


def fetch(ledger: Path, digest: str, media: str) -> bytes:
    """A photograph's bytes; ``LedgerError`` where they are missing or no longer what was stored."""
    path = photograph_path(ledger, digest, media)
    with troubles(path):
        if not path.is_file():
            raise LedgerError(str(path), "the photograph is missing", "Take it from a backup")
        content = path.read_bytes()
    if digest_of(content) != digest:
        raise LedgerError(str(path), "the photograph was changed or damaged", "Take it from a backup")
    return content


def _is_whole(path: Path, digest: str) -> bool:
    return path.is_file() and digest_of(path.read_bytes()) == digest
