"""The service: everything one running bench has, and what happens to a sheet when somebody acts on it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import shutil
import socket
import sqlite3
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from falsework.bench.answers import Refused, not_found
from falsework.bench.catalogues import Catalogues
from falsework.bench.choices import (
    Choices,
    base_process,
    change_words,
    command,
    differences,
    merged,
    resolved,
    without_lost_numbers,
)
from falsework.bench.events import Hub
from falsework.bench.ledger_access import LedgerAccess
from falsework.bench.reach import numeric_addresses
from falsework.bench.results import Results
from falsework.bench.scheduler import EVERYBODY, Scheduler
from falsework.bench.security import Hosts, Sessions
from falsework.bench.sheets import Missing, NothingToUndo, Outdated, Sheet, Sheets, SheetStep
from falsework.bench.stages import Order, Stage
from falsework.documents import decode, encode
from falsework.errors import FalseworkError, LedgerError
from falsework.ledger.database import troubles
from falsework.ledger.place import ledger_path
from falsework.planning.handling import job_of
from falsework.process.builtin import builtin_names
from falsework.process.settings import Process
from falsework.process.toml import parse_process
from falsework.wording.cautions import Caution, CautionedTask, cautions
from falsework.wording.heading import Heading

LOG = logging.getLogger("falsework.bench")
_LOOK_EVERY_S = 5.0
_KEPT_ORDERS = 1000

_AS_AFTER = "as it was after: "

T = TypeVar("T")
DATABASE, PARTS, PROGRAMS, RESULTS = "bench.sqlite", "parts", "programs", "results"
ARRIVING, FITS, SCREENINGS = "arriving", "fits", "screenings"
MOST_PROGRAMS = 20  # that a sheet remembers


@dataclass(frozen=True)
class BenchSettings:
    """How a bench is run. ``upload_bytes`` and ``upload_s`` limit one file, ``results_bytes`` all results."""

    folder: Path
    host: str = "127.0.0.1"
    port: int = 8808
    workers: int = 2
    upload_bytes: int = 512 << 20
    upload_s: float = 600.0
    job_s: float = 1800.0
    results_bytes: int = 8 << 30
    ledger: Path | None = None  # the user's own if not given
    catalogues: tuple[Path, ...] = ()  # folders that may be screened
    public: str = ""  # the address under which a server that speaks HTTPS passes requests on


@dataclass
class Service:
    """One running bench."""

    settings: BenchSettings
    sheets: Sheets
    hub: Hub
    results: Results
    scheduler: Scheduler
    sessions: Sessions
    hosts: Hosts
    ledger_access: LedgerAccess
    catalogues: Catalogues
    started: float = field(default_factory=time.time)
    _orders: OrderedDict[tuple[str, int, str], Order] = field(default_factory=OrderedDict)

    @staticmethod
    def open(settings: BenchSettings) -> Service:
        """Open the data folder, made if it is not there; OutputError where it cannot be used."""
        for name in (PARTS, PROGRAMS, ARRIVING, RESULTS, FITS):
            (settings.folder / name).mkdir(parents=True, exist_ok=True)
            with contextlib.suppress(OSError):  # what people bring is theirs alone; not every disk can say so
                (settings.folder / name).chmod(0o700)
        for left in (settings.folder / ARRIVING).iterdir():  # uploads that a stopped server did not finish
            left.unlink(missing_ok=True)
        sheets = Sheets(settings.folder / DATABASE)
        sheets.forget_deleted()
        sheets.forget_marks()
        for name, kept in ((PARTS, sheets.forget_parts()), (PROGRAMS, sheets.programs())):
            for place in (settings.folder / name).iterdir():
                if place.name not in kept:
                    shutil.rmtree(place, ignore_errors=True)
        ledger_access = LedgerAccess(settings.folder, settings.ledger)
        ledger_access.forget_fits(sheets.coupon_fits())  # no job has begun
        hub = Hub()
        results = Results(settings.folder / RESULTS, settings.results_bytes)
        scheduler = Scheduler(results, hub, sheets.marks)
        return Service(
            settings,
            sheets,
            hub,
            results,
            scheduler,
            Sessions(sheets),
            Hosts(settings.host, settings.port, (socket.gethostname(), socket.getfqdn()), settings.public),
            ledger_access,
            Catalogues(settings.folder / SCREENINGS, settings.catalogues, settings.workers),
        )

    @property
    def parts(self) -> Path:
        return self.settings.folder / PARTS

    async def ask(self, work: Callable[..., T], *arguments: Any) -> T:
        """A call of the database, on a thread of its own; its refusals and the disk's as answers."""
        try:
            return await asyncio.to_thread(work, *arguments)
        except Missing as missing:
            raise not_found("sheet", str(missing)) from None
        except sqlite3.Error as error:
            raise _of_the_disk(error) from error

    def address(self, path: str = "/") -> str:
        """The address of this bench that a browser elsewhere takes, numeric where there is one."""
        if self.settings.public:
            return f"{self.settings.public}{path}"
        return f"{self._at(next(iter(numeric_addresses(self.settings.host)), self.settings.host))}{path}"

    def addresses(self) -> tuple[str, list[str]]:
        """Its address on this machine itself, and those for others: the public one, else numeric ones."""
        host = self.settings.host
        others = [self._at(address) for address in numeric_addresses(host)]
        local = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
        return self._at(local), [self.settings.public] if self.settings.public else others

    def _at(self, host: str) -> str:
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
        return f"http://{f'[{host}]' if ':' in host else host}:{self.settings.port}"

    # sheets

    async def get(self, sheet: str) -> Sheet:
        """The sheet as it stands; 404 where there is none."""
        return await self.ask(self.sheets.get, sheet)

    async def create(self, name: str, digest: str, size: int, who: str) -> Sheet:
        """A new sheet for an uploaded part; its work begins."""
        choices = Choices()
        state = {
            "title": _first_title(name),
            "note": "",
            "part": {"digest": digest, "name": name, "bytes": size},
            "programs": [],
            "choices": choices.model_dump(mode="json"),
            "process": encode(base_process(choices.process, {})),
        }
        sheet = await self.ask(self.sheets.add, state, who, "part arrived")
        self.changed(sheet, who)
        return sheet

    async def copy(self, sheet: str, who: str, patch: Mapping[str, Any] | None = None) -> Sheet:
        """A new sheet that starts where this one stands, but for what ``patch`` changes (see ``patched``)."""
        state = (await self.get(sheet)).state
        named = {"title": f"{state['title'][:190]} (copy)", **(patch or {})}
        return await self.beside(state, lambda now: patched(now, named), who, "copied")

    async def beside(
        self, state: dict[str, Any], change: Callable[[dict[str, Any]], dict[str, Any]], who: str, what: str
    ) -> Sheet:
        """A new sheet in a state that is another one's with a change."""
        after, _ = await asyncio.to_thread(self._settled, state, change)
        made = await self.ask(self.sheets.add, after, who, what)
        self.changed(made, who)
        return made

    async def edit(
        self, sheet: str, version: int, change: Callable[[dict[str, Any]], dict[str, Any]], who: str
    ) -> tuple[Sheet, list[str]]:
        """Change a sheet's state by ``change``, which may raise ``Refused``.

        With it the numbers of undersides whose words and overrules went, because undersides are numbered
        anew. 409 where ``version`` is not the latest.
        """
        now = await self.get(sheet)
        if now.version != version:
            # what was meant is worked out on the version that was seen, to tell both changes apart
            await self._conflict(sheet, version, change)
        after, lost = await asyncio.to_thread(self._settled, now.state, change)
        what = change_words(now.state, after)
        try:
            done = await self.ask(self.sheets.edit, sheet, version, after, what, who)
        except Outdated as outdated:
            raise self._outdated(outdated, change) from None
        self.changed(done, who)
        return done, lost

    async def _conflict(
        self, sheet: str, version: int, change: Callable[[dict[str, Any]], dict[str, Any]]
    ) -> None:
        try:
            await self.ask(self.sheets.check, sheet, version)
        except Outdated as outdated:
            raise self._outdated(outdated, change) from None

    def _settled(
        self, state: dict[str, Any], change: Callable[[dict[str, Any]], dict[str, Any]]
    ) -> tuple[dict[str, Any], list[str]]:
        """The changed state with its process worked out and what no longer fits dropped."""
        after = change(json.loads(json.dumps(state)))
        choices = Choices.model_validate(after["choices"])
        process: Process = decode(Process, state["process"])
        old = Choices.model_validate(state["choices"])
        before = (old, process, state["part"]["digest"])
        if (old.process, old.settings) != (choices.process, choices.settings):
            process = resolved(base_process(choices.process, self.kept_processes()), choices)
        for digest in choices.marks() - old.marks():
            if self.sheets.marks(digest) is None:
                raise Refused(422, "Invalid", "choices", "these marks are not here", "Mark the faces again")
        choices, lost = without_lost_numbers(before, (choices, process, after["part"]["digest"]))
        return {**after, "choices": choices.model_dump(mode="json"), "process": encode(process)}, lost

    def _outdated(self, outdated: Outdated, change: Callable[[dict[str, Any]], dict[str, Any]]) -> Refused:
        base, theirs = outdated.base, outdated.sheet.state
        told: list[dict[str, Any]] = []
        if base is not None:
            mine, others = differences(base, change(json.loads(json.dumps(base)))), differences(base, theirs)
            told = [
                {"field": path, "yours": mine.get(path), "theirs": value, "both": path in mine}
                for path, value in others.items()
                if not path.startswith("process.")
            ]
        fields = ", ".join(each["field"].removeprefix("choices.") for each in told[:4]) or "it"
        return Refused(
            409,
            "Conflict",
            "sheet",
            f"somebody else changed {fields} since you saw it (version {outdated.sheet.version} now)",
            "Look at what changed, then do it again if you still want it",
            sheet=self.sheet_json(outdated.sheet),
            changed=told,
        )

    async def undo(self, sheet: str, version: int, who: str, *, again: bool = False) -> Sheet:
        """Take the last edit back, or with ``again`` make the one undone last again."""
        try:
            done = await self.ask(self.sheets.redo if again else self.sheets.undo, sheet, version)
        except Outdated as outdated:
            raise self._outdated(outdated, lambda state: state) from None
        except NothingToUndo:
            now = await self.get(sheet)
            what = "redo" if again else "undo"
            raise Refused(
                409,
                "Conflict",
                "sheet",
                f"there is nothing to {what}",
                "",
                sheet=self.sheet_json(now),
                changed=[],
            ) from None
        self.changed(done, who)
        return done

    async def earlier(self, sheet: str, number: int) -> tuple[SheetStep, dict[str, Any]]:
        """A step of the sheet's history and its state; 404 where there is none of that number."""
        await self.get(sheet)
        try:
            return await asyncio.to_thread(self.sheets.earlier, sheet, number)
        except Missing:
            raise not_found("step of the sheet's history", str(number)) from None

    async def take_back(self, sheet: str, version: int, number: int, who: str) -> Sheet:
        """Have the sheet be as it was after a step of its history, as a new step."""
        step, state = await self.earlier(sheet, number)
        what = f"{_AS_AFTER}{step.what.removeprefix(_AS_AFTER)}"
        try:
            done = await self.ask(self.sheets.edit, sheet, version, state, what, who)
        except Outdated as outdated:
            raise self._outdated(outdated, lambda now: {**now, **state}) from None
        self.changed(done, who)
        return done

    async def delete(self, sheet: str, version: int) -> None:
        """Put a sheet away."""
        try:
            await self.ask(self.sheets.delete, sheet, version)
        except Outdated as outdated:
            raise self._outdated(outdated, lambda state: state) from None
        self.scheduler.forget(sheet)
        self.hub.tell(f"sheet:{sheet}", "gone", {})
        self.hub.tell(EVERYBODY, "sheets", {})

    def changed(self, sheet: Sheet, who: str) -> None:
        """A sheet is new or has a new version: have its work done, tell everybody who looks."""
        self.scheduler.want(sheet.id, self.order(sheet), who)
        self.hub.tell(f"sheet:{sheet.id}", "sheet", self.sheet_json(sheet))
        self.hub.tell(EVERYBODY, "sheets", {})

    def order(self, sheet: Sheet) -> Order:
        """What the sheet's results depend on; worked out once for each version."""
        known = (sheet.id, sheet.version, self.ledger_access.fit)
        if known not in self._orders:
            self._orders[known] = self.order_of(sheet.state)
            while len(self._orders) > _KEPT_ORDERS:
                self._orders.popitem(last=False)
        return self._orders[known]

    def order_of(self, state: Mapping[str, Any]) -> Order:
        """What the results of a sheet in that state would depend on."""
        process: Process = decode(Process, state["process"])
        part = state["part"]
        choices = Choices.model_validate(state["choices"])
        program = next(iter(state.get("programs", ())), None)
        told = program and {name: program[name] for name in ("digest", "name", "volumetric")}
        heading = heading_of(state)
        return Order(part["digest"], part["name"], choices, process, self.ledger_access.fit, told, heading)

    async def follow_ledger(self) -> None:
        """Notice fits that the command line stores, for as long as the bench is served."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            try:
                await self.refitted()
            except FalseworkError as error:
                LOG.warning("%s", error)

    def ledger_changed(self) -> None:
        """Readings, prints or test pieces were recorded."""
        self.hub.tell(EVERYBODY, "ledger", {})

    async def refitted(self) -> None:
        """The readings were fitted anew: sheets that somebody works on are worked out again."""
        if not await self.ask(self.ledger_access.look):
            return
        await self.ask(self.sheets.note_fit, self.ledger_access.fit)
        self.ledger_changed()
        for id, client in self.scheduler.sheets().items():
            sheet = await self.get(id)
            self.scheduler.want(id, self.order(sheet), client)
            self.hub.tell(f"sheet:{id}", "sheet", self.sheet_json(sheet))
        needed = self.scheduler.fits()
        await self.ask(lambda: self.ledger_access.forget_fits(needed | self.sheets.coupon_fits()))

    def sheet_json(self, sheet: Sheet) -> dict[str, Any]:
        """The sheet as the page sees it."""
        state, order = sheet.state, self.order(sheet)
        return {
            "id": sheet.id,
            "version": sheet.version,
            "created": sheet.created,
            "changed": sheet.changed,
            "title": state["title"],
            "note": state["note"],
            "part": state["part"],
            "programs": state.get("programs", []),
            "choices": state["choices"],
            "undo": {"what": sheet.undo, "redo": sheet.redo},
            "stages": {stage.value: self.scheduler.state(sheet.id, stage, order) for stage in Stage},
            "news": self.scheduler.news(),
            "fit": order.fit,
            "process": state["process"],
            "command": self._command(order),
            "cautions": encode(self._cautions(order)),
        }

    def _cautions(self, order: Order) -> tuple[Caution, ...]:
        job = job_of(order.process, order.choices.turn_deg)
        return cautions(CautionedTask.PRINT, CautionedTask.TAKE_OFF, CautionedTask.USE, job=job)

    def _command(self, order: Order) -> str | None:
        """The same plan by command line, with this bench's ledger where the command would not find it."""
        builtin = order.choices.process in builtin_names()
        own = "" if self.ledger_access.path == ledger_path() else "none"
        return command(
            order.name,
            order.choices,
            builtin=builtin,
            heading=order.heading,
            ledger=str(self.ledger_access.path) if order.fit else own,
        )

    # processes

    def kept_processes(self) -> dict[str, Process]:
        """Processes that this bench keeps, by name."""
        return {name: parse_process(text, name) for name, (text, _) in self.sheets.processes().items()}


def _of_the_disk(error: sqlite3.Error) -> Refused:
    """What went wrong with the bench's database, in the words that the ledger has for its own."""
    try:
        with troubles(Path(DATABASE)):
            raise error
    except LedgerError as told:
        full = getattr(error, "sqlite_errorname", "").startswith(("SQLITE_FULL", "SQLITE_IOERR"))
        return Refused(
            507 if full else 503, "DiskFull" if full else "NotWritten", told.subject, told.wrong, told.cure
        )


def heading_of(state: Mapping[str, Any]) -> Heading:
    """What the sheet says on its files: no title where it is only the part's name."""
    own = state["title"] != _first_title(state["part"]["name"])
    return Heading(state["title"] if own else "", state["note"])


def _first_title(name: str) -> str:
    return Path(name).stem[:200] or name


def patched(state: dict[str, Any], patch: Mapping[str, Any]) -> dict[str, Any]:
    """A state with title, note, program and choices changed; 422 where the choices are none.

    ``program`` is one as the sheet keeps it: it counts from now on, the others follow as earlier ones. None
    takes the one off that counts.
    """
    try:
        choices = merged(Choices.model_validate(state["choices"]), patch.get("choices", {}))
    except ValidationError as error:
        raise invalid(error, "choices") from None
    out = {**state, "choices": choices.model_dump(mode="json")}
    for name in ("title", "note"):
        if patch.get(name) is not None:
            out[name] = patch[name]
    if "program" in patch:
        programs, new = state.get("programs", []), patch["program"]
        earlier = [one for one in programs if new is not None and one["digest"] != new["digest"]]
        out["programs"] = programs[1:] if new is None else [new, *earlier][:MOST_PROGRAMS]
    return out


def invalid(error: ValidationError, stem: str = "") -> Refused:
    """The first thing that a value of the wrong shape gets wrong."""
    first = error.errors(include_url=False, include_context=False, include_input=False)[0]
    path = ".".join(map(str, ((stem,) if stem else ()) + first["loc"]))
    return Refused(422, "Invalid", path or "request", _plainly(first["msg"]), "Correct it")


def _plainly(text: str) -> str:
    return text.removeprefix("Value error, ")[:1].lower() + text.removeprefix("Value error, ")[1:]
