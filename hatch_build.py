"""The build refuses a wheel without the bench's page: a bench that opens on nothing helps nobody."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PAGE = Path("src/falsework/bench/page")
NEEDED = ("index.html", "icon.svg", "js/main.js", "vendor/three.module.min.js", "vendor/three.core.min.js")
_NAMED = re.compile(r"""(?:from|import)\s*\(?\s*["'](\.[^"']+)["']|(?:src|href)="/assets/([^"]+)\"""")


def missing(root: Path) -> list[str]:
    """What the page needs and has not: the files above, and whatever its own files load."""
    page = root / PAGE
    gone = [name for name in NEEDED if not (page / name).is_file()]
    for file in sorted(page.rglob("*")):
        if file.suffix not in (".js", ".html"):
            continue
        for module, asset in _NAMED.findall(file.read_text(encoding="utf-8")):
            target = page / asset if asset else file.parent / module
            if not target.is_file():
                gone.append(f"{asset or module}, which {file.relative_to(page)} loads")
    return gone


class PageHook(BuildHookInterface[Any]):
    """Runs before every build."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        gone = missing(Path(self.root))
        if gone:
            raise RuntimeError(f"the bench's page is not whole: {'; '.join(gone)} is missing")
