"""``screen``: entries in, rows out as they come; what is there already is not done again."""

from __future__ import annotations

import datetime
import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypedDict, Unpack

from falsework.droop.belief import Belief
from falsework.errors import FalseworkError, ProcessError
from falsework.orientation.device import wanted
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.request.context import Context
from falsework.request.options import by_class
from falsework.request.value import Placing, Turn
from falsework.request.weights import Weights
from falsework.screening.dataset import PLANS, Dataset, copied
from falsework.screening.engine import Cluster, Engine, Finished
from falsework.screening.listing import ListedPart, listed
from falsework.screening.reading import ReadAhead, Ready, reading
from falsework.screening.row import FAILED, LOOKED_AT, READY, Row, safe
from falsework.screening.terms import Depth, NamedProcess, Terms
from falsework.screening.work import Briefing, ScreenJob
from falsework.version import __version__
from falsework.watch import QUIET, Watch

_GLANCE_S, _NAP_S = 0.2, 0.02
_APART_ROWS = 5_000  # from so many on, the page is written by a process of its own
_PAGE_S, _PAGE_SHARE = 30.0, 50.0  # seconds, and times what it took, between two writings of the page


class ScreenOptions(TypedDict, total=False):
    """Fields of ``Terms``, ``Placing``, ``Cluster``, and of a screening itself."""

    out: str | os.PathLike[str] | None
    depth: Depth | str
    weights: Weights
    redraw: bool
    lies: bool
    finish_mm: float | None
    pictures: bool
    plans: bool
    limit_s: float
    turn_deg: Turn
    lie: str
    scale: float
    unit: str | None
    scheduler: str
    workers: int | None
    memory_bytes: int
    device: str
    tls: tuple[str, str, str] | None
    watch: Watch
    belief: Belief


Processes = Process | str | Path | Sequence[Process | str | Path]


def screen(
    *paths: str | os.PathLike[str], process: Processes = "pla-0.4", **options: Unpack[ScreenOptions]
) -> Iterator[Row]:
    """Screen many parts; rows come as they are done.

    Parameters
    ----------
    paths : folders, patterns, part files, lists (CSV or Parquet with a column ``path``), or addresses that
        fsspec reads.
    process : one or several, as for a plan; each part is planned for each of them.
    out : folder that keeps rows and pictures; what it holds already is not done again, and its rows come
        too. None: nothing is kept.
    depth : 'look', 'plan' or 'full'. redraw : whether the best change is looked for, which takes long.
    lies : whether another position is looked for, as 'full' does in any case: at 'look' by columns alone.
    finish_mm : the most that an underside may sag for a process to be named best.
    pictures : whether a small picture of each is kept. plans : whether each plan's folder is.
    limit_s : seconds for a part with one process.
    weights, turn_deg, lie, scale, unit, belief, watch : as for a plan.
    scheduler, tls, workers, memory_bytes : where the work is done; workers of our own, one a core, if
        not given. device : what counts the columns of positions there, as for a plan.

    Raises
    ------
    PartError, ProcessError : what is asked cannot be meant. OutputError : the folder cannot be written.
    What is wrong with one part is said in its row.

    Examples
    --------
    >>> import falsework
    >>> falsework.screen("store/", out="screened", depth="guess")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    falsework.errors.ProcessError: ...
    >>> for row in falsework.screen("store/", out="screened", workers=2):  # doctest: +SKIP
    ...     print(row.file, row.state, row.price)
    """
    out, watch = options.pop("out", None), options.pop("watch", QUIET)
    belief = {"belief": options.pop("belief")} if "belief" in options else {}
    terms, placing, cluster = by_class(options, Terms, Placing, Cluster)
    if "plans" in options:
        terms["plans"] = PLANS if options["plans"] else ""
    many = [process] if isinstance(process, Process | str | Path) else list(process)
    named = tuple(NamedProcess(name, made, **belief) for name, made in named_processes(many))
    asked = Screening(
        tuple(os.fspath(path) for path in paths),
        named,
        Terms(placing=Placing(**placing), **terms),
        Cluster(**cluster),
    )
    return asked.rows(out, watch)


def named_processes(processes: Sequence[Process | str | Path]) -> list[tuple[str, Process]]:
    """Processes by the names their rows bear; ``ProcessError`` where two have one name, or none is given."""
    found: dict[str, Process] = {}
    for one in processes:
        made = one if isinstance(one, Process) else load_process(one)
        name = made.name if isinstance(one, Process | Path) or str(one).endswith(".toml") else str(one)
        if name in found:
            raise ProcessError(name, "two processes have this name", "Give each a name of its own")
        found[name] = made
    if not found:
        raise ProcessError("process", "none is given", "Give one or more")
    return list(found.items())


@dataclass(eq=False)
class Progress:
    """How far a screening is: ``listed`` entries so far (all of them, once ``whole``), of which ``done``;
    rows by state; ``kept`` rows were there before; ``seconds`` of work."""

    listed: int = 0
    whole: bool = False
    done: int = 0
    kept: int = 0
    seconds: float = 0.0
    states: dict[str, int] = field(default_factory=dict)
    dashboard: str = ""

    def count(self, row: Row, kept: bool) -> None:
        self.states[row.state] = self.states.get(row.state, 0) + 1
        self.kept += kept
        self.seconds += 0.0 if kept else row.seconds or 0.0


@dataclass(eq=False)
class Screening:
    """What is asked of a screening, and its progress while it runs.

    Examples
    --------
    >>> from falsework.screening import Screening, Terms
    >>> from falsework.screening.running import named_processes
    >>> Screening(("store",), (), Terms()).progress.done
    0
    """

    paths: tuple[str, ...]
    processes: tuple[NamedProcess, ...]
    terms: Terms
    cluster: Cluster = field(default_factory=Cluster)
    again: bool = False  # what failed before is tried anew
    progress: Progress = field(default_factory=Progress)

    def rows(self, out: str | os.PathLike[str] | None = None, watch: Watch = QUIET) -> Iterator[Row]:
        """The rows as they come, kept in ``out``; those that were there already among them."""
        with ExitStack() as closing:
            paged = out is not None
            self._check_device()
            if out is None:
                aside = tempfile.TemporaryDirectory(prefix="falsework-screen-")
                out = Path(closing.enter_context(aside)) / "out"
            kept = Path(os.path.abspath(out))
            terms = replace(self.terms, plans=str(kept / PLANS)) if self.terms.plans else self.terms
            entries = listed(self.paths)
            first = next(entries)  # what cannot be meant is said before anything is written
            data = closing.enter_context(Dataset(kept))
            data.describe(self._asked())
            work = _Running(self, terms, data, watch, paged)
            closing.callback(work.close)
            yield from work.rows(_chained(first, entries))

    def _check_device(self) -> None:
        """``ProcessError`` where there is no such device; on machines of others their rows will say so."""
        device = Context(device=self.cluster.device).device
        if device == "gpu" and self.cluster.embedded:
            wanted(device)

    def _asked(self) -> dict[str, Any]:
        return {
            "version": __version__,
            "paths": [os.fsencode(path).decode("utf-8", "backslashreplace") for path in self.paths],
            "processes": [named.name for named in self.processes],
            "depth": self.terms.depth.value,
            "finish_mm": self.terms.finish_mm,
        }


def _chained(first: ListedPart, rest: Iterator[ListedPart]) -> Iterator[ListedPart]:
    yield first
    yield from rest


@dataclass(eq=False)
class _Entered:
    """An entry whose content is known: what its rows bear, and the work that each of its processes asks."""

    entry: ListedPart
    digest: str
    processes: tuple[int, ...]
    keys: dict[int, str]


class _Running:
    """One run: what is read ahead goes to the engine, unless its figures are known."""

    def __init__(self, asked: Screening, terms: Terms, data: Dataset, watch: Watch, paged: bool) -> None:
        self._asked, self._terms, self._data, self._watch = asked, terms, data, watch
        self._paged = paged
        self._processes = list(asked.processes)
        self._of_lists: dict[str, int] = {}  # processes that lists name
        self._engine: Engine | None = None
        self._followers: dict[str, list[_Entered]] = {}  # by digest and keys: what waits for the same work
        self._shown, self._pause_s = time.monotonic(), 0.0

    def close(self) -> None:
        """Whatever was done is written, and the engine ended."""
        try:
            self._data.commit()
        finally:
            if self._engine is not None:
                self._engine.__exit__()

    def _show(self) -> None:
        """Write the page of what there is."""
        from falsework.screening.index import write_index, write_index_apart

        if not self._paged:
            return
        began = time.monotonic()
        write = write_index if len(self._data) < _APART_ROWS else write_index_apart
        write(self._data.folder)
        self._shown = time.monotonic()
        self._pause_s = max(_PAGE_S, _PAGE_SHARE * (self._shown - began))

    def rows(self, entries: Iterator[ListedPart]) -> Iterator[Row]:
        progress = self._asked.progress
        with reading(self._counted(entries)) as ready:
            while True:
                self._watch.at("screening", progress.done / max(progress.listed, 1))
                yield from self._fed(ready)
                if self._engine is not None and self._engine.busy:
                    if ready.exhausted:
                        self._engine.no_more()
                    hungry = self._engine.has_room and not ready.exhausted
                    for finished in self._engine.finished(_NAP_S if hungry else _GLANCE_S):
                        yield from self._done(finished)
                elif ready.exhausted:
                    break
                if self._data.commit_if_due() and time.monotonic() - self._shown > self._pause_s:
                    self._show()
        self._data.commit()
        self._show()
        self._watch.at("done", 1.0)

    def _counted(self, entries: Iterator[ListedPart]) -> Iterator[ListedPart]:
        for entry in entries:
            self._asked.progress.listed += 1
            yield entry
        self._asked.progress.whole = True

    def _fed(self, ready: ReadAhead) -> Iterator[Row]:
        """Take what was read, as long as the engine has room for more."""
        while self._engine is None or self._engine.has_room:
            one = ready.take(0.0 if self._engine is not None and self._engine.busy else _GLANCE_S)
            if one is None:
                return
            yield from self._entered(one)
            self._watch.at("screening", self._asked.progress.done / max(self._asked.progress.listed, 1))

    def _entered(self, one: Ready) -> Iterator[Row]:
        """The rows of an entry that are known; the rest is sent to the engine."""
        entry = one.entry
        try:
            processes = self._processes_of(entry)
        except FalseworkError as error:
            one, processes = replace(one, fault=str(error)), tuple(range(len(self._asked.processes)))
        if one.fault:
            yield from self._refused(one, processes)
            return
        keys = {
            k: self._terms.key(one.digest, entry.suffix, entry.unit, self._processes[k], one.marks)
            for k in processes
        }
        entered = _Entered(entry, one.digest, processes, keys)
        missing = [k for k in processes if not self._holds(entered, k)]
        for k in list(missing):
            like = self._data.like(keys[k], self._terms)
            if like is not None:
                self._data.add(self._rebased(copied(like, copy_of=like.copy_of or like.file), entered, k))
                missing.remove(k)
        if not missing:
            yield from self._completed(entered, set())
            return
        group = "".join(keys[k] for k in missing)
        if group in self._followers:
            self._followers[group].append(entered)
            return
        self._followers[group] = []
        job = ScreenJob(
            os.fsencode(os.path.abspath(entry.place)) if one.data is None else b"",
            entry.called,
            one.digest,
            one.stamp,
            entry.unit,
            one.marks,
            tuple(missing),
            one.data,
            f"{Path(entry.called).stem[:60]}-{entry.id[:8]}" if self._terms.plans else "",
        )
        self._started().send((group, entered), job)

    def _holds(self, entered: _Entered, k: int) -> bool:
        """Whether a row is there and holds still; one whose line of the list changed is brought up to it."""
        entry, name = entered.entry, self._processes[k].name
        kept = self._data.kept(entry.id, name)
        if kept is None or kept.key != entered.keys[k] or not kept.covers(self._terms):
            return False
        if kept.failed and self._asked.again:
            return False
        if (kept.wanted, kept.own) != (entry.wanted, entry.own_json):
            row = self._data.row(entry.id, name)
            if row is None:
                return False
            self._data.add(replace(row, wanted=entry.wanted, own=entry.own_json))
        return True

    def _started(self) -> Engine:
        if self._engine is None:
            self._engine = Engine(self._asked.cluster, self._briefing()).__enter__()
            self._asked.progress.dashboard = self._engine.dashboard
        return self._engine

    def _briefing(self) -> Briefing:
        device = self._asked.cluster.device
        return Briefing(self._terms, tuple(self._processes), device=device)

    def _processes_of(self, entry: ListedPart) -> tuple[int, ...]:
        """Indices of an entry's processes: its own, or all that were asked for."""
        if not entry.process:
            return tuple(range(len(self._asked.processes)))
        if entry.process in self._of_lists:
            return (self._of_lists[entry.process],)
        ((name, made),) = named_processes([entry.process])
        for k, named in enumerate(self._processes):
            if named.name == name and (named.process == made or name == entry.process):
                self._of_lists[entry.process] = k
                return (k,)
            if named.name == name:
                raise ProcessError(entry.process, f"another process is called {name!r}", "Rename one of them")
        self._of_lists[entry.process] = len(self._processes)
        self._processes.append(NamedProcess(name, made))
        if self._engine is not None:
            self._engine.rebrief(self._briefing())
        return (len(self._processes) - 1,)

    def _refused(self, one: Ready, processes: tuple[int, ...]) -> Iterator[Row]:
        """The rows of an entry that cannot be tried."""
        key = f"refused {one.fault}"[:200]
        entered = _Entered(one.entry, one.digest, processes, dict.fromkeys(processes, key))
        fresh = {k for k in processes if not self._holds(entered, k)}
        for k in sorted(fresh):
            failed = Row(state=FAILED, fault="part", why=one.fault, seconds=0.0, tries=0)
            self._data.add(self._rebased(failed, entered, k))
        yield from self._completed(entered, fresh)

    def _done(self, finished: Finished) -> Iterator[Row]:
        (group, entered), outcome = finished.token, finished.outcome
        if outcome.unseen:
            self._resend(finished, group, entered)
            return
        picture = self._data.picture(entered.digest, outcome.picture) if outcome.picture else ""
        made = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        done = set()
        for k, figures in zip(finished.job.processes, outcome.figures, strict=True):
            row = Row(**figures, picture=picture, tries=finished.tries, made=made)
            self._data.add(self._rebased(row, entered, k))
            done.add(k)
        yield from self._completed(entered, done)
        for other in self._followers.pop(group):
            for k in finished.job.processes:
                known = self._data.row(entered.entry.id, self._processes[k].name)
                assert known is not None
                again = copied(known, copy_of=entered.entry.file)
                self._data.add(self._rebased(again, other, k))
            yield from self._completed(other, set())

    def _resend(self, finished: Finished, group: str, entered: _Entered) -> None:
        """The worker does not see the file: send its content along."""
        from falsework.screening.places import read

        try:
            data = read(entered.entry.place)
        except OSError:
            data = b""
        self._started().send((group, entered), replace(finished.job, data=data))

    def _rebased(self, row: Row, entered: _Entered, k: int) -> Row:
        """A row's figures as those of an entry."""
        entry = entered.entry
        return replace(
            row,
            file=entry.file,
            name=safe(Path(entry.called).stem),
            process=self._processes[k].name,
            wanted=entry.wanted,
            own=entry.own_json,
            depth=row.depth or self._terms.depth.value,
            version=__version__,
            digest=entered.digest,
            entry=entry.id,
            key=entered.keys[k],
        )

    def _completed(self, entered: _Entered, fresh: set[int]) -> Iterator[Row]:
        """All rows of an entry, the best process named in each."""
        names = [self._processes[k].name for k in entered.processes]
        rows = [row for row in (self._data.row(entered.entry.id, name) for name in names) if row is not None]
        best = best_process(rows, self._terms.finish_mm)
        self._asked.progress.done += 1
        for k, row in zip(entered.processes, rows, strict=True):
            named = row
            if row.best_process != best:
                named = replace(row, best_process=best)
                self._data.add(named)
            self._asked.progress.count(named, kept=k not in fresh)
            yield named


def best_process(rows: Sequence[Row], finish_mm: float | None) -> str:
    """The cheapest process that is ready and holds the finish; '' where none does."""
    fit = [
        row
        for row in rows
        if row.state in (READY, LOOKED_AT) and (finish_mm is None or (row.sag_mm or 0.0) <= finish_mm)
    ]
    return min(fit, key=lambda row: (row.total or 0.0, row.process)).process if fit else ""
