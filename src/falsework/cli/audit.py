"""``falsework audit``: what a machine program will print, held against the plan, the part or itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from falsework.cli.asked import collected
from falsework.cli.belief import chosen_belief, ledger_option
from falsework.cli.options import KeyValue, chosen_process, json_option
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.auditing import Bed
    from falsework.planning.value import Plan

_NOT_AUDITED = 2  # 1 says that something was found
LEVELS = ("note", "caution", "fault", "stop")


class _BedSize(click.ParamType):
    """'220x220', '180x180x250,centre'."""

    name = "bed"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Bed:
        from falsework.auditing import Bed

        size, _, origin = str(value).partition(",")
        try:
            numbers = [float(v) for v in size.lower().split("x")]
        except ValueError:
            numbers = []
        if len(numbers) not in (2, 3) or origin.strip() not in ("", "corner", "centre"):
            self.fail(f"{value!r} is no bed: give WxD or WxDxH in mm, and ',centre' if it counts from there")
        height = numbers[2] if len(numbers) == 3 else None
        return Bed(numbers[0], numbers[1], height, origin.strip() == "centre")


@dataclass(frozen=True)
class Audited:
    """The options that say what is read and what it is held against, as given."""

    program: Path
    plan_folder: Path | None
    part: str | None
    process_name: str | None
    settings: tuple[tuple[str, str], ...]
    volumetric: bool
    bed: Bed | None
    ledger_name: str | None


@click.command("audit", short_help="Read a machine program and say what of it will not come out.")
@click.argument("program", type=click.Path(path_type=Path))
@click.option(
    "--plan",
    "plan_folder",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Hold it against the plan in this folder, as 'falsework plan' wrote it.",
)
@click.option("--part", metavar="MESH", help="Hold it against the part alone, lying as in its file.")
@click.option(
    "--process",
    "process_name",
    metavar="NAME|FILE.toml",
    help="What it was made for; by default the plan's process, else what the program itself shows.",
)
@click.option(
    "--set",
    "settings",
    multiple=True,
    type=KeyValue("FIELD=VALUE"),
    help="Change one setting of the process. Repeatable.",
)
@click.option(
    "--bed",
    type=_BedSize(),
    metavar="WxD[xH][,centre]",
    help="The machine's bed in mm, where no process names it; 'centre' where it counts from the middle.",
)
@click.option("--volumetric", is_flag=True, help="E words count mm³ of plastic, not mm of filament.")
@click.option(
    "--worst",
    type=click.Choice(LEVELS),
    default="caution",
    show_default=True,
    help="Exit with 1 only for findings worse than this.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Write the findings, with a picture of each, as one page into this HTML file.",
)
@ledger_option
@json_option
@click.pass_obj
@collected(Audited, "audited")
def audit_command(session: Session, audited: Audited, worst: str, out: Path | None, as_json: bool) -> int:
    """Read PROGRAM (RS-274 text, plain or packed by gzip or zip) as the machine will: rebuild what is laid,
    and judge each strand by what lies beneath it. Comments are not looked at, and nothing is changed or sent.

    Exit codes: 0 nothing worse than --worst; 1 worse findings; 2 it could not be audited.
    """
    session.as_json = as_json
    session.refusal = _NOT_AUDITED
    plan_folder, part = audited.plan_folder, audited.part
    if plan_folder is not None and part is not None:
        raise click.UsageError("Give --plan or --part, not both")
    if audited.settings and audited.process_name is None:
        raise click.UsageError("--set changes a process: name it with --process")
    if out is not None:
        from falsework.files.atomic import PAGE_MARK, check_replaceable

        check_replaceable(out, PAGE_MARK, "page")  # before the work, not after it
        if out.exists() and audited.program.exists() and out.samefile(audited.program):
            raise click.UsageError(f"--out {out} is the program itself: give another name for the page")
    from falsework.cli.compiling import announced

    with announced(), session.progress() as watch:
        from falsework.auditing import FindingLevel, Reads, audit
        from falsework.cli.release import planned_again
        from falsework.process import load_process
        from falsework.request import Context

        named = audited.process_name
        process = chosen_process(named, audited.settings) if named is not None else None
        saved = _saved(plan_folder) if plan_folder is not None else None
        printed_with = process or (saved.process if saved is not None else load_process("pla-0.4"))
        belief = chosen_belief(printed_with, audited.ledger_name)
        plan = None
        if saved is not None and plan_folder is not None:
            plan = planned_again(saved, plan_folder, Context(belief, watch=watch.part(0.0, 0.2)))
        until = 0.8 if out is not None else 1.0
        result = audit(
            audited.program,
            plan,
            part,
            process=process,
            belief=belief,
            reads=Reads(audited.volumetric, audited.bed),
            watch=watch.part(0.2, until),
        )
        if out is not None:
            from falsework.files.atomic import atomic_file
            from falsework.report import audit_html

            page = audit_html(result, watch.part(until, 1.0))
            with atomic_file(out) as aside:
                aside.write_text(page, "utf-8")
            session.written = out
    if as_json:
        click.echo(result.to_json(), nl=False)
    else:
        from falsework.cli import say_audit

        say_audit.audit(result)
        if session.written is not None:
            click.echo(f"Written to {session.written}")
    return 1 if result.worse_than(FindingLevel(worst)) else 0


def _saved(folder: Path) -> Plan:
    """The plan that was written into a folder, without its geometry."""
    from falsework.errors import PartError
    from falsework.files.folder import PLAN
    from falsework.planning.value import Plan

    path = folder / PLAN
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        cure = "Give the folder that 'falsework plan' wrote"
        raise PartError(str(folder), f"holds no {PLAN} that can be read", cure) from None
    return Plan.from_json(text, str(path))
