"""``falsework cautions``: what can hurt people around a printer, and the line that leads there."""

from __future__ import annotations

import click

LEADS_TO_HANDLING = (
    *("plan", "lie", "release", "redraw", "demo"),
    *("coupon", "record", "audit", "tune", "screen"),
)
"""Commands after which someone prints, or reaches into the machine, or takes supports off."""


@click.command("cautions", short_help="Say what can hurt people around the machine, and what to do about it.")
@click.option(
    "--process",
    "process_name",
    metavar="NAME|FILE.toml",
    help="Say the temperatures and the fumes of this process as well.",
)
def cautions_command(process_name: str | None) -> None:
    """Say what can hurt people who print, take supports off or use the part, and what to do about it. The
    maker's manual and local rules come first."""
    from falsework.cli import say
    from falsework.wording.cautions import RULES, CautionedTask, PrintFacts, cautions
    from falsework.wording.figures import plain, sentence

    job = PrintFacts()
    if process_name is not None:
        from falsework.planning.handling import job_of
        from falsework.process import load_process

        job = job_of(load_process(process_name))
    for caution in cautions(*CautionedTask, job=job):
        say.say(f"- {plain(sentence(caution.line))}")
    say.say(f"- {RULES}")


def remind(command: str | None) -> None:
    """One line on stderr after a command that leads to handling."""
    if command in LEADS_TO_HANDLING:
        from falsework.wording.cautions import ONE_LINE

        click.echo(ONE_LINE, err=True)
