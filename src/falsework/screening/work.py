"""What a worker does: one part with its processes in, figures by process and a small picture out.

Whatever the part does wrong becomes a row that says so; only what ends the process itself is left to whoever
sent the work. A part that takes longer than it may ends the process by the system's own alarm, which no
library's long call can hold up; the engine then starts another.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

from falsework.errors import Cancelled, FalseworkError, OutputError, PartError, ProcessError
from falsework.request.context import AUTO_DEVICE
from falsework.request.marks import Marks
from falsework.screening.row import FAILED, RowFigures, safe
from falsework.screening.terms import Depth, NamedProcess, Terms


@dataclass(frozen=True)
class Briefing:
    """What all jobs of a screening have in common; sent to each worker once."""

    terms: Terms
    processes: tuple[NamedProcess, ...]
    cores: int = 1
    device: str = AUTO_DEVICE


@dataclass(frozen=True)
class ScreenJob:
    """One content to be worked on.

    ``place`` is the file where workers see it, ``stamp`` its size and time of change when it was read;
    ``data`` the content itself where it travels instead, else None. ``called``: the file's name.
    ``processes`` are indices into the briefing's; ``plan_folder`` is where plans go, '' for nowhere.
    """

    place: bytes
    called: str
    digest: str
    stamp: tuple[int, int]
    unit: str | None
    marks: Marks
    processes: tuple[int, ...]
    data: bytes | None = None
    plan_folder: str = ""


@dataclass(frozen=True)
class Outcome:
    """What became of a job: figures by process in the order of its processes, and the picture as PNG.

    ``unseen``: the worker does not see the file, and the content must be sent along.
    """

    figures: tuple[RowFigures, ...] = ()
    picture: bytes = b""
    unseen: bool = False


def screened(job: ScreenJob, briefing: Briefing) -> Outcome:
    """Work on one part."""
    if job.data is None:
        try:
            told = os.stat(job.place)
        except OSError:
            return Outcome(unseen=True)
        if (told.st_size, told.st_mtime_ns) != job.stamp:
            changed = PartError(job.called, "the file changed while it was read", "Screen it again")
            return Outcome(tuple(_failed(changed) for _ in job.processes))
    with _limited(briefing.terms.limit_s * len(job.processes)), _on_disk(job) as path:
        return _worked(job, path, briefing)


def _worked(job: ScreenJob, path: str, briefing: Briefing) -> Outcome:
    from falsework.part import read_part
    from falsework.request.store import Store

    terms, store = briefing.terms, Store()
    placing = replace(terms.placing, unit=job.unit or terms.placing.unit)
    started = time.perf_counter()
    try:
        part = read_part(path, name=job.called, unit=placing.unit, scaled_later=placing.scale)
    except Exception as error:
        return Outcome(tuple(_failed(error) for _ in job.processes))
    found, picture = [], b""
    for index in job.processes:
        made = _Making(part, placing, briefing, briefing.processes[index], job)
        try:
            figures, drawn = made.figures(store)
            picture = picture or drawn
        except Exception as error:
            figures = _failed(error)
        now = time.perf_counter()
        found.append({**figures, "seconds": now - started})
        started = now
    return Outcome(tuple(found), picture)


@dataclass(frozen=True, eq=False)
class _Making:
    """One part with one process."""

    part: Any
    placing: Any
    briefing: Briefing
    named: NamedProcess
    job: ScreenJob

    def figures(self, store: Any) -> tuple[RowFigures, bytes]:
        from falsework.request import Context, Request

        terms = self.briefing.terms
        wish = terms.wish(self.named.process, self.job.marks)
        request = Request(self.part, self.placing, wish)
        briefing = self.briefing
        context = Context(self.named.belief, store, cores=briefing.cores, device=briefing.device)
        if terms.searches:
            device_warmed(briefing.device)
        if terms.depth is Depth.LOOK:
            looked, drawn = self._looked(request, context)
            return looked | self._expected(request, context), drawn
        return self._planned(request, context)

    def _looked(self, request: Any, context: Any) -> tuple[RowFigures, bytes]:
        from falsework.planning.pipeline import inspect_for, totals_for
        from falsework.screening.measuring import of_look

        found = inspect_for(request, context)
        figures = of_look(found, totals_for(request, context))
        return figures | self._redrawn(request, context), self._drawn(found.ground, found.undersides)

    def _expected(self, request: Any, context: Any) -> RowFigures:
        """The recommended position by columns, where it is asked for."""
        if not self.briefing.terms.searches:
            return {}
        from falsework.planning.orienting import expected_lie
        from falsework.screening.measuring import of_expected

        return of_expected(expected_lie(request, context))

    def _planned(self, request: Any, context: Any) -> tuple[RowFigures, bytes]:
        """A plan; of what does not fit the printer as it is asked for, only a look: nobody will print it."""
        from falsework.planning.pipeline import plan_for
        from falsework.request.value import BEST
        from falsework.screening.measuring import of_plan

        full = self.briefing.terms.depth is Depth.FULL
        room = self._room(request)
        if room is not None and (self.placing.lie != BEST or room.turn_deg is None):
            laid = replace(request, placing=self.placing.turned(self.placing.turn_deg))
            looked, drawn = self._looked(laid, context)
            position = self._expected if room.turn_deg is None else self._turned
            return looked | position(request, context), drawn
        plan = plan_for(request, context, release=full)
        figures = of_plan(plan) | self._turned(request, context, plan)
        if self.briefing.terms.plans:
            figures["plan"] = self._written(plan)
        return figures | self._redrawn(request, context), self._drawn(plan.geometry, plan.undersides)

    def _room(self, request: Any) -> Any:
        """How the part would fit; None where it does as it lies."""
        from falsework.orientation.room import room_for
        from falsework.part.placing import place

        bed_mm = request.wish.bed_mm
        placed = place(self.part, turn_deg=self.placing.turn_deg, scale=self.placing.scale, bed_mm=bed_mm)
        return room_for(placed, request.wish.process)

    def _turned(self, request: Any, context: Any, plan: Any = None) -> RowFigures:
        """The recommended position planned, where it is asked for; ``plan``: what was made of the request."""
        from falsework.planning.pipeline import plan_for
        from falsework.request.value import BEST, UNTURNED
        from falsework.screening.measuring import of_turned

        if not self.briefing.terms.searches:
            return {}
        full = self.briefing.terms.depth is Depth.FULL
        laid = replace(request, placing=replace(self.placing, turn_deg=UNTURNED, lie=BEST))
        known = plan is not None and self.placing.lie == BEST
        turned = plan if known else plan_for(laid, context, release=full)
        return of_turned(turned) | {"device": turned.lies.device if turned.lies else ""}

    def _drawn(self, ground: Any, undersides: Any) -> bytes:
        if not self.briefing.terms.pictures:
            return b""
        from falsework.screening.picture import small_picture

        return small_picture(ground, undersides)

    def _redrawn(self, request: Any, context: Any) -> RowFigures:
        if not self.briefing.terms.redraw:
            return {}
        from falsework.redrawing import redraw_for
        from falsework.wording.figures import plain

        try:
            found = redraw_for(request, context)
        except FalseworkError as error:
            return {"redraw_why": str(error)}
        ways = [found.combined.price] if found.combined else []
        ways += [split.price for split in found.splits.options if split.fits] if found.splits else []
        saving = max(0.0, found.before.price - min(ways)) if ways else 0.0
        return {"redraw": found.best, "redraw_saving": saving, "redraw_why": plain(found.why)}

    def _written(self, plan: Any) -> str:
        from falsework.files.folder import REPORT, write_plan
        from falsework.report import report_html

        folder = Path(self.briefing.terms.plans) / self.job.plan_folder / self.named.name
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            cure = "Use a folder that all machines see"
            raise OutputError(str(folder), f"cannot be made ({error.strerror})", cure) from None
        write_plan(plan, folder, extra={REPORT: report_html(plan)})
        return f"plans/{self.job.plan_folder}/{self.named.name}"


def _failed(error: BaseException) -> RowFigures:
    """The row of a part that was refused, or on which falsework failed."""
    if isinstance(error, Cancelled):  # nobody asks a worker's watch to stop
        raise error
    if isinstance(error, FalseworkError):
        kinds: tuple[tuple[type, str], ...]
        kinds = ((PartError, "part"), (ProcessError, "process"), (OutputError, "output"))
        fault = next((word for kind, word in kinds if isinstance(error, kind)), "part")
        return {"state": FAILED, "fault": fault, "why": safe(str(error))}
    if isinstance(error, MemoryError):
        why = "there is not enough memory for it. Use a coarser mesh, or give each worker more by --memory."
        return {"state": FAILED, "fault": "memory", "why": why}
    why = f"falsework failed on it by a fault of its own ({type(error).__name__}: {error})."
    return {"state": FAILED, "fault": "fault", "why": safe(why)}


@contextlib.contextmanager
def _limited(seconds: float) -> Iterator[None]:
    """The process ends when the block takes longer, whatever it is doing."""
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)


@contextlib.contextmanager
def _on_disk(job: ScreenJob) -> Iterator[str]:
    """The path of the content: where it lies, or of a file of our own."""
    if job.data is None:
        yield os.fsdecode(job.place)
        return
    with tempfile.TemporaryDirectory(prefix="falsework-screen-") as folder:
        path = os.path.join(folder, f"part{Path(job.called).suffix}")
        Path(path).write_bytes(job.data)
        yield path


@cache
def warmed(depth: Depth) -> None:
    """Compile the kernels once for a machine, while others that start beside wait for it; asked once in a
    process."""
    _once(depth, partial(loaded, depth))


@cache
def device_warmed(device: str) -> None:
    """The same for the kernels of a graphics processor, if that is to be used; never before a fork."""
    from falsework.orientation.device import wanted

    if wanted(device):
        _once(device, _looked_everywhere)


def _once(what: str, make: Callable[[], None]) -> None:
    import fcntl

    from falsework.kernels.compiled import cache_place

    stamp = cache_place() / f"screening-{what}-{_sources()}.warm"
    if stamp.exists():
        return
    with contextlib.suppress(OSError), open(cache_place() / "screening.lock", "ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not stamp.exists():
            make()
            stamp.touch()


def _looked_everywhere() -> None:
    from falsework.orientation.shortlist import shortlist
    from falsework.orientation.value import Search
    from falsework.planning.loading import tee
    from falsework.process import load_process
    from falsework.request import Context, Wish

    shortlist(tee(), Wish(load_process("pla-0.4")), Context(cores=1, device="gpu"), Search(50))


def loaded(depth: Depth) -> None:
    """Have the kernels in this process, by a small part."""
    from falsework.planning.loading import load_kernels
    from falsework.screening.picture import small_picture

    found = load_kernels(planned=depth is not Depth.LOOK, release=depth is Depth.FULL)
    assert found.ground is not None
    small_picture(found.ground, found.undersides)


def _sources() -> str:
    """Changes with any kernel's source."""
    import falsework.kernels

    root = Path(falsework.kernels.__file__).parent
    told = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        told.update(path.read_bytes())
    return told.hexdigest()[:16]
