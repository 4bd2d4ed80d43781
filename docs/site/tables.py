"""Tables of docutils nodes, the first column as code: what the generated references have in common."""

from __future__ import annotations

from docutils import nodes


def table(heads: tuple[str, ...], widths: tuple[int, ...]) -> tuple[nodes.table, nodes.tbody]:
    """An empty table with its head, and the body that takes its rows."""
    made = nodes.table()
    group = nodes.tgroup(cols=len(heads))
    made += group
    for width in widths:
        group += nodes.colspec(colwidth=width)
    head = nodes.thead()
    head += _cells(heads)
    body = nodes.tbody()
    group += head
    group += body
    return made, body


def row(name: str, *texts: str) -> nodes.row:
    """A row: a name as it is typed, and what is said of it."""
    cells = _cells((name, *texts))
    cells[0][0].replace_self(nodes.paragraph("", "", nodes.literal(text=name)))
    return cells


def _cells(texts: tuple[str, ...]) -> nodes.row:
    cells = nodes.row()
    for text in texts:
        entry = nodes.entry()
        entry += nodes.paragraph(text=text)
        cells += entry
    return cells
