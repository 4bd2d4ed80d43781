"""Docstrings as this project writes them ('name : what it is', then its further lines) told to Sphinx."""

from __future__ import annotations

import re

_ITEM = re.compile(r"([a-z_, ]+|[A-Z]\w+(?:, [A-Z]\w+)*) : (.+)")


def _numpydoc(app: object, what: str, name: str, found: object, options: object, lines: list[str]) -> None:
    """Put what stands behind an item's colon onto a line of its own: there numpydoc expects a type.

    Two items on one line ('watch : …. store : …') are taken apart."""
    made: list[str] = []
    for line in lines:
        item = _ITEM.fullmatch(line)
        if item is None:
            made.append(line)
            continue
        name, rest = item[1], item[2]
        while second := re.search(r"(?<=\.) ([a-z_]+) : ", rest):
            made += [name, f"    {rest[: second.start()]}"]
            name, rest = second[1], rest[second.end() :]
        made += [name, f"    {rest}"]
    lines[:] = made


def setup(app: object) -> dict[str, bool]:
    """Before napoleon, which reads the sections."""
    app.connect("autodoc-process-docstring", _numpydoc, priority=100)  # type: ignore[attr-defined]
    return {"parallel_read_safe": True, "parallel_write_safe": True}
