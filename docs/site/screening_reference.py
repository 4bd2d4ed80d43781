"""``falsework-rows``: the table of a screening's columns, read from where they are declared."""

from __future__ import annotations

from docutils import nodes
from docutils.parsers.rst import Directive
from tables import row, table

from falsework.screening.row import columns

HEADS = ("column", "type", "unit", "from depth", "what it is")


class RowsReference(Directive):
    """One line for each column."""

    def run(self) -> list[nodes.Node]:
        made, body = table(HEADS, (18, 12, 8, 10, 52))
        for column in columns():
            body += row(column.name, column.type, column.unit or "–", column.depth or "any", column.meaning)
        return [made]


def setup(app: object) -> dict[str, bool]:
    """Register the directive with Sphinx."""
    app.add_directive("falsework-rows", RowsReference)  # type: ignore[attr-defined]
    return {"parallel_read_safe": True, "parallel_write_safe": True}
