"""``falsework-rows``: the table of a screening's columns, read from where they are declared."""

from __future__ import annotations

from docutils import nodes
from docutils.parsers.rst import Directive

from falsework.screening.row import columns

HEADS = ("column", "type", "unit", "from depth", "what it is")


class RowsReference(Directive):
    """One line for each column."""

    def run(self) -> list[nodes.Node]:
        table = nodes.table()
        group = nodes.tgroup(cols=len(HEADS))
        table += group
        for width in (18, 12, 8, 10, 52):
            group += nodes.colspec(colwidth=width)
        head = nodes.thead()
        head += _cells(HEADS)
        body = nodes.tbody()
        for column in columns():
            row = _cells(
                (column.name, column.type, column.unit or "–", column.depth or "any", column.meaning)
            )
            row[0][0].replace_self(nodes.paragraph("", "", nodes.literal(text=column.name)))
            body += row
        group += head
        group += body
        return [table]


def _cells(texts: tuple[str, ...]) -> nodes.row:
    row = nodes.row()
    for text in texts:
        entry = nodes.entry()
        entry += nodes.paragraph(text=text)
        row += entry
    return row


def setup(app: object) -> dict[str, bool]:
    """Register the directive with Sphinx."""
    app.add_directive("falsework-rows", RowsReference)  # type: ignore[attr-defined]
    return {"parallel_read_safe": True, "parallel_write_safe": True}
