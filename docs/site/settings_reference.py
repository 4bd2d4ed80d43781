"""``falsework-settings``: tables of every setting, read from where the settings themselves are declared."""

from __future__ import annotations

from docutils import nodes
from docutils.parsers.rst import Directive

from falsework.process.builtin import builtin
from falsework.process.fields import Setting
from falsework.process.schema import describe, get

TITLES = {
    "process": "Process",
    "printer": "Printer",
    "material": "Material",
    "structure": "Structure of supports",
}
SHOWN = "pla-0.4"  # the process whose values are shown
HEADS = ("setting", "allowed", "built in", "what it is", "source")


class SettingsReference(Directive):
    """One section for each table of a process file."""

    def run(self) -> list[nodes.Node]:
        sections: dict[str, nodes.section] = {}
        rows: dict[str, nodes.tbody] = {}
        shown = builtin(SHOWN)
        for row in describe():
            if row.table not in sections:
                title = TITLES.get(row.table, row.table)
                section = nodes.section(ids=[f"settings-{row.table}"])
                section += nodes.title(text=title)
                table, rows[row.table] = _table()
                section += table
                sections[row.table] = section
            rows[row.table] += _row(row, get(shown, row))
        return list(sections.values())


def _table() -> tuple[nodes.table, nodes.tbody]:
    table = nodes.table()
    group = nodes.tgroup(cols=len(HEADS))
    table += group
    for width in (22, 16, 10, 40, 22):
        group += nodes.colspec(colwidth=width)
    head = nodes.thead()
    head += _cells(HEADS)
    body = nodes.tbody()
    group += head
    group += body
    return table, body


def _row(row: Setting, value: object) -> nodes.row:
    cells = _cells((row.field, row.allowed, f"{value}", row.help, row.source or "–"))
    name = cells[0][0]
    name.replace_self(nodes.paragraph("", "", nodes.literal(text=row.field)))
    return cells


def _cells(texts: tuple[str, ...]) -> nodes.row:
    row = nodes.row()
    for text in texts:
        entry = nodes.entry()
        entry += nodes.paragraph(text=text)
        row += entry
    return row


def setup(app: object) -> dict[str, bool]:
    """Register the directive with Sphinx."""
    app.add_directive("falsework-settings", SettingsReference)  # type: ignore[attr-defined]
    return {"parallel_read_safe": True, "parallel_write_safe": True}
