"""Dataclasses to JSON and back: the form of ``plan.json`` is the form of ``Plan``.

Fields keep their names; tuples become lists, enumerations their values; fields that are not compared
(arrays) are left out. What is read back is equal to what was written, to the last bit of each number.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import json
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

from falsework.errors import PartError

T = TypeVar("T")


def encode(value: Any) -> Any:
    """``value`` as plain dicts, lists, strings and numbers."""
    if dataclasses.is_dataclass(value):
        return {f.name: encode(getattr(value, f.name)) for f in dataclasses.fields(value) if f.compare}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, tuple | list):
        return [encode(item) for item in value]
    if isinstance(value, Mapping):
        return {str(key): encode(item) for key, item in value.items()}
    return value


@functools.cache
def _fields(kind: type) -> dict[str, Any]:
    hints = typing.get_type_hints(kind)
    return {f.name: hints[f.name] for f in dataclasses.fields(kind) if f.compare}


def _optional(kind: type) -> set[str]:
    missing = dataclasses.MISSING
    return {
        f.name
        for f in dataclasses.fields(kind)
        if f.default is not missing or f.default_factory is not missing
    }


def decode(kind: Any, data: Any) -> Any:
    """The inverse of :func:`encode` for the annotated type ``kind``; KeyError or TypeError on a mismatch."""
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        fields = _fields(kind)
        unknown = data.keys() - fields.keys()
        if unknown:
            raise KeyError(f"unknown field {sorted(unknown)[0]!r} in {kind.__name__}")
        if data.keys() == fields.keys():
            return kind(**{name: decode(hint, data[name]) for name, hint in fields.items()})
        # a document from before a field was added: the field's default stands, if it has one
        missing = sorted(fields.keys() - data.keys() - _optional(kind))
        if missing:
            raise KeyError(f"missing field {missing[0]!r} in {kind.__name__}")
        return kind(**{name: decode(fields[name], item) for name, item in data.items()})
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        if data is None:
            return None
        return decode(next(a for a in arguments if a is not types.NoneType), data)
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return tuple(decode(arguments[0], item) for item in data)
        return tuple(decode(a, item) for a, item in zip(arguments, data, strict=True))
    if origin is Mapping:
        return {arguments[0](key): decode(arguments[1], item) for key, item in data.items()}
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return kind(data)
    if kind is float and isinstance(data, int):
        return float(data)
    if kind in (int, float, str, bool) and not isinstance(data, kind):
        raise TypeError(f"expected {kind.__name__}, found {data!r}")
    return data


def dumps(value: Any, schema: str) -> str:
    """JSON text of a dataclass under a schema name; the same value gives the same bytes."""
    document = {"schema": schema, **encode(value)}
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def loads(kind: type[T], text: str, schema: str, subject: str, cure: str = "Make the plan again") -> T:
    """Read what :func:`dumps` wrote; ``PartError`` says what does not fit, and ``cure`` what to do."""
    try:
        document = json.loads(text)
        found = document.pop("schema")
    except (ValueError, AttributeError, KeyError, TypeError, RecursionError):
        raise PartError(subject, "is not a JSON document with a schema name", cure) from None
    if found != schema:
        raise PartError(subject, f"has schema {found!r}, this version reads {schema!r}", cure)
    try:
        result: T = decode(kind, document)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise PartError(subject, f"does not fit schema {schema!r}: {error}", cure) from None
    return result
