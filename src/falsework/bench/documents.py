"""Pydantic models made from the Python API's dataclasses: the shapes of results in the API's description.

They are derived by the same rules as ``documents.encode`` writes, so they cannot drift apart.
"""

from __future__ import annotations

import dataclasses
import functools
import types
import typing
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, create_model

from falsework.documents import said_of
from falsework.wording.notices import Notice


@functools.cache
def model_of(kind: type) -> type[BaseModel]:
    """The model of a dataclass as a document: its compared fields, nested dataclasses as models."""
    hints = typing.get_type_hints(kind)
    fields: dict[str, Any] = {}
    for field in dataclasses.fields(kind):
        if field.compare:
            needed = field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
            fields[field.name] = (_shape(hints[field.name]), ... if needed else None)
    for name in said_of(kind):  # the bench tells it along with the figures
        fields[name] = (_shape(typing.get_type_hints(getattr(kind, name).fget)["return"]), None)
    doc = (kind.__doc__ or "").partition("\n")[0]
    return create_model(kind.__name__, __doc__=doc, **fields)


@functools.cache
def _notice() -> type[BaseModel]:
    """Any notice: its code and its sentence; what figures it has, its code says."""
    codes: Any = Literal[tuple(Notice.kinds)]
    config = ConfigDict(extra="allow")
    return create_model(
        "Notice", __config__=config, __doc__=Notice.__doc__, code=(codes, ...), text=(str, "")
    )


def _shape(hint: Any) -> Any:
    if hint is Notice:
        return _notice()
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return model_of(hint)
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return typing.Union[tuple(_shape(a) for a in arguments)]  # noqa: UP007
    if origin is tuple:
        return tuple[tuple(a if a is Ellipsis else _shape(a) for a in arguments)]  # type: ignore[misc]
    return hint


def document_models() -> list[type[BaseModel]]:
    """Models of every document that the bench hands out; imports the pipeline's values."""
    from falsework.auditing.value import Audit
    from falsework.orientation.value import Orientations
    from falsework.planning.value import Inspection, PartSummary, Plan, Totals
    from falsework.redrawing import Redraw
    from falsework.release.value import Remedy

    kinds = (PartSummary, Inspection, Totals, Plan, Orientations, Remedy, Redraw, Audit)
    return [model_of(kind) for kind in kinds]
