"""The engine: Dask distributed, embedded or one that exists, fed with a few jobs more than it has workers.

Dask starts and watches the workers, hands out the work, tells who died, and measures their memory. What it
cannot know is decided here: which part is tried once more alone, and what its row says when that fails too.
"""

from __future__ import annotations

import base64
import contextlib
import json
import logging
import math
import os
import pickle
import signal
import subprocess
import sys
import time
import uuid
from collections import deque
from dataclasses import dataclass, field
from importlib.util import find_spec
from queue import Empty, SimpleQueue
from typing import Any

from falsework.cores import own_cores
from falsework.errors import FalseworkError
from falsework.request.context import AUTO_DEVICE
from falsework.screening.host import ONE_THREAD
from falsework.screening.row import FAILED
from falsework.screening.work import Briefing, Outcome, ScreenJob, screened, warmed
from falsework.version import __version__
from falsework.wording import figures

SCHEMES = ("tcp://", "tls://")
AHEAD = 2  # tasks in hand for each worker, so that none waits for the client
TOGETHER_S, MOST_TOGETHER = 0.25, 16  # of work in a task, and jobs at most: Dask takes some 10 ms for each
PACE_SHARE = 0.1  # of what is known of the seconds of a job, what the last one says
_START_S, _RETURN_S = 120.0, 300.0  # for the first worker; for a scheduler that went away
_ANSWER_S = 20.0  # for a scheduler that should be there
_STARTS = 5
_GONE_S = 20.0  # without a worker of our own: what starts them has died
_GLANCE_S = 1.0  # between two looks at how many workers there are
_MEMORY_EVENTS = "worker-restart-memory"  # Dask's name
INSTALL = "Install the extra: pip install 'falsework[screen]'"


class EngineError(FalseworkError):
    """The engine cannot be reached, started, or used."""


@dataclass(frozen=True)
class Cluster:
    """Where the work is done.

    ``scheduler``: address of one that exists, such as 'tcp://host:8786' or 'tls://host:8786'; '' for workers
    of our own on this machine: ``workers`` of them, None for one a core, each with ``memory_bytes`` at most,
    0 for its share of three quarters of the machine. ``device``: what counts the columns of positions there,
    as in ``Context``. ``tls``: files of authority, certificate and key for a
    scheduler that asks for them; where Dask's own settings name them, they may be left out.

    Examples
    --------
    >>> from falsework.screening import Cluster
    >>> Cluster(workers=2).scheduler
    ''
    """

    scheduler: str = ""
    workers: int | None = None
    memory_bytes: int = 0
    device: str = AUTO_DEVICE
    tls: tuple[str, str, str] | None = None

    @property
    def embedded(self) -> bool:
        return not self.scheduler

    @property
    def count(self) -> int:
        """Workers of an embedded cluster."""
        return self.workers or own_cores()

    @property
    def budget_bytes(self) -> int:
        """What each of them may hold."""
        return self.memory_bytes or int(0.75 * machine_bytes() / self.count)


def machine_bytes() -> int:
    """Memory of this machine, or of the group of processes it may use; 0 where it is not told."""
    try:
        machine = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (ValueError, OSError):
        return 0
    for path in ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes"):
        with contextlib.suppress(OSError, ValueError), open(path, encoding="ascii") as limit:
            machine = min(machine, int(limit.read()))
    return machine


@dataclass(frozen=True)
class _Asked:
    """A job, and what comes back with it."""

    token: Any
    job: ScreenJob


@dataclass(eq=False)
class _Sent:
    """Jobs with the engine as one task. ``alone``: the one worker that a job was sent to for its second
    try."""

    jobs: tuple[_Asked, ...]
    tries: int = 1
    alone: str = ""
    since: float = field(default_factory=time.monotonic)


@dataclass(frozen=True)
class Finished:
    """A job that is done, and how often it was begun."""

    token: Any
    job: ScreenJob
    outcome: Outcome
    tries: int


class Engine:
    """Jobs in, outcomes out, in the order in which they are done; a context. Not to be shared by threads."""

    def __init__(self, cluster: Cluster, briefing: Briefing) -> None:
        self._cluster, self._briefing = cluster, briefing
        self._name = f"falsework-{uuid.uuid4().hex[:12]}"
        self._gathered: list[_Asked] = []  # not yet sent
        self._pace_s = math.inf  # of a job, lately
        self._sent: dict[Any, _Sent] = {}  # by future
        self._waiting: deque[_Sent] = deque()  # to be sent again: the engine went away beneath them
        self._suspects: deque[_Sent] = deque()
        self._told: SimpleQueue[Any] = SimpleQueue()
        self._client: Any = None
        self._host: _Host | None = None
        self._count, self._counted, self._seen = 0, 0.0, 0.0
        self._exhausted = False
        self.dashboard = ""
        self.lost = 0  # how often the engine went away

    def __enter__(self) -> Engine:
        try:
            self._open(_START_S)
        except BaseException:  # stopped while it starts
            self._shut()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._shut()

    @property
    def has_room(self) -> bool:
        """Whether another job would not merely lie there."""
        held = len(self._sent) + len(self._waiting) + len(self._gathered) / self._together
        return held < AHEAD * max(1, self._count) + 2

    @property
    def busy(self) -> bool:
        return bool(self._gathered or self._sent or self._waiting or self._suspects)

    @property
    def _together(self) -> int:
        """How many jobs make a task: short ones go together, for each task has a price of its own."""
        return int(max(1.0, min(MOST_TOGETHER, TOGETHER_S / self._pace_s)))

    def no_more(self) -> None:
        """All jobs were sent; those that lost their worker are tried again now, each alone."""
        self._exhausted = True

    def send(self, token: Any, job: ScreenJob) -> None:
        """Have a job done; ``token`` comes back with it."""
        self._gathered.append(_Asked(token, job))
        if len(self._gathered) >= self._together:
            self._send_gathered()

    def _send_gathered(self) -> None:
        if self._gathered:
            self._submit(_Sent(tuple(self._gathered)))
            self._gathered.clear()

    def rebrief(self, briefing: Briefing) -> None:
        """From now on, jobs are done by this briefing."""
        self._briefing = briefing
        self._client.register_plugin(_plugin(self._name, briefing))

    def finished(self, timeout_s: float) -> list[Finished]:
        """What was done since; waits so long for the first."""
        self._keep_up()
        done = []
        with contextlib.suppress(Empty):
            done.append(self._told.get(timeout=timeout_s))
            while True:
                done.append(self._told.get_nowait())
        return self._answers([future for future in done if future in self._sent])

    def _submit(self, sent: _Sent) -> None:
        sent.since = time.monotonic()
        place = {"workers": [sent.alone], "allow_other_workers": False} if sent.alone else {}
        key = (self._name, uuid.uuid4().hex)
        jobs = tuple(asked.job for asked in sent.jobs)
        future = self._client.submit(_done, jobs, self._name, key=key, pure=False, retries=0, **place)
        self._sent[future] = sent
        future.add_done_callback(self._told.put)

    def _answers(self, futures: list[Any]) -> list[Finished]:
        good = [future for future in futures if future.status == "finished"]
        try:
            outcomes = dict(zip(good, self._client.gather(good), strict=True)) if good else {}
        except Exception:  # one of them went with its worker: one by one, to see which
            outcomes = {}
        found = []
        for future in futures:
            sent = self._sent.pop(future)
            told = outcomes.get(future) or self._outcomes(future, sent)
            found += [
                Finished(asked.token, asked.job, outcome, sent.tries)
                for asked, outcome in zip(sent.jobs, told, strict=False)  # none, where it is tried again
            ]
        for done in found:
            self._keep_pace(done.outcome)
        return found

    def _keep_pace(self, outcome: Outcome) -> None:
        took_s = sum(told.get("seconds", 0.0) for told in outcome.figures)
        if took_s > 0.0:
            known_s = self._pace_s if math.isfinite(self._pace_s) else took_s
            self._pace_s = (1.0 - PACE_SHARE) * known_s + PACE_SHARE * took_s

    def _outcomes(self, future: Any, sent: _Sent) -> tuple[Outcome, ...]:
        """What became of jobs that did not simply come back; none where they are tried again."""
        from distributed import KilledWorker

        try:
            result: tuple[Outcome, ...] = future.result()
            return result
        except KilledWorker as error:
            return self._killed(sent, str(getattr(error.last_worker, "address", "")))
        except Exception as error:
            if future.status == "error" and not isinstance(error, OSError):
                why = f"the engine failed on it ({type(error).__name__}: {error})."
                return tuple(_failure(asked.job, "fault", why) for asked in sent.jobs)
            self._waiting.append(sent)  # cancelled or lost: no fault of its own
            return ()

    def _killed(self, sent: _Sent, worker: str) -> tuple[Outcome, ...]:
        if sent.tries == 1:
            self._suspects.extend(_Sent((asked,), tries=2) for asked in sent.jobs)
            return ()
        cause = self._cause(sent, worker)
        return tuple(_failure(asked.job, *cause) for asked in sent.jobs)

    def _cause(self, sent: _Sent, worker: str) -> tuple[str, str]:
        """Why the process of a part died twice, as a word and as a sentence."""
        with contextlib.suppress(Exception):
            if any(event.get("worker") == worker for _, event in self._client.get_events(_MEMORY_EVENTS)):
                held = (
                    f"{self._cluster.budget_bytes >> 20} MB" if self._cluster.embedded else "its worker has"
                )
                cure = "Use a coarser mesh, or give each worker more by --memory, with --again."
                return "memory", f"it needs more memory than {held}, tried twice. {cure}"
        limit_s = self._briefing.terms.limit_s * sum(len(asked.job.processes) for asked in sent.jobs)
        if time.monotonic() - sent.since >= 0.98 * limit_s:
            took = figures.duration(self._briefing.terms.limit_s)
            return (
                "time",
                f"it took longer than {took}, twice. Allow more by --limit-s, with --again.",
            )
        return (
            "crash",
            "the process that worked on it ended by itself, twice. Check the file, or leave it out.",
        )

    def _keep_up(self) -> None:
        """See that there is an engine, send again what was lost with one, and try suspects."""
        gone = self._cluster.embedded and time.monotonic() - self._seen > _GONE_S
        if gone or self._client.status in ("closed", "closing") or (self._host and not self._host.alive):
            self._reopen()
        for future in [f for f in self._sent if f.status in ("cancelled", "lost")]:
            self._waiting.append(self._sent.pop(future))
        if time.monotonic() - self._counted > _GLANCE_S:
            self._counted = time.monotonic()
            alive = len(self._addresses())
            self._count = alive or self._count
            self._seen = self._counted if alive else self._seen
        while self._waiting and self._client.status == "running":
            self._submit(self._waiting.popleft())
        if self._exhausted or len(self._sent) < self._count:  # else it pays to wait for more
            self._send_gathered()
        if not (self._suspects and self._exhausted and self._client.status == "running"):
            return
        if any(not sent.alone for sent in self._sent.values()):
            return
        free = self._addresses() - {sent.alone for sent in self._sent.values()}
        while self._suspects and free:
            sent = self._suspects.popleft()
            sent.alone = free.pop()
            self._submit(sent)

    def _addresses(self) -> set[str]:
        """Of the workers there are."""
        with contextlib.suppress(Exception):
            return set(self._client.scheduler_info(n_workers=-1)["workers"])
        return set()

    def _open(self, patience_s: float) -> None:
        """Begin; a cluster of our own that a worker's death spoils while it starts is started again."""
        for left in reversed(range(_STARTS if self._cluster.embedded else 1)):
            try:
                self._begin(patience_s)
                return
            except EngineError:
                if not left:
                    raise

    def _begin(self, patience_s: float) -> None:
        if find_spec("distributed") is None:
            raise EngineError("screening", "Dask distributed is not installed", INSTALL)
        cluster, answer_s = self._cluster, min(patience_s, _ANSWER_S)
        if cluster.embedded:
            self._host = _Host(cluster.count, cluster.budget_bytes, self._briefing.terms.depth)
        from distributed import Client  # while the host starts

        for name in list(logging.root.manager.loggerDict):
            if name.startswith("distributed"):  # what it says of its own is said here in sentences
                logging.getLogger(name).setLevel(logging.CRITICAL)
        address, self.dashboard = cluster.scheduler, ""
        if self._host is not None:
            address, self.dashboard, security = self._host.answer()
        else:
            security = _security(cluster)
        try:
            self._client = Client(
                address, security=security, timeout=answer_s, set_as_default=False, name="falsework"
            )
            self._client.wait_for_workers(1, timeout=patience_s)
            told = self._client.scheduler_info(n_workers=-1)["workers"]
        except Exception as error:
            self._shut()
            raise _unreachable(address, error) from None
        self._brief(told)

    def _brief(self, told: dict[str, Any]) -> None:
        """Tell every worker what is asked, once it is known that it can be."""
        self._count, self._seen = len(told), time.monotonic()
        self.dashboard = self.dashboard or str(self._client.dashboard_link or "")
        if any(worker["nthreads"] != 1 for worker in told.values()):
            self._shut()
            wrong = "its workers have several threads, and a part that hangs would take others with it"
            raise EngineError(
                self._cluster.scheduler,
                wrong,
                "Start them with: dask worker ADDRESS --nworkers auto --nthreads 1",
            )
        try:
            self._client.register_plugin(_plugin(self._name, self._briefing))
        except OSError as error:  # they went away meanwhile
            self._shut()
            raise _unreachable(self._cluster.scheduler or "workers", error) from None
        except Exception as error:
            self._shut()
            raise EngineError(
                self._cluster.scheduler or "workers",
                f"its workers cannot run falsework {__version__} ({type(error).__name__}: {error})",
                "Install the same version of falsework[screen] on all of its machines",
            ) from None

    def _reopen(self) -> None:
        """The engine went away with all it held: another one, or the same at its address once more."""
        self.lost += 1
        self._shut()
        self._waiting.extend(self._sent.values())
        self._sent.clear()
        for sent in self._waiting:
            sent.alone = ""
        until = time.monotonic() + _RETURN_S
        while True:
            try:
                return self._open(10.0 if not self._cluster.embedded else _START_S)
            except EngineError:
                if self._cluster.embedded or time.monotonic() > until:
                    raise
                time.sleep(1.0)

    def _shut(self) -> None:
        if self._client is not None and not self._cluster.embedded:
            with contextlib.suppress(Exception):
                self._client.cancel(list(self._sent))
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close(timeout=0.5)
        if self._host is not None:
            self._host.end()
            self._host = None


class _Host:
    """The process of an embedded cluster."""

    def __init__(self, workers: int, memory_bytes: int, depth: str) -> None:
        environment = {**os.environ, **dict.fromkeys(ONE_THREAD, "1")}
        command = [sys.executable, "-m", "falsework.screening.host"]
        command += [str(workers), str(memory_bytes), str(depth)]
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=None if os.environ.get("FALSEWORK_TRACEBACK") else subprocess.DEVNULL,
            env=environment,
            start_new_session=True,
        )

    def answer(self) -> tuple[str, str, Any]:
        """The address of its scheduler, the link to its page, and what one needs to be let in; once it has
        started."""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        told = json.loads(line) if line else {"error": "their process ended early"}
        if "error" in told:
            self.end()
            wrong = f"they cannot be started on this machine ({told['error']})"
            raise EngineError("workers", wrong, "Try fewer by --workers, or install falsework[screen] anew")
        security = pickle.loads(base64.b64decode(told["security"]))
        return told["address"], told["dashboard"], security

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    @property
    def pid(self) -> int:
        return self._process.pid

    def end(self) -> None:
        """At once, with every worker."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


_BRIEFINGS: dict[str, Briefing] = {}  # of this worker, by the name of the screening


def _plugin(name: str, briefing: Briefing) -> Any:
    """What brings the briefing to every worker, those that come later too."""
    from distributed import WorkerPlugin

    class Told(WorkerPlugin):
        def __init__(self) -> None:
            self.name, self.briefing, self.version = name, briefing, __version__

        def setup(self, worker: Any) -> None:
            brief(self.name, self.briefing, self.version)

    return Told()


def brief(name: str, briefing: Briefing, version: str) -> None:
    """Take in the briefing of a screening; in a worker."""
    if version != __version__:
        raise RuntimeError(f"this machine has falsework {__version__}")
    _BRIEFINGS[name] = briefing


def _done(jobs: tuple[ScreenJob, ...], name: str) -> tuple[Outcome, ...]:
    """Jobs, one after another; in a worker."""
    briefing = _BRIEFINGS[name]
    warmed(briefing.terms.depth)
    return tuple(screened(job, briefing) for job in jobs)


def _security(cluster: Cluster) -> Any:
    """What Dask needs to know of the TLS of a scheduler that exists; None: what its own settings say."""
    from distributed.security import Security

    address, encrypted = cluster.scheduler, cluster.scheduler.startswith("tls://")
    if not address.startswith(SCHEMES):
        raise EngineError(
            address, "this is no address of a scheduler", f"Begin it with {' or '.join(SCHEMES)}"
        )
    if cluster.tls is None:
        if encrypted and Security().tls_ca_file is None:
            cure = "Add --tls-ca, --tls-cert and --tls-key, or name them in Dask's own settings"
            raise EngineError(address, "it asks for TLS, and no certificates are named", cure)
        return None
    if not encrypted:
        raise EngineError(address, "certificates are named, but it asks for none", "Begin it with tls://")
    missing = next((path for path in cluster.tls if not os.path.isfile(path)), None)
    if missing is not None:
        raise EngineError(missing, "there is no such file", "Check the --tls files")
    ca, certificate, key = cluster.tls
    return Security(tls_ca_file=ca, tls_client_cert=certificate, tls_client_key=key, require_encryption=True)


def _failure(job: ScreenJob, fault: str, why: str) -> Outcome:
    row = {"state": FAILED, "fault": fault, "why": why}
    return Outcome(tuple(row for _ in job.processes))


def _unreachable(address: str, error: Exception) -> EngineError:
    reason = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
    return EngineError(
        address,
        f"no workers can be reached there ({reason})",
        "Check the address, --tls and that workers run",
    )
