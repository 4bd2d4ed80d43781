"""The one registry of settings: every field's unit, allowed range, help and source live beside it.

TOML, command line, schema, report and docs all read this metadata; a test fails when a field lacks any.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any


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
