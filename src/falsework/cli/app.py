"""The command group, and the one place where errors become messages and exit codes."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence

import click

from falsework.cli.audit import audit_command
from falsework.cli.bench import bench_command
from falsework.cli.cautions import cautions_command, remind
from falsework.cli.coupon import coupon_command
from falsework.cli.demo import demo_command
from falsework.cli.inspect import inspect_command
from falsework.cli.ledger import ledger_command
from falsework.cli.lie import lie_command
from falsework.cli.plan import plan_command
from falsework.cli.process import process_command
from falsework.cli.record import record_command
from falsework.cli.redraw import redraw_command
from falsework.cli.release import release_command
from falsework.cli.screen import screen_command
from falsework.cli.session import Session, stoppable
from falsework.cli.tune import tune_command
from falsework.errors import Cancelled, FalseworkError, PartError, ProgramError
from falsework.version import __version__

DONE, REFUSED, WRONG_USAGE, OWN_FAULT = 0, 1, 2, 3
UNREADABLE = 2  # a machine program: 1 says that it was read and something was found
TRACEBACK = "FALSEWORK_TRACEBACK"


@click.group(
    commands=[
        plan_command,
        lie_command,
        release_command,
        redraw_command,
        screen_command,
        inspect_command,
        demo_command,
        process_command,
        coupon_command,
        record_command,
        ledger_command,
        audit_command,
        tune_command,
        bench_command,
        cautions_command,
    ],
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=(
        "Exit codes: 0 done; 1 the part or a value was refused, or the work was stopped; 2 wrong usage; "
        "3 a fault of falsework's own."
    ),
)
@click.version_option(__version__, prog_name="falsework", message="%(prog)s %(version)s")
def group() -> None:
    """Plan the supports of parts printed in filament: which undersides need help, where it may stand,
    how it is built and what it costs."""


@group.result_callback()
@click.pass_context
def _end(ctx: click.Context, code: object, **_: object) -> object:
    if not ctx.obj.as_json:
        remind(ctx.invoked_subcommand)
    return code


def run(arguments: Sequence[str]) -> int:
    """Run the command line and return its exit code.

    A refusal is one sentence on stderr; with ``--json`` it is ``{"error": {kind, subject, wrong, cure}}`` on
    stdout instead, so that stdout always holds one JSON document. Wrong usage is always plain text on stderr.
    """
    with stoppable() as session:
        try:
            code = group.main(list(arguments), prog_name="falsework", standalone_mode=False, obj=session)
            sys.stdout.flush()
            return code if isinstance(code, int) else DONE
        except click.ClickException as error:
            error.show()
            return error.exit_code
        except (click.Abort, KeyboardInterrupt, Cancelled):
            return _stopped(session)
        except FalseworkError as error:
            return _refused(session, error)
        except MemoryError as error:
            from falsework.cli.guard import CURE, OverBudget

            why = str(error) if isinstance(error, OverBudget) else "there is not enough memory for it"
            return _refused(session, PartError("part", why, CURE))
        except BrokenPipeError:  # the reader of our output has gone, as with '| head'
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return REFUSED
        except Exception as error:
            return _own_fault(error)


def _stopped(session: Session) -> int:
    if session.written is None:
        text = "stopped; nothing was written"
    else:
        text = f"stopped; the results in {session.written} are complete"
    if session.as_json:
        _tell_json("Cancelled", "work", text, "")
    else:
        click.echo(text, err=True)
    return REFUSED


def _refused(session: Session, error: FalseworkError) -> int:
    if session.as_json:
        _tell_json(type(error).__name__, error.subject, error.wrong, error.cure)
    else:
        click.echo(str(error), err=True)
    if session.refusal is not None:
        return session.refusal
    return UNREADABLE if isinstance(error, ProgramError) else REFUSED


def _tell_json(kind: str, subject: str, wrong: str, cure: str) -> None:
    error = {"kind": kind, "subject": subject, "wrong": wrong, "cure": cure}
    click.echo(json.dumps({"error": error}, ensure_ascii=True, indent=1))


def _own_fault(error: Exception) -> int:
    if os.environ.get(TRACEBACK):
        import traceback

        traceback.print_exception(error)
    else:
        click.echo(
            f"falsework failed by a fault of its own ({type(error).__name__}: {error}). "
            f"Run again with {TRACEBACK}=1 to see where, and report that text with the part's file.",
            err=True,
        )
    return OWN_FAULT
