"""``falsework-settings``: tables of every setting, read from where the settings themselves are declared."""

from __future__ import annotations

from docutils import nodes
from docutils.parsers.rst import Directive
from tables import row, table

from falsework.process.builtin import builtin
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
        for one in describe():
            if one.table not in sections:
                title = TITLES.get(one.table, one.table)
                section = nodes.section(ids=[f"settings-{one.table}"])
                section += nodes.title(text=title)
                made, rows[one.table] = table(HEADS, (22, 16, 10, 40, 22))
                section += made
                sections[one.table] = section
            value = f"{get(shown, one)}"
            rows[one.table] += row(one.field, one.allowed, value, one.help, one.source or "–")
        return list(sections.values())


def setup(app: object) -> dict[str, bool]:
    """Register the directive with Sphinx."""
    app.add_directive("falsework-settings", SettingsReference)  # type: ignore[attr-defined]
    return {"parallel_read_safe": True, "parallel_write_safe": True}
