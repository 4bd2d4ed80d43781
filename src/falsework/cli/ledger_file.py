"""What the commands on the ledger share: which ledger, files that people name, documents that are printed."""

from __future__ import annotations

import dataclasses
import datetime
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from falsework.cli.options import PlaceOption, usual_ledger

if TYPE_CHECKING:
    from falsework.ledger import Recorded

F = TypeVar("F", bound=Callable[..., Any])

_PLACE = "falsework.ledger"


def _keep_place(context: click.Context, parameter: click.Parameter, value: Path | None) -> None:
    if value is not None:
        context.meta[_PLACE] = value  # meta is shared with the commands of a group


def place_option(command: F) -> F:
    """``--ledger``: another ledger than the usual one; :func:`ledger_place` tells which."""
    return click.option(
        "--ledger",
        "place",
        cls=PlaceOption,
        usual=usual_ledger,
        type=click.Path(path_type=Path),
        callback=_keep_place,
        expose_value=False,
        metavar="FILE",
        help="Another ledger than the usual one.",
    )(command)


def ledger_place() -> Path | None:
    """The ledger that ``--ledger`` named; None for the usual one."""
    place: Path | None = click.get_current_context().meta.get(_PLACE)
    return place


def document(schema: str, **values: Any) -> None:
    """One JSON document on stdout; one that holds readings says which are invented."""
    if "readings" in values and "notice" not in values and isinstance(values["readings"], list):
        values = {"notice": notice_text(values["readings"]), **values}
    click.echo(json.dumps({"schema": schema, **values}, ensure_ascii=True, indent=1, default=_plain))


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.asdict(value)
    if isinstance(value, datetime.date):
        return value.isoformat()
    raise TypeError(type(value).__name__)


def notice_text(found: Sequence[Recorded]) -> str:
    from falsework.ledger.exchange import invented_notice

    return invented_notice(sum(recorded.reading.invented for recorded in found), len(found))


_LARGEST_BYTES = 500_000_000


def read_bytes(path: Path) -> bytes:
    """The bytes of a file that a person named; ``LedgerError`` where it cannot be read."""
    from falsework.errors import LedgerError

    try:
        if path.exists() and not path.is_file():
            raise LedgerError(str(path), "is not a file", "Give a file")
        if (size := path.stat().st_size) > _LARGEST_BYTES:
            raise LedgerError(
                str(path), f"has {size / 1e6:.0f} MB: no record is as large", "Give another file"
            )
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise LedgerError(str(path), f"cannot be read ({reason})", "Check its name") from None
    except ValueError:  # a null byte in the path
        raise LedgerError(repr(path), "is not a name of a file", "Check its name") from None


def read_text(path: Path) -> str:
    """The text of a JSON file that falsework wrote."""
    from falsework.errors import LedgerError

    try:
        return read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise LedgerError(str(path), "is not text in UTF-8", "Give the file as it was written") from None
