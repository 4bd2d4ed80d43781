"""The one registry of settings: every field's unit, allowed range, help and source live beside it.

TOML, command line, schema, report and docs all read this metadata; a test fails when a field lacks any.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, NamedTuple


@dataclass(frozen=True)
class Spec:
    """What a setting means and may be.

    ``unit`` is '' for counts, fractions and names; ``low``/``high`` are inclusive bounds for numbers;
    ``choices`` lists the allowed words; ``source`` says where the default or built-in value comes from.
    """

    help: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    source: str = ""


def setting(
    default: Any = dataclasses.MISSING,
    *,
    help: str,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    choices: tuple[str, ...] = (),
    source: str = "",
) -> Any:
    """A dataclass field that carries its ``Spec``; read it back with :func:`spec_of`."""
    meta = {"spec": Spec(help, unit, low, high, choices, source)}
    if default is dataclasses.MISSING:
        return dataclasses.field(metadata=meta)
    return dataclasses.field(default=default, metadata=meta)


def spec_of(field: dataclasses.Field[Any]) -> Spec:
    """The ``Spec`` of one dataclass field (KeyError where there is none)."""
    spec: Spec = field.metadata["spec"]
    return spec


_KINDS: dict[str, type[Any]] = {"str": str, "int": int, "float": float}


class Setting(NamedTuple):
    """One setting. ``type`` is 'str', 'int' or 'float'; ``low``/``high`` are inclusive, None for words."""

    table: str
    field: str
    type: str
    unit: str
    low: float | None
    high: float | None
    choices: tuple[str, ...]
    default: Any
    help: str
    source: str

    @property
    def allowed(self) -> str:
        """The allowed values in words: '0.02 to 2.5 mm', 'parallel or crossed', 'any text'."""
        if self.choices:
            return " or ".join(self.choices)
        if self.low is None or self.high is None:
            return "any text"
        return f"{self.low:g} to {self.high:g}{' ' + self.unit if self.unit else ''}"


def kind_of(row: Setting) -> type[Any]:
    """The Python type of a setting's values."""
    return _KINDS[row.type]


def rows_in(kind: type[Any], table: str) -> tuple[Setting, ...]:
    """The settings that a dataclass declares, in its order; ``table`` is what the class is called."""
    known = _SETTINGS.get((kind, table))
    if known is None:
        fields = dataclasses.fields(kind)
        known = _SETTINGS[kind, table] = tuple(
            _row(table, field) for field in fields if "spec" in field.metadata
        )
    return known


_SETTINGS: dict[tuple[type[Any], str], tuple[Setting, ...]] = {}


def _row(table: str, field: dataclasses.Field[Any]) -> Setting:
    spec: Spec = spec_of(field)
    return Setting(
        table,
        field.name,
        str(field.type),  # annotations are kept as written: 'str', 'int', 'float'
        spec.unit,
        spec.low,
        spec.high,
        spec.choices,
        field.default,
        spec.help,
        spec.source,
    )
