"""``falsework ledger``: look at the record, correct it, take it elsewhere and bring it back."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.asked import collected
from falsework.cli.ledger_file import (
    document,
    ledger_place,
    notice_text,
    place_option,
    read_bytes,
    read_text,
)
from falsework.cli.options import Day, KeyValue, json_option
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.ledger import Entry, Imported, Ledger, Recorded


@dataclasses.dataclass(frozen=True)
class PhotographSubject:
    """The options that say what a photograph shows."""

    reading: int | None
    print_id: int | None
    piece: str | None


@dataclasses.dataclass(frozen=True)
class ReadingFilter:
    """The options that say which readings are listed."""

    printer: str | None
    material: str | None
    piece: str | None
    print_id: int | None
    flagged: bool
    withdrawn: bool
    last: int | None

    def of(self, ledger: Ledger) -> list[Recorded]:
        """Those of a ledger."""
        found = ledger.readings(
            *(self.printer, self.material),
            coupon=self.piece,
            print_id=self.print_id,
            withdrawn=self.withdrawn,
        )
        found = [recorded for recorded in found if recorded.flags or not self.flagged]
        return found[-self.last :] if self.last else found


_WHY = click.option("--why", required=True, metavar="TEXT", help="The reason, which is kept.")
_JSON, _TABLE, _HISTORY, _PHOTOGRAPHS, _MARK = (
    "ledger.json",
    "readings.csv",
    "history.csv",
    "photographs",
    "falsework.ledger/1",
)


@click.group("ledger", invoke_without_command=True, short_help="Look at the record, correct it, back it up.")
@place_option
@json_option
@click.pass_context
def ledger_command(context: click.Context, as_json: bool) -> None:
    """The ledger: printers, materials, test pieces, prints and what was read off them.

    Without a command it says where it lies and what it holds. Nothing in it is ever deleted: corrections and
    withdrawals are kept beside what they change, with their reasons. The usual one lies where
    FALSEWORK_LEDGER says, else in your data folder.
    """
    if context.invoked_subcommand is not None:
        return
    session: Session = context.obj
    session.as_json = as_json
    ledger = _existing()
    facts = {
        "path": str(ledger.path),
        "readings": len(readings := ledger.readings()),
        "invented": sum(r.reading.invented for r in readings),
        "flagged": sum(bool(r.flags) for r in readings),
        "withdrawn": len(ledger.readings(withdrawn=True)) - len(readings),
        "prints": len(ledger.prints()),
        "events": [f"{e.happened_on} {e.what} ({e.printer})" for e in ledger.events()],
        "spools": [f"{spool.material} {spool.label}" for spool in ledger.spools()],
        "pieces": list(ledger.coupons()),
        "printers": list(ledger.printers()),
        "materials": list(ledger.materials()),
        "photographs": len({shown.digest for shown in ledger.photographs()}),
    }
    stored = ledger.fit()
    fit = (
        None
        if stored is None
        else {
            "when": stored.when,
            "current": stored.digest == ledger.readings_digest(),
            "sound": stored.sound,
        }
    )
    if as_json:
        document("falsework.ledger-summary/1", ledger=facts, fit=fit)
        return
    from falsework.cli.say import say

    say(f"Ledger {ledger.path}")
    _notice(readings)
    for name, value in list(facts.items())[1:]:
        say(f"  {name:<12} {', '.join(value) if isinstance(value, list) else value}")
    if stored is not None:
        state = "of all of them" if fit and fit["current"] else "from before the last change"
        told = f"{stored.when[:10]}, {state}" if stored.sound else "damaged; 'falsework tune' makes it anew"
        say(f"  {'fit':<12} {told}")


@ledger_command.command("show", short_help="The readings, or one of them in full.")
@click.argument("number", type=int, required=False)
@click.option("--printer", metavar="NAME", help="Only this printer's.")
@click.option("--material", metavar="NAME", help="Only this material's.")
@click.option("--piece", metavar="CODE", help="Only this test piece's.")
@click.option("--print", "print_id", type=int, metavar="NUMBER", help="Only this print's.")
@click.option("--flagged", is_flag=True, help="Only those that look doubtful.")
@click.option("--withdrawn", is_flag=True, help="Those withdrawn too.")
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Only the last N.")
@place_option
@json_option
@click.pass_obj
@collected(ReadingFilter, "only")
def show_command(
    session: Session,
    number: int | None,
    only: ReadingFilter,
    as_json: bool,
) -> None:
    """Show the readings as they stand now; with NUMBER one of them with all its values."""
    session.as_json = as_json
    ledger = _existing()
    found = only.of(ledger) if number is None else [ledger.reading(number)]
    if as_json:
        document("falsework.readings/1", readings=found)
        return
    from falsework.cli import say_readings

    _notice(found)
    if number is not None:
        say_readings.reading_in_full(found[0], ledger.photographs(reading=number))
    else:
        say_readings.readings(found)


@ledger_command.command("prints", short_help="What was printed, test pieces and everyday prints.")
@place_option
@json_option
@click.pass_obj
def prints_command(session: Session, as_json: bool) -> None:
    """List the prints, with their numbers and how much was read off them."""
    session.as_json = as_json
    ledger = _existing()
    made, found = ledger.prints(), ledger.readings()
    if as_json:
        document("falsework.prints/1", prints=made, plans=ledger.plans(), notice=notice_text(found))
        return
    from falsework.cli import say_readings

    _notice(found)
    say_readings.prints(made, found, ledger.plans(), {spool.id: spool.label for spool in ledger.spools()})


@ledger_command.command("history", short_help="Everything that a reading has ever said.")
@click.argument("number", type=int)
@place_option
@json_option
@click.pass_obj
def history_command(session: Session, number: int, as_json: bool) -> None:
    """Show how reading NUMBER was recorded and every change since, with the reasons."""
    session.as_json = as_json
    ledger = _existing()
    history = ledger.history(number)
    if as_json:
        invented = any(step.reading.invented for step in history)
        document("falsework.history/1", reading=number, invented=invented, history=history)
        return
    from falsework.cli import say_readings

    _notice([ledger.reading(number)])
    say_readings.history(number, history)


@ledger_command.command("correct", short_help="Change a reading; what it said is kept.")
@click.argument("number", type=int)
@click.argument("changes", nargs=-1, required=True, type=KeyValue("FIELD=VALUE"), metavar="FIELD=VALUE...")
@_WHY
@place_option
@json_option
@click.pass_obj
def correct_command(
    session: Session, number: int, changes: tuple[tuple[str, str], ...], why: str, as_json: bool
) -> None:
    """Change reading NUMBER, such as 'finish=3' or 'air_gap_mm=0.4'; FIELD= leaves it open.

    Fields are the columns of 'falsework ledger export readings.csv'.
    """
    session.as_json = as_json
    ledger = _existing()
    before = ledger.reading(number)
    after = _changed(before, dict(changes))
    ledger.correct(
        number, after.reading, why, when=after.measured_on, gap_method=after.gap_method, note=after.note
    )
    session.written = ledger.path
    _tell(ledger, [number], as_json, "corrected")


@ledger_command.command("withdraw", short_help="Let readings no longer count; they are kept.")
@click.argument("numbers", type=int, nargs=-1, required=True)
@_WHY
@place_option
@json_option
@click.pass_obj
def withdraw_command(session: Session, numbers: tuple[int, ...], why: str, as_json: bool) -> None:
    """Withdraw the readings of these numbers. 'falsework ledger restore' takes it back."""
    session.as_json = as_json
    ledger = _existing()
    ledger.withdraw(numbers, why)
    session.written = ledger.path
    _tell(ledger, numbers, as_json, "withdrawn")


@ledger_command.command("restore", short_help="Let withdrawn readings count again.")
@click.argument("numbers", type=int, nargs=-1, required=True)
@_WHY
@place_option
@json_option
@click.pass_obj
def restore_command(session: Session, numbers: tuple[int, ...], why: str, as_json: bool) -> None:
    """Restore the withdrawn readings of these numbers."""
    session.as_json = as_json
    ledger = _existing()
    ledger.restore(numbers, why)
    session.written = ledger.path
    _tell(ledger, numbers, as_json, "restored")


@ledger_command.command("describe", short_help="Make a process's printer and material known.")
@click.argument("process", metavar="NAME|FILE.toml")
@click.option("--why", default="", metavar="TEXT", help="The reason, where something is described anew.")
@place_option
@json_option
@click.pass_obj
def describe_command(session: Session, process: str, why: str, as_json: bool) -> None:
    """Take printer and material of a process into the ledger, or describe them anew; the fit then uses the
    material as described last. Earlier descriptions are kept."""
    session.as_json = as_json
    from falsework.ledger import Ledger
    from falsework.process import load_process

    told = load_process(process)
    ledger = Ledger.open(ledger_place())
    ledger.add_printer(told.printer, why)
    ledger.add_material(told.material, why)
    session.written = ledger.path
    if as_json:
        document("falsework.described/1", printer=told.printer.name, material=told.material.name)
        return
    from falsework.cli.say import say

    say(f"The ledger knows printer {told.printer.name!r} and material {told.material.name!r}.")


@ledger_command.command("event", short_help="Write down what happened to a printer.")
@click.argument("what")
@click.option("--printer", required=True, metavar="NAME", help="The printer's name in the ledger.")
@click.option("--day", type=Day(), help="When it happened, such as 2031-05-04; today if not given.")
@place_option
@json_option
@click.pass_obj
def event_command(
    session: Session, what: str, printer: str, day: datetime.date | None, as_json: bool
) -> None:
    """Write down that WHAT happened to a printer, such as 'nozzle replaced', 'new spool' or 'fan cleaned'.

    What was printed before it counts less from then on, by as much as the readings since then differ. Once is
    enough: the tuning reckons with it from then on.
    """
    session.as_json = as_json
    ledger = _existing()
    number = ledger.add_event(printer, what.strip(), day)
    session.written = ledger.path
    if as_json:
        document("falsework.event/1", id=number)
        return
    from falsework.cli.say import say

    say(f"Event {number} recorded for {printer}. What was printed before it counts less from now on.")


@ledger_command.command("events", short_help="What happened to the printers; or take one back.")
@click.option("--printer", metavar="NAME", help="Only this printer's.")
@click.option("--withdraw", "number", type=int, metavar="NUMBER", help="Let this one no longer count.")
@click.option("--why", default="", metavar="TEXT", help="With --withdraw: the reason, which is kept.")
@place_option
@json_option
@click.pass_obj
def events_command(
    session: Session, printer: str | None, number: int | None, why: str, as_json: bool
) -> None:
    """Show what happened to the printers, by day. An event that was written down by mistake is withdrawn, not
    deleted."""
    session.as_json = as_json
    ledger = _existing()
    if number is not None:
        ledger.withdraw_event(number, why)
        session.written = ledger.path
    found = ledger.events(printer, withdrawn=True)
    if as_json:
        document("falsework.events/1", events=found)
        return
    from falsework.cli.say import say, table

    if not found:
        say("Nothing that happened to a printer has been written down.")
        return
    head = ("number", "day", "printer", "what", "")
    rows = [
        (str(e.id), e.happened_on.isoformat(), e.printer, e.what, e.withdrawn and f"withdrawn: {e.withdrawn}")
        for e in found
    ]
    table("What happened to the printers", head, rows)


@ledger_command.command("export", short_help="Write it all as plain JSON and CSV.")
@click.argument("out", type=click.Path(path_type=Path))
@place_option
@json_option
@click.pass_obj
def export_command(session: Session, out: Path, as_json: bool) -> None:
    """Write the ledger to OUT.

    OUT.json holds all records with their history; OUT.csv the readings as they stand now, for a spreadsheet;
    any other name is a folder with both, the whole history as a table, and the photographs.
    """
    session.as_json = as_json
    from falsework.files.atomic import atomic_file, atomic_folder, check_replaceable
    from falsework.ledger.exchange import SCHEMA

    marks = {".json": SCHEMA, ".csv": "id,uid,source"}
    if mark := marks.get(out.suffix.lower(), ""):
        check_replaceable(out, mark, "export")
    ledger = _existing()
    found = ledger.readings()
    match out.suffix.lower():
        case ".json":
            with atomic_file(out) as aside:
                aside.write_text(ledger.export_json(), "utf-8")
        case ".csv":
            with atomic_file(out) as aside:
                aside.write_text(ledger.export_csv(), "utf-8")
        case _:
            own = (_TABLE, _HISTORY, _PHOTOGRAPHS)
            with atomic_folder(out, mark=_JSON, own=own) as aside:
                (aside / _JSON).write_text(ledger.export_json(), "utf-8")
                (aside / _TABLE).write_text(ledger.export_csv(), "utf-8")
                (aside / _HISTORY).write_text(ledger.export_csv(history=True), "utf-8")
                _write_photographs(ledger, aside / _PHOTOGRAPHS)
    session.written = out
    if as_json:
        document("falsework.exported/1", out=str(out), readings=len(found), notice=notice_text(found))
        return
    from falsework.cli.say import say

    _notice(found)
    say(f"{_count(len(found), 'reading')} written to {out}")


@ledger_command.command("import", short_help="Take over what another ledger exported, or a table.")
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="With a table: only say what would be recorded.")
@place_option
@json_option
@click.pass_obj
def import_command(session: Session, source: Path, dry_run: bool, as_json: bool) -> None:
    """Take over what 'falsework ledger export' wrote: a .json file, a folder, or a .csv table of readings.

    All of it or nothing. What is here already stays as it is and is not doubled.
    """
    session.as_json = as_json
    from falsework.ledger import Ledger

    table = source.suffix.lower() == ".csv"
    if dry_run and not table:
        raise click.UsageError("--dry-run is for tables.")
    content = read_bytes(source) if table else b""
    text = "" if table else read_text(source / _JSON if source.is_dir() else source)
    ledger = Ledger.open(ledger_place())
    if table:
        tray = ledger.import_csv(content, source.name, keep=not dry_run)
        if as_json:
            found = {"rows": len(tray.ids), "empty": tray.empty, "flags": tray.flags, "dry_run": dry_run}
            document("falsework.imported/1", **found)
            return
        from falsework.cli.say import say

        for flag in tray.flags:
            say(f"flagged: {flag}")
        done = (
            "could be recorded. Nothing was: this was a dry run." if dry_run else f"recorded in {ledger.path}"
        )
        say(f"{_count(len(tray.ids), 'row')} {done}")
        return
    brought = ledger.import_json(text, source.name)
    session.written = ledger.path
    lost = _take_photographs(ledger, source / _PHOTOGRAPHS) if source.is_dir() else _missing(ledger)
    _tell_import(ledger, brought, lost, as_json)


@ledger_command.command("backup", short_help="Copy the ledger and its photographs.")
@click.argument("out", type=click.Path(path_type=Path), required=False)
@place_option
@json_option
@click.pass_obj
def backup_command(session: Session, out: Path | None, as_json: bool) -> None:
    """Copy the ledger to the new file OUT, a dated name in this folder if not given; its photographs go to
    a folder beside it. The copy is a ledger: set FALSEWORK_LEDGER to it to look inside."""
    session.as_json = as_json
    ledger = _existing()
    target = out or Path(f"ledger-{datetime.date.today()}.sqlite3")
    ledger.check()
    lost = ledger.backup(target)
    session.written = target
    if as_json:
        document("falsework.backup/1", out=str(target), lost=lost)
        return
    from falsework.cli.say import say

    say(f"{ledger.path} is sound; copied to {target}")
    for text in lost:
        say(f"caution: {text}")


@ledger_command.command("check", short_help="Read all of it and say whether it is sound.")
@place_option
@json_option
@click.pass_obj
def check_command(session: Session, as_json: bool) -> None:
    """Read every page of the file and every photograph; refuses where something is damaged or missing."""
    session.as_json = as_json
    ledger = _existing()
    if lost := ledger.check():
        from falsework.errors import LedgerError

        told = "; ".join(text.rstrip(".") for text in lost)
        raise LedgerError(
            str(ledger.path), f"the records are sound, but not all photographs are there: {told}"
        )
    if as_json:
        document("falsework.checked/1", path=str(ledger.path), sound=True)
        return
    from falsework.cli.say import say

    say(f"{ledger.path} is sound")


@ledger_command.command("photo", short_help="Keep a photograph of what was read, or list them.")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--reading", type=int, metavar="NUMBER", help="The reading that it shows.")
@click.option("--print", "print_id", type=int, metavar="NUMBER", help="The print that it shows.")
@click.option("--piece", metavar="CODE", help="The test piece that it shows.")
@click.option("--note", default="", help="A note.")
@click.option("--detach", type=int, metavar="NUMBER", help="It does not show that after all; needs --why.")
@click.option("--why", default="", metavar="TEXT", help="The reason for --detach.")
@place_option
@json_option
@click.pass_obj
@collected(PhotographSubject, "of")
def photo_command(
    session: Session,
    file: Path | None,
    of: PhotographSubject,
    note: str,
    detach: int | None,
    why: str,
    as_json: bool,
) -> None:
    """Keep the photograph FILE (JPEG, PNG, WebP, HEIC or AVIF) with a reading, a print or a test piece.

    Without FILE list those that are kept. The file is stored as it is, with all that the camera wrote into
    it, the place perhaps included.
    """
    session.as_json = as_json
    ledger = _existing()
    if detach is not None:
        if file is not None:
            raise click.UsageError("--detach takes no FILE.")
        ledger.detach(detach, why)
    elif file is not None:
        if sum(value is not None for value in (of.reading, of.print_id, of.piece)) != 1:
            raise click.UsageError("Say what it shows by one of --reading, --print and --piece.")
        digest = ledger.keep_photograph(file)
        ledger.attach(digest, reading=of.reading, print_id=of.print_id, coupon=of.piece, note=note)
    session.written = ledger.path
    shown = ledger.photographs(reading=of.reading, print_id=of.print_id, coupon=of.piece)
    if as_json:
        document("falsework.photographs/1", photographs=shown)
        return
    from falsework.cli import say_readings

    say_readings.photographs(shown)


def _existing() -> Ledger:
    from falsework.errors import LedgerError
    from falsework.ledger import Ledger
    from falsework.ledger.place import ledger_path

    ledger = Ledger.existing(ledger_place())
    if ledger is None:
        cure = "Record something first: see 'falsework record'"
        raise LedgerError(str(ledger_path(ledger_place())), "there is no ledger yet", cure)
    return ledger


def _notice(found: Sequence[Recorded]) -> None:
    from falsework.cli.say import say

    if text := notice_text(found):
        say(text)


def _changed(before: Recorded, changes: dict[str, str]) -> Entry:
    """The reading with some of its fields read anew from text."""
    from falsework.errors import LedgerError
    from falsework.ledger import Entry
    from falsework.ledger.tables import OUTCOME, TableRow, values_of
    from falsework.ledger.values import TRIED

    known = ("printer", "material", "measured_on", *TRIED, "gap_method", *OUTCOME)
    for field in changes:
        if field not in known:
            raise LedgerError(field, "there is no such field of a reading", f"Known are {', '.join(known)}")
    values, wrong = values_of(TableRow(0, changes))
    if wrong:
        raise LedgerError(f"reading {before.id}", "; ".join(wrong), "Nothing was changed")
    if values.get("measured_on", before.when) is None:
        raise LedgerError("measured_on", "is missing", "Give a day")
    tried = {field: values[field] for field in values if field in TRIED}
    told = {field: values[field] for field in values if field in ("printer", "material", *OUTCOME[:-1])}
    reading = dataclasses.replace(
        before.reading, condition=dataclasses.replace(before.reading.condition, **tried), **told
    )
    return Entry(
        reading,
        measured_on=values.get("measured_on", before.when),
        gap_method=values.get("gap_method", before.gap_method),
        note=values.get("note", before.note),
    )


def _tell(ledger: Ledger, numbers: Sequence[int], as_json: bool, done: str) -> None:
    found = [ledger.reading(number) for number in numbers]
    if as_json:
        document("falsework.readings/1", readings=found)
        return
    from falsework.cli.say import say

    _notice(found)
    for recorded in found:
        flags = "".join(f"; flagged: {flag}" for flag in recorded.flags)
        say(f"Reading {recorded.id} {done}; what it said is kept{flags}")


def _tell_import(ledger: Ledger, brought: Imported, lost: int, as_json: bool) -> None:
    found = ledger.readings()
    if as_json:
        told = {"added": brought.added, "known": brought.known, "notes": brought.notes, "missing": lost}
        document("falsework.imported/1", notice=notice_text(found), **told)
        return
    from falsework.cli.say import say

    added = ", ".join(f"{table} {n}" for table, n in brought.added.items()) or "nothing"
    say(f"New in {ledger.path}: {added}; {_count(brought.known, 'reading')} known before")
    for note in brought.notes:
        say(f"note: {note}")
    if lost:
        say(f"{_count(lost, 'photograph')} did not come along: import the folder of a whole export")
    _notice(found)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _write_photographs(ledger: Ledger, folder: Path) -> None:
    from falsework.ledger.photographs import ENDINGS

    digests = dict.fromkeys(shown.digest for shown in ledger.photographs())
    if digests:
        folder.mkdir()
    for digest in digests:
        content, media = ledger.photograph(digest)
        (folder / f"{digest}{ENDINGS[media]}").write_bytes(content)


def _take_photographs(ledger: Ledger, folder: Path) -> int:
    """Store the photographs of a folder that the ledger's records name; how many are still missing."""
    wanted = {shown.digest: shown.name for shown in ledger.photographs()}
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        if path.stem in wanted and path.is_file():
            ledger.keep_photograph(path)
    return _missing(ledger)


def _missing(ledger: Ledger) -> int:
    from falsework.ledger.photographs import photograph_path

    kept = {shown.digest: shown.media for shown in ledger.photographs()}
    return sum(not photograph_path(ledger.path, digest, media).is_file() for digest, media in kept.items())
