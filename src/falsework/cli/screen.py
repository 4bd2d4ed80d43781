"""``falsework screen``: many parts in, one table out; and questions to such a table."""

from __future__ import annotations

import json
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from falsework.cli.asked import collected
from falsework.cli.belief import chosen_belief, ledger_option
from falsework.cli.options import (
    KeyValue,
    added,
    chosen_process,
    chosen_weights,
    device_option,
    json_option,
    turn_option,
    weigh_option,
)
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.screening import Cluster, Screening, Terms
    from falsework.screening.asking import TableAnswer
    from falsework.screening.terms import NamedProcess
    from falsework.watch import Watch

_TOLD_S = 30.0  # between two lines of progress where there is no terminal
_DEPTHS = ("look", "plan", "full")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")


class Memory(click.ParamType):
    """An amount of memory."""

    name = "SIZE"

    def convert(self, value: Any, param: Any, ctx: Any) -> int:
        if isinstance(value, int):
            return value
        told = re.fullmatch(r"([\d.]+)\s*(MB|GB|MiB|GiB|M|G)", str(value).strip(), re.IGNORECASE)
        try:
            size = float(told[1]) if told else 0.0
        except ValueError:
            size = 0.0
        if told is None or size <= 0:
            self.fail(f"{value!r} is no amount of memory such as 800MB or 2GB", param, ctx)
        return int(size * (1 << (30 if told[2][0] in "gG" else 20)))


@dataclass(frozen=True)
class TermsOptions:
    """What is asked of every part, as given."""

    process_names: tuple[str, ...]
    settings: tuple[tuple[str, str], ...]
    ledger_name: str | None
    unit: str | None
    scale: float
    turn_deg: tuple[float, float, float]
    depth: str
    redraw: bool | None
    lies: bool
    finish_mm: float | None
    limit_s: float
    weigh: str | None
    plans: bool
    no_pictures: bool

    def terms(self) -> Terms:
        """Checked, as one value."""
        from falsework.request import Placing
        from falsework.screening import Terms
        from falsework.screening.dataset import PLANS

        return Terms(
            depth=self.depth,  # type: ignore[arg-type]
            placing=Placing(self.unit, self.scale, self.turn_deg),
            weights=chosen_weights(self.weigh),
            redraw=self.depth == "full" if self.redraw is None else self.redraw,
            lies=self.lies,
            finish_mm=self.finish_mm,
            pictures=not self.no_pictures,
            plans=PLANS if self.plans else "",
            limit_s=self.limit_s,
        )

    def processes(self) -> tuple[NamedProcess, ...]:
        """The processes, changed by ``--set``, with what the ledger has taught of each."""
        from falsework.screening.running import named_processes
        from falsework.screening.terms import NamedProcess

        found = []
        for name, plain in named_processes(self.process_names):
            process = plain
            if self.settings:
                given = next(one for one in self.process_names if one == name or one.endswith(".toml"))
                process = chosen_process(name if name in self.process_names else given, self.settings)
            found.append(NamedProcess(name, process, chosen_belief(process, self.ledger_name)))
        return tuple(found)


@dataclass(frozen=True)
class ClusterOptions:
    """Where the work is done, as given."""

    scheduler: str
    tls_ca: str | None
    tls_cert: str | None
    tls_key: str | None
    workers: int | None
    memory_bytes: int
    device: str

    def cluster(self) -> Cluster:
        from falsework.screening import Cluster

        files = (self.tls_ca, self.tls_cert, self.tls_key)
        if any(files) and not all(files):
            raise click.UsageError("--tls-ca, --tls-cert and --tls-key belong together.")
        if any(files) and not self.scheduler:
            raise click.UsageError("The --tls files are for a scheduler: add --scheduler tls://HOST:PORT.")
        if self.scheduler and (self.workers or self.memory_bytes):
            raise click.UsageError("--workers and --memory are for this machine; a scheduler has its own.")
        tls = (self.tls_ca, self.tls_cert, self.tls_key) if all(files) else None
        return Cluster(self.scheduler, self.workers, self.memory_bytes, self.device, tls)  # type: ignore[arg-type]


@dataclass(frozen=True)
class QuestionOptions:
    """What is asked of a table, as given."""

    where: str
    sort: tuple[str, ...]
    shown: tuple[str, ...]
    most: int

    @property
    def given(self) -> bool:
        return bool(self.where or self.sort or self.shown)


def _options(*options: Any) -> Any:
    return partial(added, options=options)


_terms_options = _options(
    click.option(
        "--process",
        "process_names",
        multiple=True,
        default=("pla-0.4",),
        show_default=True,
        metavar="NAME|FILE.toml",
        help="A built-in process or a process file. Repeatable: each part is planned for each, and the "
        "cheapest that is ready and holds the finish is named.",
    ),
    click.option(
        "--set",
        "settings",
        multiple=True,
        type=KeyValue("FIELD=VALUE"),
        help="Change one setting of every process. Repeatable.",
    ),
    ledger_option,
    click.option(
        "--unit", metavar="UNIT", help="Unit of files that carry none: um, mm, cm, inch, foot or m."
    ),
    click.option(
        "--scale", type=click.FloatRange(min=0, min_open=True), default=1.0, help="Factor on the size."
    ),
    turn_option,
    click.option(
        "--depth",
        type=click.Choice(_DEPTHS),
        default="plan",
        show_default=True,
        help="look: by columns, a moment a part; plan: supports built; full: how they come off, the "
        "recommended position, the best redraw.",
    ),
    click.option(
        "--redraw/--no-redraw", default=None, help="Look for the best change; at depth full if not said."
    ),
    click.option(
        "--lies",
        is_flag=True,
        help="Look for a better position of each part: at depth look by columns alone; full always does.",
    ),
    click.option(
        "--finish",
        "finish_mm",
        type=click.FloatRange(min=0),
        metavar="MM",
        help="The most that an underside may sag for a process to be named best.",
    ),
    click.option(
        "--limit-s",
        type=click.FloatRange(min=0, min_open=True),
        default=600.0,
        show_default=True,
        help="Seconds that a part may take with one process.",
    ),
    weigh_option,
    click.option("--plans", is_flag=True, help="Keep the folder of each plan, report included."),
    click.option("--no-pictures", is_flag=True, help="Draw no small pictures."),
)
_cluster_options = _options(
    click.option(
        "--scheduler",
        default="",
        metavar="ADDRESS",
        help="A Dask scheduler that exists, such as tcp://host:8786.",
    ),
    click.option("--tls-ca", type=click.Path(), help="Its certificate authority, for tls:// addresses."),
    click.option("--tls-cert", type=click.Path(), help="Our certificate for it."),
    click.option("--tls-key", type=click.Path(), help="Our key for it."),
    click.option(
        "--workers", type=click.IntRange(1), help="Processes on this machine; one a core if not given."
    ),
    click.option(
        "--memory",
        "memory_bytes",
        type=Memory(),
        default=0,
        help="What each of them may hold, such as 2GB; its share of the machine if not given.",
    ),
    device_option,
)
_question_options = _options(
    click.option("--where", default="", metavar="CONDITION", help='Rows to show: "support_g > part_g".'),
    click.option(
        "--sort",
        multiple=True,
        metavar="COLUMN",
        help="Their order; -COLUMN for the largest first. Repeatable.",
    ),
    click.option(
        "--show-column", "shown", multiple=True, metavar="COLUMN", help="Columns to show. Repeatable."
    ),
    click.option("--most", type=click.IntRange(1), default=20, show_default=True, help="Rows shown at most."),
)


@click.command("screen", short_help="Screen a whole catalogue of parts, or ask what was found.")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=str))
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder that keeps the table; go on in it any time."
)
@_terms_options
@_cluster_options
@click.option("--again", is_flag=True, help="Try once more what failed before.")
@_question_options
@json_option
@click.pass_obj
@collected(QuestionOptions, "question")
@collected(ClusterOptions, "where_done")
@collected(TermsOptions, "asked")
def screen_command(
    session: Session,
    paths: tuple[str, ...],
    out: Path | None,
    again: bool,
    as_json: bool,
    asked: TermsOptions,
    **options: Any,
) -> int | None:
    """Screen all parts at PATHS: folders, patterns in quotes, files, lists (CSV or Parquet with a column
    'path'), or addresses of stores. The table, small pictures and index.html are kept in --out.

    Run again, it goes on where it was: only what is new or changed is done.

    With the folder of a screening as the only PATH and no --out, its rows are shown: those for which --where
    holds, in the order of --sort.
    """
    from falsework.screening.dataset import is_screening

    session.as_json = as_json
    question: QuestionOptions = options["question"]
    if out is None:
        if len(paths) == 1 and is_screening(paths[0]):
            from falsework.screening.index import refresh_index

            refresh_index(paths[0])
            _show(paths[0], question, as_json)
            return None
        if question.given:
            raise click.UsageError(
                "--where, --sort and --show-column ask the folder of a screening: give that."
            )
        raise click.UsageError("Say with --out which folder keeps the table.")
    from falsework.screening import Screening

    cluster: Cluster = options["where_done"].cluster()
    screening = Screening(paths, asked.processes(), asked.terms(), cluster, again)
    return _screen(session, screening, out, question)


def _screen(session: Session, screening: Screening, out: Path, question: QuestionOptions) -> int | None:
    started = time.monotonic()
    try:
        with _progress(session, screening) as watch:
            for _ in screening.rows(out, watch):
                pass
    except KeyboardInterrupt:
        if session.as_json:
            raise
        kept = screening.progress.done
        click.echo(f"stopped; {kept} parts are in {out}. The same command goes on from there.", err=True)
        return 1
    session.written = out
    if session.as_json:
        click.echo(json.dumps({"folder": str(out), **_told(screening)}, indent=1))
        return None
    from falsework.cli import say
    from falsework.wording import figures

    progress = screening.progress
    _show(out, question, False)
    took = figures.duration(time.monotonic() - started)
    states = ", ".join(f"{count} {state}" for state, count in sorted(progress.states.items()))
    say.say()
    say.say(
        f"{figures.counted(progress.done, 'part')} in {took}: {states};"
        f" {figures.counted(progress.kept, 'row')} known before or by an equal file"
    )
    say.say(f"Written to {out}; open {out / 'index.html'}")
    return None


def _told(screening: Screening) -> dict[str, Any]:
    progress = screening.progress
    return {
        "parts": progress.done,
        "states": progress.states,
        "kept": progress.kept,
        "seconds": progress.seconds,
    }


def _show(folder: str | Path, question: QuestionOptions, as_json: bool) -> None:
    from falsework.screening.asking import Question, answered

    found = answered(folder, Question(question.where, question.sort, question.shown, question.most))
    if as_json:
        rows = [dict(zip(found.names, values, strict=True)) for values in found.values]
        sums = {name: getattr(found, name) for name in _SUMS}
        click.echo(json.dumps({"rows": rows, **sums}, indent=1, ensure_ascii=True, default=str))
        return
    _say(found)


_SUMS = ("count", "wanted", "filament_g", "support_g", "time_s", "price")


def _say(found: TableAnswer) -> None:
    from falsework.cli import say
    from falsework.wording import figures

    head = [name.replace("_", " ") for name in found.names]
    title = (
        "Rows"
        if len(found.values) == found.count
        else f"Rows, the first {len(found.values)} of {found.count}"
    )
    if found.values:
        say.table(
            title,
            head,
            [[_cell(name, v) for name, v in zip(found.names, row, strict=True)] for row in found.values],
        )
    else:
        say.say("No row is so.")
    say.say()
    say.say(
        f"{figures.counted(found.count, 'row')}, {figures.counted(found.wanted, 'part')} wanted: "
        f"{figures.mass(found.filament_g)} of filament ({figures.mass(found.support_g)} for supports), "
        f"{figures.duration(found.time_s)} of machine time, {figures.price(found.price)}"
    )


def _cell(name: str, value: Any) -> str:
    from falsework.wording import figures

    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return figures.number(value, 2 if name.startswith(("price", "total", "loss")) else 1)
    if isinstance(value, list):
        return "; ".join(map(str, value))
    text = _CONTROL.sub("�", str(value))  # of names: what would break the table, or steer the terminal
    return text if len(text) <= 60 else f"{text[:57]}…"


@contextmanager
def _progress(session: Session, screening: Screening) -> Iterator[Watch]:
    """A watch that shows how far it is: a bar on a terminal, a line now and then elsewhere."""
    from falsework.watch import Watch

    told = _Told(screening)
    if not sys.stderr.isatty():
        yield Watch(tell=lambda step, share: told.line(), stop=lambda: session.stopping)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("listing", total=None)

        def tell(step: str, share: float) -> None:
            progress = screening.progress
            told.dashboard(lambda text: bar.console.print(text, highlight=False))
            total = progress.listed if progress.whole else None
            bar.update(task, description=told.words(), completed=progress.done, total=total)

        yield Watch(tell=tell, stop=lambda: session.stopping)


class _Told:
    """What was said of a screening's progress."""

    def __init__(self, screening: Screening) -> None:
        self._screening, self._last, self._linked = screening, time.monotonic(), False

    def words(self) -> str:
        progress = self._screening.progress
        of = f" of {progress.listed}" if progress.whole else ""
        failed = progress.states.get("failed", 0)
        return f"{progress.done}{of} parts" + (f", {failed} failed" if failed else "")

    def dashboard(self, say: Any) -> None:
        """The link to the engine's own page, once."""
        link = self._screening.progress.dashboard
        if link and not self._linked:
            self._linked = True
            say(f"the engine shows itself at {link}")

    def line(self) -> None:
        self.dashboard(lambda text: click.echo(text, err=True))
        if time.monotonic() - self._last >= _TOLD_S:
            self._last = time.monotonic()
            click.echo(self.words(), err=True)
