"""The page's own files, looked up in a list made beforehand: nothing a client sends becomes a path."""

from __future__ import annotations

import gzip
import hashlib
import mimetypes
from dataclasses import dataclass
from pathlib import Path

PAGE = Path(__file__).parent / "page"
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".json": "application/json",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",
    ".wasm": "application/wasm",
    ".txt": "text/plain; charset=utf-8",
}
_WORTH_PACKING = 1000


@dataclass(frozen=True)
class Asset:
    """One file, plain and packed; ``tag`` is a hash of its content."""

    type: str
    tag: str
    plain: bytes
    packed: bytes | None


class Assets:
    """The files under one folder, read when first asked for and again when they change."""

    def __init__(self, folder: Path = PAGE) -> None:
        self._folder = folder
        self._paths: dict[str, Path] = {}
        self._kept: dict[str, tuple[float, Asset]] = {}

    def get(self, name: str) -> Asset | None:
        """The file of that relative name ('js/main.js'), None where there is none."""
        if name not in self._paths:
            self._paths = {
                path.relative_to(self._folder).as_posix(): path
                for path in self._folder.rglob("*")
                if path.is_file() and not path.name.startswith(".")
            }
        path = self._paths.get(name)
        if path is None:
            return None
        try:
            changed = path.stat().st_mtime
            if name not in self._kept or self._kept[name][0] != changed:
                self._kept[name] = (changed, _read(path))
        except FileNotFoundError:
            return None
        return self._kept[name][1]


def _read(path: Path) -> Asset:
    plain = path.read_bytes()
    kind = _TYPES.get(path.suffix) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    packed = gzip.compress(plain, 6, mtime=0) if len(plain) > _WORTH_PACKING else None
    if packed is not None and len(packed) > 0.9 * len(plain):
        packed = None
    return Asset(kind, f'"{hashlib.sha256(plain).hexdigest()[:32]}"', plain, packed)
