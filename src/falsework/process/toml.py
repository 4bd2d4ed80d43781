"""Processes in and out of TOML, and single settings changed by name.

A process file has up to four tables, ``[process]``, ``[printer]``, ``[material]`` and ``[structure]``. What
it leaves out comes from the built-in process named by ``based_on`` in ``[process]``, else from the defaults.
A fifth, ``[evidence]``, may say of single settings what they rest on; it is for people and changes nothing.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, NoReturn

from falsework.errors import ProcessError
from falsework.process.builtin import builtin, builtin_names, suggestion
from falsework.process.checks import checked
from falsework.process.earlier import renewed
from falsework.process.schema import TABLES, Setting, get, rows_of
from falsework.process.settings import Process

if TYPE_CHECKING:
    from pathlib import Path

EVIDENCE = "evidence"


def load_process(name_or_path: str | Path) -> Process:
    """The built-in process of that name, or the one that a TOML file describes; validated.

    A plain string that names a built-in process means that one, even where a file is called the same.
    Raises ProcessError for an unknown name, an unreadable file, an unknown or wrong setting.

    Examples
    --------
    >>> import falsework
    >>> falsework.load_process("petg-0.6").nozzle_mm
    0.6
    """
    if isinstance(name_or_path, str) and name_or_path in builtin_names():
        return builtin(name_or_path)
    from pathlib import Path

    path = Path(name_or_path)
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise ProcessError(
                str(path), "this is a device or a pipe, not a process file", "Give a TOML file"
            )
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        name = str(name_or_path)
        raise ProcessError(name, "there is no such file or built-in process", suggestion(name)) from None
    except UnicodeDecodeError:
        raise ProcessError(str(path), "the process file is not UTF-8 text", "Save it as UTF-8") from None
    except (OSError, ValueError) as error:  # ValueError: a null byte in the path
        reason = getattr(error, "strerror", None) or str(error)
        raise ProcessError(
            str(path), f"the process file cannot be read: {reason}", "Check the file"
        ) from None
    return _read(text, path)


def parse_process(text: str, name: str) -> Process:
    """The process of a TOML text, named ``name`` where it has no name of its own; errors as above."""
    from pathlib import Path

    return _read(text, Path(f"{name}.toml"))


def _read(text: str, path: Path) -> Process:
    import tomllib

    origin = path.name
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError: also numbers of thousands of digits
        raise ProcessError(origin, f"this is not TOML: {error}", "Correct the file") from None
    evidence = tables.pop(EVIDENCE, {})
    for table, entries in (*tables.items(), (EVIDENCE, evidence)):
        if table not in TABLES and table != EVIDENCE:
            _unknown(f"{origin}, [{table}]", "table", table, TABLES)
        if not isinstance(entries, dict):
            raise ProcessError(
                f"{origin}, {table}", "this is a table, not a value", f"Write [{table}] above its settings"
            )
    for key in evidence:
        _find(key, f"{origin}, [{EVIDENCE}] {key}")
    own = dict(tables.get("process", {}))
    start = _start(own.pop("based_on", None), origin)
    values = {**tables, "process": {"name": path.stem, **own}}
    changes: dict[str, dict[str, Any]] = {}
    for table, entries in values.items():
        entries = renewed(entries)
        rows = {row.field: row for row in rows_of(table)}
        for field, value in entries.items():
            if field not in rows:
                known = [*rows, "based_on"] if table == "process" else rows
                _unknown(f"{origin}, [{table}] {field}", "setting", field, known)
            changes.setdefault(table, {})[field] = checked(value, rows[field], origin)
    try:
        return _changed(start, changes)
    except ProcessError as error:
        raise ProcessError(f"{origin}, {error.subject}", error.wrong, error.cure) from None


def _start(based_on: Any, origin: str) -> Process:
    if based_on is None:
        return Process()
    if not isinstance(based_on, str) or based_on not in builtin_names():
        raise ProcessError(
            f"{origin}, based_on",
            f"{based_on!r} is not the name of a built-in process",
            suggestion(str(based_on)),
        )
    return builtin(based_on)


def _changed(process: Process, changes: Mapping[str, Mapping[str, Any]]) -> Process:
    parts = {
        table: dataclasses.replace(getattr(process, table), **fields)
        for table, fields in changes.items()
        if table != "process"
    }
    return dataclasses.replace(process, **changes.get("process", {}), **parts)


def _unknown(subject: str, what: str, name: str, known: Iterable[str]) -> NoReturn:
    import difflib

    near = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    cure = f"Perhaps {near[0]} is meant" if near else f"Known are {', '.join(known)}"
    raise ProcessError(subject, f"there is no {what} of that name", cure)


def override(process: Process, settings: Mapping[str, str]) -> Process:
    """``process`` with single settings replaced by text, as ``--set FIELD=VALUE`` gives them; validated.

    A key is a field (``layer_height_mm``) or a table and a field (``structure.spacing_mm``); a bare ``name``
    is the process's own. Raises ProcessError for an unknown field or a value that does not fit.
    """
    changes: dict[str, dict[str, Any]] = {}
    for key, text in _renewed_keys(settings).items():
        row = _find(key)
        changes.setdefault(row.table, {})[row.field] = checked(_parsed(text, row), row)
    return _changed(process, changes)


def _renewed_keys(settings: Mapping[str, str]) -> dict[str, str]:
    """Keys with or without their table, by the names of this version."""
    new: dict[str, str] = {}
    for key, text in settings.items():
        table, dot, field = key.rpartition(".")
        for name, word in renewed({field: text}).items():
            new[f"{table}{dot}{name}"] = word
    return new


def _find(key: str, subject: str = "") -> Setting:
    """The setting that ``key`` names; the first table wins (only ``name`` occurs in more than one)."""
    rows = [row for table in TABLES for row in rows_of(table)]
    for row in rows:
        if key in (row.field, f"{row.table}.{row.field}"):
            return row
    full = {f"{row.table}.{row.field}" for row in rows if row.table != "process"}
    _unknown(subject or key, "setting", key, sorted(full | {row.field for row in rows}))


def _parsed(text: str, row: Setting) -> Any:
    """``text`` as a number where it is one and a number is wanted; otherwise as it stands, for the check."""
    if row.type == "str":
        return text
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def dump_process(process: Process, evidence: Mapping[str, Mapping[str, Any]] | None = None) -> str:
    """``process`` as TOML text with unit, range and help beside each setting; it reads back equal.

    ``evidence`` says of settings, by field or 'table.field', what they rest on: texts, numbers and lists of
    them by name.

    Examples
    --------
    >>> import falsework
    >>> process = falsework.load_process("pla-0.4")
    >>> text = falsework.dump_process(process)
    >>> "layer_height_mm = 0.2" in text
    True
    """
    lines: list[str] = []
    for table in TABLES:
        lines += [*([""] if lines else []), f"[{table}]"]
        for row in rows_of(table):
            lines.append(f"{row.field} = {_written(get(process, row))}  # {row.allowed}: {row.help}")
    if evidence:
        lines += ["", f"[{EVIDENCE}]"]
        for key, facts in evidence.items():
            told = ", ".join(f"{name} = {_written(fact)}" for name, fact in facts.items())
            lines.append(f"{key if '.' not in key else _written(key)} = {{ {told} }}")
    return "\n".join(lines) + "\n"


def _written(value: Any) -> str:
    """A TOML literal; JSON strings are TOML strings but for the delete character, which no valid name has."""
    import json

    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_written, value))}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
