"""Draws docs/pictures/architecture.svg: the rooms in the order of the import rules, and who imports whom."""

from __future__ import annotations

import ast
import html
import re
import tomllib
from pathlib import Path

import grimp

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
WIDTH, ROW, LEFT, BOX, TALL = 1010, 30, 190, 96, 22
INK, SOFT, PAPER, FRAME = "#22282b", "#8d9aa0", "#fbf9f3", "#2a5563"


def rows() -> list[list[str]]:
    """Rooms as the import rules order them, the highest first; rooms of one row may not import each other."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    layers = project["tool"]["importlinter"]["contracts"][0]["layers"]
    return [re.findall(r"falsework\.(\w+)", layer) for layer in layers]


def imports(names: set[str]) -> set[tuple[str, str]]:
    """Which room imports which other."""
    graph = grimp.build_graph("falsework")
    pairs = {
        (_room(module), _room(other))
        for module in graph.modules
        for other in graph.find_modules_directly_imported_by(module)
    }
    return {(a, b) for a, b in pairs if a != b and {a, b} <= names}


def _room(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def reduced(pairs: set[tuple[str, str]]) -> set[tuple[str, str]]:
    """The pairs that do not follow from others: who imports a room that itself imports the third."""
    below: dict[str, set[str]] = {}

    def reach(room: str) -> set[str]:
        if room not in below:
            direct = {b for a, b in pairs if a == room}
            below[room] = direct.union(*map(reach, direct)) if direct else set()
        return below[room]

    return {(a, b) for a, b in pairs if not any(b in reach(c) for x, c in pairs if x == a and c != b)}


def purpose(room: str) -> str:
    """What a room is for: the first sentence of its docstring, without the room's own name before it."""
    sources = ROOT / "src" / "falsework"
    path = sources / room / "__init__.py"
    tree = ast.parse((path if path.exists() else sources / f"{room}.py").read_text("utf-8"))
    text = " ".join((ast.get_docstring(tree) or "").replace("``", "").split())
    first = re.split(r"(?<=[^A-Z])[.?](?: |$)|; ", text)[0]
    head, _, rest = first.partition(": ")
    named = bool(rest) and len(head.split()) < 3
    return rest if named else first if len(first) < 100 else head


def picture() -> str:
    """The drawing as SVG text: a line for each room with what it is for; arcs lead to those it imports."""
    lines = [room for row in rows() for room in row]
    y = {room: 22 + ROW * k + TALL / 2 for k, room in enumerate(lines)}
    arcs = []
    for upper, lower in sorted(reduced(imports(set(lines)))):
        reach = min(22 + 9 * (lines.index(lower) - lines.index(upper)), LEFT - 12)
        arcs.append(
            f'<path d="M{LEFT} {y[upper]:g}C{LEFT - 1.3 * reach:g} {y[upper]:g} '
            f'{LEFT - 1.3 * reach:g} {y[lower]:g} {LEFT} {y[lower]:g}" marker-end="url(#to)">'
            f"<title>{upper} imports {lower}</title></path>"
        )
    boxes = [
        f'<rect x="{LEFT}" y="{y[room] - TALL / 2:g}" width="{BOX}" height="{TALL}" fill="{PAPER}" '
        f'stroke="{FRAME}"/><text x="{LEFT + BOX / 2:g}" y="{y[room] + 4.5:g}" text-anchor="middle" '
        f'font-weight="bold">{room}</text><text x="{LEFT + BOX + 14}" y="{y[room] + 4.5:g}">'
        f"{html.escape(purpose(room))}</text>"
        for room in lines
    ]
    height = ROW * len(lines) + 34
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'aria-label="The rooms of falsework from top to bottom, what each is for, and their imports">\n'
        f'<rect width="{WIDTH}" height="{height}" fill="{PAPER}"/>\n'
        f'<defs><marker id="to" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="7" markerHeight="7" '
        f'orient="auto"><path d="M0 0L8 4L0 8z" fill="{SOFT}"/></marker></defs>\n'
        f'<g fill="none" stroke="{SOFT}" stroke-width="1.2">\n'
        + "\n".join(arcs)
        + f'\n</g>\n<g fill="{INK}" font-family="Arial, sans-serif" font-size="13">\n'
        + "\n".join(boxes)
        + "\n</g>\n</svg>\n"
    )


def main() -> None:
    (HERE / "architecture.svg").write_text(picture(), "utf-8")


if __name__ == "__main__":
    main()
