"""Options that several commands share, and how their texts become values."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from falsework.process.settings import Process
    from falsework.request.standing import Standing
    from falsework.request.weights import Weights

F = TypeVar("F", bound=Callable[..., Any])

STANDINGS = ("leave", "bed", "bed-or-part")
_STANDING_WAS = {"none": "leave", "anywhere": "bed-or-part"}  # words of earlier versions


class Triple(click.ParamType):
    """Three numbers with commas between them."""

    name = "X,Y,Z"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, float, float]:
        if isinstance(value, tuple):
            return value
        try:
            x, y, z = (float(text) for text in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is not three numbers with commas, such as 90,0,45", param, ctx)
        if not all(map(math.isfinite, (x, y, z))):
            self.fail(f"{value!r} holds a number that is not finite", param, ctx)
        return x, y, z


class StartOf(click.Choice[str]):
    """Where supports start; words of earlier versions count too."""

    def convert(self, value: Any, param: Any, ctx: Any) -> str:
        return str(super().convert(_STANDING_WAS.get(value, value), param, ctx))


class Day(click.ParamType):
    """A day, in any of the forms that the ledger reads."""

    name = "DAY"

    def convert(self, value: Any, param: Any, ctx: Any) -> datetime.date:
        from falsework.ledger.tables import day_of

        if isinstance(value, datetime.date):
            return value
        try:
            return day_of(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


class KeyValue(click.ParamType):
    """``KEY=VALUE``."""

    def __init__(self, name: str) -> None:
        self.name = name

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[str, str]:
        if isinstance(value, tuple):
            return value
        key, equals, text = value.partition("=")
        if not key.strip() or not equals:
            self.fail(f"{value!r} is not of the form {self.name}", param, ctx)
        return key.strip(), text.strip()


class PlaceOption(click.Option):
    """An option for a file or folder; help tells its usual place on this machine, which ``usual`` finds."""

    def __init__(self, *names: Any, usual: Callable[[], Path], **more: Any) -> None:
        super().__init__(*names, **more)
        self.usual = usual

    def get_help_extra(self, ctx: click.Context) -> Any:
        return {**super().get_help_extra(ctx), "default": str(self.usual())}


def usual_ledger() -> Path:
    """Where the ledger lies unless a command is told another."""
    from falsework.ledger.place import ledger_path

    return ledger_path()


def usual_bench() -> Path:
    """Where the bench keeps its sheets unless it is told another folder."""
    from falsework.ledger.place import data_folder

    return data_folder() / "bench"


def added(command: F, options: Sequence[Callable[[F], F]]) -> F:
    """The command with these options, which help lists in this order."""
    for option in reversed(options):
        command = option(command)
    return command


def part_options(command: F) -> F:
    """How the part is read and how it is printed: what every command on a part has in common."""
    options = (
        click.argument("part", type=click.Path(path_type=str)),
        process_options,
        click.option(
            "--scale", type=click.FloatRange(min=0, min_open=True), default=1.0, help="Factor on the size."
        ),
        click.option(
            "--unit", metavar="UNIT", help="Unit of a file that carries none: um, mm, cm, inch, foot or m."
        ),
        click.option("--too-large", is_flag=True, help="Work out even what does not fit the printer."),
    )
    return added(command, options)


def process_options(command: F) -> F:
    """``--process`` and ``--set``: how things are printed."""
    options = (
        click.option(
            "--process",
            "process_name",
            default="pla-0.4",
            show_default=True,
            metavar="NAME|FILE.toml",
            help="A built-in process (see 'falsework process') or a process file.",
        ),
        click.option(
            "--set",
            "settings",
            multiple=True,
            type=KeyValue("FIELD=VALUE"),
            help="Change one setting of the process, such as structure.spacing_mm=3. Repeatable.",
        ),
    )
    return added(command, options)


def piece_options(command: F) -> F:
    """``--minutes`` and ``--grams``: what a test piece may take."""
    options = (
        click.option(
            "--minutes",
            type=click.FloatRange(min=0, min_open=True),
            default=30.0,
            show_default=True,
            help="The most that the test piece may take to print; cells are left out to keep to it.",
        ),
        click.option(
            "--grams",
            type=click.FloatRange(min=0, min_open=True),
            default=15.0,
            show_default=True,
            help="The most that the test piece may weigh, supports included.",
        ),
    )
    return added(command, options)


def turn_option(command: F) -> F:
    """``--turn``: how the part is to lie."""
    return click.option(
        "--turn",
        "turn_deg",
        type=Triple(),
        default=(0.0, 0.0, 0.0),
        help="Degrees about x, then y, then z, before the part is put on the bed.",
    )(command)


def marks_options(command: F) -> F:
    """``--show`` and ``--load``: what matters to the search for the best lie."""
    options = (
        click.option(
            "--show",
            "shown",
            multiple=True,
            metavar="DIRECTION|SET",
            help="Faces to keep clean: those that look along +z, -x or 0,1,1, or a face set of the file. "
            "Repeatable.",
        ),
        click.option(
            "--load", metavar="AXIS", help="Direction in which the part will be pulled, such as +x or 0,1,1."
        ),
    )
    return added(command, options)


def spare_option(command: F) -> F:
    """``--spare``: what no support may touch."""
    return click.option(
        "--spare",
        "spared",
        multiple=True,
        metavar="DIRECTION|SET",
        help="Faces that no support may touch, as with --show. Repeatable.",
    )(command)


def weigh_option(command: F) -> F:
    """``--weigh``: what counts."""
    return click.option(
        "--weigh",
        metavar="finish=…,filament=…,time=…",
        help="What counts: the price of a spoilt square centimetre, and factors on filament and time.",
    )(command)


def supports_as_option(command: F) -> F:
    """``--supports-as``: what other programs take the supports for."""
    return click.option(
        "--supports-as",
        type=click.Choice(("support", "solidsupport", "model")),
        default="support",
        show_default=True,
        help="Object type of supports in the 3MF file; model is for programs that ignore the others.",
    )(command)


def cores_option(command: F) -> F:
    """``--cores``: how many processor cores to use at most."""
    help_text = "Processor cores to use at most; all there are. The result is the same."
    return click.option("--cores", type=click.IntRange(1), help=help_text)(command)


def device_option(command: F) -> F:
    """``--device``: what counts the columns of positions."""
    return click.option(
        "--device",
        type=click.Choice(["auto", "cpu", "gpu"]),
        default="auto",
        show_default=True,
        help="What counts the columns of positions: this processor; a graphics processor (falsework[gpu]),"
        " which prices 50 000 sides besides; or whichever is faster.",
    )(command)


def json_option(command: F) -> F:
    """``--json``: one JSON document on stdout, errors included."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")(
        command
    )


def chosen_process(name: str, settings: tuple[tuple[str, str], ...]) -> Process:
    """The process of that name or file with the given settings changed."""
    from falsework.process import load_process, override

    process = load_process(name)
    return override(process, dict(settings)) if settings else process


def chosen_overrules(pairs: tuple[tuple[str, str], ...]) -> dict[int, Standing]:
    """``3=bed`` pairs as standings by underside number; click's usage error where one is not."""
    from falsework.request.standing import Standing

    overrules = {}
    for key, text in pairs:
        if not key.isdecimal() or text not in (*STANDINGS, *_STANDING_WAS):
            raise click.BadParameter(
                f"'{key}={text}' is not an underside and one of {', '.join(STANDINGS)}, such as 3=bed",
                param_hint="--overrule",
            )
        overrules[int(key)] = Standing(text)
    return overrules


def chosen_weights(text: str | None) -> Weights:
    """``finish=2,time=0.5`` as weights; what is not named keeps its default."""
    from falsework.request.weights import WEIGHTS, Weights

    values: dict[str, float] = {}
    for item in filter(None, (text or "").split(",")):
        key, _, number = item.partition("=")
        try:
            field, value = WEIGHTS[key.strip()], float(number)
        except (KeyError, ValueError):
            value = math.nan
        if not (math.isfinite(value) and value >= 0):
            raise click.BadParameter(
                f"{item.strip()!r} is not a weight; use one of {', '.join(WEIGHTS)}, such as hands=20",
                param_hint="--weigh",
            )
        values[field] = value
    return Weights(**values)
