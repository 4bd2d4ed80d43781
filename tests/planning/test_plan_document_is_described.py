"""docs/plan-json.md names every field of plan.json (settings of a process have a registry of their own)."""

from __future__ import annotations

import dataclasses
import typing
from pathlib import Path

from falsework.planning.value import Plan
from falsework.process.settings import Process

DOCS = Path(__file__).parents[2] / "docs" / "plan-json.md"


def _dataclasses_in(hint: object) -> set[type]:
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        if hint is Process:
            return set()
        hints = typing.get_type_hints(hint)
        inner = [hints[f.name] for f in dataclasses.fields(hint) if f.compare]
        return {hint}.union(*(_dataclasses_in(h) for h in inner))
    return set().union(*(_dataclasses_in(h) for h in typing.get_args(hint)))


def test_every_field_is_described() -> None:
    text = DOCS.read_text(encoding="utf-8")
    found = _dataclasses_in(Plan)
    assert len(found) >= 8
    missing = {
        f"{kind.__name__}.{f.name}"
        for kind in found
        for f in dataclasses.fields(kind)
        if f.compare and f"`{f.name}`" not in text
    }
    assert not missing
