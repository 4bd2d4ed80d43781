"""How what people answer, type or fill in becomes readings: behind ``falsework record``."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from falsework.cli.ledger_file import document, ledger_place, read_bytes, read_text
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.coupon.reading import Reading
    from falsework.ledger import Entry, Ledger
    from falsework.ledger.looking import Spot
    from falsework.process.settings import Process

PIECE = "coupon.json"


@dataclass(frozen=True)
class Where:
    """What the options say about the print as a whole."""

    printer: str | None
    material: str | None
    spool: str | None
    day: datetime.date | None
    again: bool
    invented: bool
    by: str = ""
    alike: bool = False


def record_table(session: Session, path: Path, where: Where, dry_run: bool) -> None:
    from falsework.ledger import Given, Ledger

    content, beside = read_bytes(path), path.with_name(PIECE)
    ledger = Ledger.open(ledger_place())
    given = Given(None, where.printer, where.material, None, where.day, where.invented, where.by, where.alike)
    document = read_text(beside) if beside.is_file() else _stored_piece(ledger, content, path)
    tray = ledger.record_tray(
        content, document, given, path.name, spool=where.spool, again=where.again, keep=not dry_run
    )
    session.written = None if dry_run else ledger.path
    if session.as_json:
        _json(
            ledger,
            () if dry_run else tray.ids,
            tray.notes,
            rows=len(tray.ids),
            empty=tray.empty,
            dry_run=dry_run,
        )
        return
    from falsework.cli.say import say

    _say_notes(tray.notes)
    for flag in tray.flags:
        say(f"flagged: {flag}")
    rows = f"{len(tray.ids)} {'row' if len(tray.ids) == 1 else 'rows'} of {tray.printer} in {tray.material}"
    empty = f"; {tray.empty} without an outcome left out" if tray.empty else ""
    if dry_run:
        say(f"{rows} could be recorded{empty}. Nothing was: this was a dry run.")
    else:
        say(f"{rows} recorded as {_numbers(tray.ids)}{empty}, in {ledger.path}")


def _stored_piece(ledger: Ledger, content: bytes, path: Path) -> str:
    """The text of the piece that a table is about, from the ledger."""
    from falsework.errors import LedgerError
    from falsework.ledger.tables import read_rows

    codes = {row.texts["coupon"] for row in read_rows(content, path.name) if row.texts.get("coupon")}
    known = ledger.coupons()
    stored = known.get(min(codes, default=""))
    if len(codes) == 1 and stored is not None:
        return stored.document
    wrong = (
        f"is of the pieces {', '.join(sorted(codes))}"
        if len(codes) > 1
        else "does not say of which piece it is"
    )
    if len(codes) == 1:
        wrong = f"is of test piece {codes.pop()}, which the ledger does not know"
    cure = f"Put it beside the {PIECE} of its one piece; other readings go in by 'falsework ledger import'"
    raise LedgerError(path.name, wrong, cure)


def record_piece(
    session: Session, piece: str, where: Where, cell: str | None, outcome: dict[str, Any]
) -> None:
    from falsework.errors import LedgerError
    from falsework.ledger import Ledger

    ledger = Ledger.open(ledger_place())
    folder = Path(piece)
    if (folder / PIECE).is_file():
        document = read_text(folder / PIECE)
    elif (stored := ledger.coupons().get(piece)) is not None:
        document = stored.document
    else:
        known = ", ".join(ledger.coupons()) or "none"
        cure = "Give the folder that 'falsework coupon' wrote, or a code that is known"
        raise LedgerError(piece, f"is neither a folder with a {PIECE} nor a known piece ({known})", cure)
    from falsework.coupon import Coupon
    from falsework.coupon.guide import TITLES
    from falsework.ledger.looking import spots_of_piece

    made = Coupon.from_json(document, piece)
    count = f"{len(made.cells)} {'cell' if len(made.cells) == 1 else 'cells'}"
    title = f"Test piece {made.code}: {TITLES[made.kind].lower()}, {count}, process {made.process.name}"
    _record(
        session,
        _Job(ledger, made.process, where, title, coupon=made.code),
        *(spots_of_piece(made), cell, outcome),
        prepare=lambda: ledger.add_coupon(document),
    )


def record_print(
    session: Session, folder: Path, where: Where, cell: str | None, outcome: dict[str, Any]
) -> None:
    path = folder / "plan.json"
    text = read_text(path)

    from falsework.ledger import Ledger
    from falsework.ledger.looking import spots_of_plan, summary
    from falsework.ledger.values import digest_of
    from falsework.planning.value import Plan

    plan = Plan.from_json(text, str(path))
    ledger, digest = Ledger.open(ledger_place()), digest_of(text)
    title = f"Plan of {plan.part.name}, {len(plan.undersides)} undersides, process {plan.process.name}"
    _record(
        session,
        _Job(ledger, plan.process, where, title, plan=digest),
        *(spots_of_plan(plan), cell, outcome),
        prepare=lambda: ledger.add_plan(digest, plan.part.name, plan.process, summary(plan)),
    )


@dataclass(frozen=True)
class _Job:
    """What is recorded of, and where it goes."""

    ledger: Ledger
    process: Process
    where: Where
    title: str
    coupon: str | None = None
    plan: str | None = None

    def named(self, printer: str, material: str) -> _Job:
        """The same with the names settled."""
        process = replace(
            self.process,
            printer=replace(self.process.printer, name=printer),
            material=self.ledger.material_named(material, self.process.material, self.where.alike),
        )
        return replace(self, process=process)

    def introduce(self) -> tuple[str, ...]:
        """Make printer and material known if they are not; says which were new or are known otherwise."""
        return self.ledger.introduce(self.process.printer, self.process.material)

    def print_id(self) -> int | None:
        """The print that the readings belong to, if it is known already."""
        if self.where.again:
            return None
        of = {"plan": self.plan, "coupon": self.coupon}
        return self.ledger.last_print(self.process.printer.name, self.process.material.name, **of)

    def new_print(self) -> int:
        """Record that it was printed."""
        material, label = self.process.material.name, self.where.spool
        return self.ledger.add_print(
            *(self.process.printer.name, material),
            plan=self.plan,
            coupon=self.coupon,
            spool=None if label is None else self.ledger.add_spool(material, label),
            printed_on=self.where.day,
            invented=self.where.invented,
        )

    def entry(self, spot: Spot, answers: dict[str, Any], print_id: int | None) -> Entry:
        """The answers about one thing as an entry."""
        from falsework.coupon.reading import Reading
        from falsework.ledger import Entry

        reading = Reading(
            *(self.process.printer.name, self.process.material.name, spot.condition),
            let_go=answers.get("let_go"),
            finish=answers.get("finish"),
            droop_mm=answers.get("droop_mm"),
            clean_up_min=answers.get("clean_up_min"),
            invented=self.where.invented,
            graded_by=self.where.by,
        )
        return Entry(
            *(reading, self.coupon, spot.cell, print_id, None, self.where.day, spot.gap_method),
            answers.get("note", ""),
            spot.air_beneath_mm,
        )


def _record(
    session: Session,
    job: _Job,
    spots: tuple[Spot, ...],
    cell: str | None,
    outcome: dict[str, Any],
    prepare: Callable[[], object],
) -> None:
    from falsework.errors import LedgerError

    if not spots:
        raise LedgerError(job.title, "there is nothing to look at: nothing was printed over air")
    if cell is None:
        if given := sorted(name for name, value in outcome.items() if value not in (None, "")):
            raise click.UsageError(f"--{given[0].replace('_', '-')} needs --cell.")
        ids, notes = _ask_all(session, job, spots, prepare)
    else:
        ids, notes = _record_one(session, job, spots, cell, outcome, prepare)
    if session.as_json:
        _json(job.ledger, ids, notes)
        return
    from falsework.cli.say import say

    if cell is not None:
        _say_notes(notes)
        for flag in (flag for number in ids for flag in job.ledger.reading(number).flags):
            say(f"flagged: {flag}")
    say(f"Recorded as {_numbers(ids)}, in {job.ledger.path}" if ids else "Nothing was recorded.")


def _record_one(
    session: Session,
    job: _Job,
    spots: tuple[Spot, ...],
    cell: str,
    outcome: dict[str, Any],
    prepare: Callable[[], object],
) -> tuple[list[int], tuple[str, ...]]:
    from falsework.cli.asking import let_go_of
    from falsework.errors import LedgerError

    spot = next((spot for spot in spots if spot.cell == cell), None)
    if spot is None:
        known = ", ".join(spot.cell for spot in spots)
        raise LedgerError(cell, f"there is no such cell; there are {known}", "Name one of them with --cell")
    droop, thickness = outcome["droop"], outcome["thickness"]
    if thickness is not None:
        if droop is not None:
            raise click.UsageError("--thickness and --droop say the same: give one of them.")
        if spot.nominal_mm is None:
            raise LedgerError(cell, "has no thickness to take", "Give --droop")
        droop = round(thickness - spot.nominal_mm, 6)
    try:
        let_go = None if outcome["let_go"] is None else let_go_of(outcome["let_go"])
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--let-go") from None
    answers = {"let_go": let_go, "finish": outcome["finish"], "droop_mm": droop}
    answers |= {"clean_up_min": outcome["minutes"], "note": outcome["note"]}
    where = job.where
    job = job.named(where.printer or job.process.printer.name, where.material or job.process.material.name)
    entry = job.entry(spot, answers, None)
    _refuse_faulty(entry, cell)
    notes = job.introduce()
    prepare()
    print_id = job.print_id()
    entry = replace(entry, print_id=job.new_print() if print_id is None else print_id)
    ids = job.ledger.add_many([entry], lambda _: cell)
    session.written = job.ledger.path
    return ids, notes


def _refuse_faulty(entry: Entry, cell: str) -> None:
    from falsework.errors import LedgerError

    if found := _faults(entry):
        raise LedgerError(cell, "; ".join(found), "Nothing was recorded")


def _faults(entry: Entry) -> list[str]:
    from falsework.ledger.checks import faults, sound

    return list(faults(sound(entry), datetime.date.today()))


def _ask_all(
    session: Session, job: _Job, spots: tuple[Spot, ...], prepare: Callable[[], object]
) -> tuple[list[int], tuple[str, ...]]:
    """Ask about everything in turn; each answer is recorded at once, so that a stop loses one at most."""
    from falsework.cli import asking
    from falsework.cli.say_readings import condition
    from falsework.process.builtin import builtin_materials

    asking.say(job.title)
    where = job.where
    try:
        printer = where.printer or asking.named(
            "Printer", _likely(job.ledger.printers(), job.process.printer.name)
        )
        material = where.material or asking.named(
            "Material", _likely(job.ledger.materials(), job.process.material.name)
        )
    except (asking.Back, asking.Skip, asking.Quit):
        return [], ()
    own = job.process.material.name
    known = {own, *job.ledger.materials(), *builtin_materials()}
    if material not in known and not where.alike:
        said = asking.answer(f"{material} is new. Does it print as {own} does? (y or n)")
        if not said.lower().startswith("y"):
            asking.say("Describe it first: 'falsework ledger describe' takes a process file.")
            return [], ()
        job = replace(job, where=replace(where, alike=True))
    job = job.named(printer, material)
    print_id = job.print_id()
    there = {} if print_id is None else {r.cell: r.id for r in job.ledger.readings(print_id=print_id)}
    todo = [spot for spot in spots if spot.cell not in there]
    if there:
        asking.say(f"Recorded before: {', '.join(str(cell) for cell in there)} (--again: a print of its own)")
    if todo:
        asking.say(asking.WAYS)
    ids: dict[str, int] = {}
    before: dict[str, dict[str, Any]] = {}
    notes: tuple[str, ...] = ()
    k = 0
    while k < len(todo):
        spot = todo[k]
        asking.say()
        asking.say(f"{spot.cell} ({k + 1} of {len(todo)}): {condition(spot.condition)}")
        asking.say(f"    look at: {spot.what}")
        try:
            explain = k == 0 and not before
            answers = asking.ask(asking.questions(spot), before.get(spot.cell, {}), explain)
        except asking.Back:
            k = max(k - 1, 0)
            continue
        except asking.Skip:
            k += 1
            continue
        except asking.Quit:
            break
        entry = job.entry(spot, answers, print_id)
        before[spot.cell] = answers
        if found := _faults(entry):
            for text in found:
                asking.say(f"    cannot be: {text}")
            continue
        if print_id is None:
            notes = job.introduce()
            prepare()
            print_id = job.new_print()
            entry = replace(entry, print_id=print_id)
        if spot.cell in ids:
            _correct(job.ledger, ids[spot.cell], entry)
        else:
            ids[spot.cell] = job.ledger.add_many([entry])[0]
        session.written = job.ledger.path
        flags = job.ledger.reading(ids[spot.cell]).flags
        asking.say(f"    recorded as reading {ids[spot.cell]}" + "".join(f"; flagged: {f}" for f in flags))
        k += 1
    for note in notes:
        asking.say(f"note: {note}")
    return list(ids.values()), notes


def _correct(ledger: Ledger, number: int, entry: Entry) -> None:
    there = ledger.reading(number)
    if (there.reading, there.note) != (_plain(entry), entry.note):
        ledger.correct(number, entry.reading, "corrected while recording", note=entry.note)


def _plain(entry: Entry) -> Reading:
    from falsework.ledger.checks import sound

    return sound(entry).reading


def _likely(known: dict[str, Any], own: str) -> str:
    """The name to offer: the process's own, or the only one that the ledger knows."""
    return own if own in known or len(known) != 1 else next(iter(known))


def _say_notes(notes: tuple[str, ...]) -> None:
    from falsework.cli.say import say

    for note in notes:
        say(f"note: {note}")


def _numbers(ids: Any) -> str:
    ids = list(ids)
    if len(ids) == 1:
        return f"reading {ids[0]}"
    if len(ids) > 2 and ids == list(range(ids[0], ids[-1] + 1)):
        return f"readings {ids[0]} to {ids[-1]}"
    return f"readings {', '.join(map(str, ids))}"


def _json(ledger: Ledger, ids: Any, notes: tuple[str, ...], **more: Any) -> None:
    wanted = set(ids)
    readings = [recorded for recorded in ledger.readings() if recorded.id in wanted]
    document("falsework.recorded/1", readings=readings, notes=list(notes), **more)
