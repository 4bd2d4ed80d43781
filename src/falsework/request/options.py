"""Keywords of the public functions, and the values that are made of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict

from falsework.droop.belief import Belief
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.request.context import Context
from falsework.request.marks import MarkedFaces, Vector
from falsework.request.standing import Standing
from falsework.request.store import Store
from falsework.request.value import Placing, Request, Turn, Wish
from falsework.request.weights import Weights
from falsework.watch import Watch

if TYPE_CHECKING:
    from falsework.part.part import Part


class ContextOptions(TypedDict, total=False):
    """Fields of ``Context``. In all of these, None stands for the default."""

    belief: Belief | None
    watch: Watch
    store: Store | None
    cores: int | None
    device: str


class PlacingOptions(ContextOptions, total=False):
    """Fields of ``Placing`` and ``Context``."""

    turn_deg: Turn
    lie: str
    scale: float
    unit: str | None


class LyingOptions(TypedDict, total=False):
    """Fields of ``Wish`` that matter to how a part should lie."""

    weights: Weights | None
    show: MarkedFaces | None
    spare: MarkedFaces | None
    load_axis: Vector | str | None


class Options(PlacingOptions, LyingOptions, total=False):
    """Fields of ``Placing``, ``Wish`` and ``Context``."""

    standing: str
    overrules: Mapping[int, Standing] | None


def process_of(process: Process | str | Path) -> Process:
    """A process as it is, or the one of that name or file."""
    return process if isinstance(process, Process) else load_process(process)


def by_class(options: Mapping[str, Any], *classes: type[Any]) -> list[dict[str, Any]]:
    """Keywords by the dataclass whose field they are; ``TypeError`` for one that is nobody's."""
    names = [{field.name for field in fields(each)} for each in classes]
    unknown = options.keys() - set().union(*names)
    if unknown:
        raise TypeError(f"got an unexpected keyword argument {min(unknown)!r}")
    given = {name: value for name, value in options.items() if value is not None}
    return [{name: value for name, value in given.items() if name in own} for own in names]


def request_of(
    part: Part | str | Path, process: Process | str | Path, options: Options | PlacingOptions
) -> tuple[Request, Context]:
    """The request and the context that keywords make."""
    placing, wish, context = by_class(options, Placing, Wish, Context)
    return Request(part, Placing(**placing), Wish(process_of(process), **wish)), Context(**context)
