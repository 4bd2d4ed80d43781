"""Questions to the rows of a screening: a condition, an order, some columns; answered by DuckDB.

What is asked is one expression over the columns and nothing else. The database is told to read the folder of
the rows alone, and to let nobody tell it otherwise; an expression that holds a query of its own is refused
besides.
"""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from typing import Any

from falsework.errors import FalseworkError, PartError
from falsework.screening.dataset import ROWS, batches, is_screening
from falsework.screening.engine import INSTALL
from falsework.screening.row import columns, schema

USUAL = ("file", "process", "wanted", "state", "part_g", "support_g", "price", "total", "loss", "why")
MOST = 50
WORST_FIRST = "state = 'failed' desc, state = 'not ready' desc, loss * wanted desc nulls last, file, process"
_NAME = re.compile(r"^[A-Za-z_][A-Za-z0-9_]*$")
_NOT_FOUND = re.compile(r'column "([^"]+)" not found')  # as DuckDB says it


class QuestionError(FalseworkError):
    """A condition, an order or a column that the rows do not know."""


@dataclass(frozen=True)
class Question:
    """``where``: a condition, '' for all rows. ``sort``: columns, those with '-' before them downwards; none:
    what will disappoint first. ``shown``: columns; none for the usual ones. ``most`` rows, None for all."""

    where: str = ""
    sort: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    most: int | None = MOST


@dataclass(frozen=True)
class TableAnswer:
    """Rows that were found: ``names`` of their columns, ``values`` of those shown, and of all that fit:
    how many there are, and their sums, each row times the number wanted."""

    names: tuple[str, ...]
    values: tuple[tuple[Any, ...], ...]
    count: int
    wanted: int
    filament_g: float
    support_g: float
    time_s: float
    price: float


def answered(folder: str | os.PathLike[str], question: Question) -> TableAnswer:
    """The answer of a screening's rows; ``QuestionError`` where it is asked what they do not know."""
    if not is_screening(folder):
        raise PartError(os.fspath(folder), "this is no folder of a screening", "Give one that screen wrote")
    base = _database(folder)
    try:
        known = _columns(base)
        where = _condition(base, question.where, known)
        shown = tuple(_known(name, known) for name in question.shown) or USUAL
        order = ", ".join(_ordered(name, known) for name in question.sort) or WORST_FIRST
        limit = "" if question.most is None else f" limit {question.most}"
        quoted = ", ".join(f'"{name}"' for name in shown)
        found = _run(base, f"select {quoted} from rows {where} order by {order}{limit}", known)
        sums = _run(
            base,
            "select count(*), sum(wanted), sum((part_g + support_g) * wanted), sum(support_g * wanted), "
            f"sum((part_s + support_s) * wanted), sum(price * wanted) from rows {where}",
            known,
        )
    finally:
        base.close()
    count, wanted, *rest = (value or 0 for value in sums[0])
    return TableAnswer(shown, tuple(found), int(count), int(wanted), *(float(value) for value in rest))


def _database(folder: str | os.PathLike[str]) -> Any:
    """A database that holds the rows as a view, and can read nothing else."""
    try:
        import duckdb
    except ImportError:
        raise PartError("--where", "questions ask for DuckDB", INSTALL) from None
    rows = os.path.abspath(os.path.join(folder, ROWS))
    base = duckdb.connect(":memory:", config={"autoinstall_known_extensions": False})
    try:
        names = ", ".join(_quoted(os.fspath(path)) for path in batches(os.path.abspath(folder)))
        if names:
            base.execute(f"create view found as select * from read_parquet([{names}], union_by_name=true)")
        else:
            base.register("found", schema().empty_table())
        for name in ("python_enable_replacements", "autoload_known_extensions"):
            base.execute(f"set {name}=false")
        base.execute(f"set allowed_directories=[{_quoted(rows + os.sep)}]")
        base.execute("set enable_external_access=false")
        base.execute("set lock_configuration=true")
        base.execute(f"create view rows as select *{_own(base)} from found")
    except duckdb.Error as error:
        base.close()
        raise PartError(os.fspath(folder), f"its rows cannot be read ({error})", "Screen it again") from None
    return base


def _own(base: Any) -> str:
    """The list's own columns beside ours, as texts."""
    keys = base.execute(
        "select distinct unnest(json_keys(own)) as k from found where own <> '{}' order by k"
    ).fetchall()
    taken = {column.name for column in columns()}
    told = []
    for (key,) in keys:
        name = key if key not in taken else f"own_{key}"
        path = '$."' + key.replace('"', '\\"') + '"'
        told.append(f", json_extract_string(own, {_quoted(path)}) as {_named(name)}")
    return "".join(told)


def _columns(base: Any) -> list[str]:
    return [row[0] for row in base.execute("select column_name from (describe rows)").fetchall()]


def _condition(base: Any, where: str, known: list[str]) -> str:
    if not where.strip():
        return ""
    text = f"select 1 from rows where ({where}\n)"
    (tree,) = base.execute("select json_serialize_sql(?::varchar)", [text]).fetchone()
    told = json.loads(tree)
    if told.get("error"):
        raise QuestionError(
            "--where", f"this is no condition ({told.get('error_message', '')})", _cure(known)
        )
    statements = told.get("statements", [])
    whole = len(statements) == 1 and _plain(statements[0]["node"])
    if not whole or _holds_query(statements):
        wrong = "only one condition over the columns is understood, no query of its own"
        raise QuestionError("--where", wrong, _cure(known))
    return f"where ({where}\n)"


def _plain(node: dict[str, Any]) -> bool:
    """Whether a query is ours with a condition put in, not another that the condition made of it."""
    return (
        node.get("type") == "SELECT_NODE"
        and node.get("from_table", {}).get("type") == "BASE_TABLE"
        and not node.get("modifiers")
        and not node.get("group_expressions")
        and node.get("having") is None
        and node.get("qualify") is None
    )


def _holds_query(tree: Any) -> bool:
    inside = tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ()
    own = isinstance(tree, dict) and tree.get("class") == "SUBQUERY"
    return own or any(_holds_query(one) for one in inside)


def _ordered(name: str, known: list[str]) -> str:
    down = name.startswith("-")
    return f"{_named(_known(name.lstrip('+-'), known))} {'desc' if down else 'asc'} nulls last"


def _known(name: str, known: list[str]) -> str:
    if name not in known:
        raise QuestionError(f"column {name}", "the rows have no such column", _cure(known))
    return name


def _cure(known: list[str]) -> str:
    return f"Columns are {', '.join(known)}"


def _run(base: Any, text: str, known: list[str]) -> list[Any]:
    import duckdb

    try:
        found: list[Any] = base.execute(text).fetchall()
    except duckdb.Error as error:
        unknown = _NOT_FOUND.search(str(error))
        if unknown:
            _known(unknown[1], known)
        reason = str(error).splitlines()[0]
        raise QuestionError("--where", f"this cannot be answered ({reason})", _cure(known)) from None
    return found


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _named(name: str) -> str:
    return name if _NAME.match(name) else '"' + name.replace('"', '""') + '"'
