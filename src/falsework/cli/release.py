"""``falsework release``: how the supports of a plan come off, for the person at the table."""

from __future__ import annotations

from pathlib import Path

import click

from falsework.cli.options import json_option
from falsework.cli.session import Session


@click.command("release", short_help="Show how the supports of a plan come off, piece by piece.")
@click.argument("folder", type=click.Path(path_type=Path))
@json_option
@click.pass_obj
def release_command(session: Session, folder: Path, as_json: bool) -> None:
    """Show in which order the supports of the plan in FOLDER come off, how, and what to mind.

    It is read from plan.json, where the planning judged it; nothing is computed anew.
    """
    session.as_json = as_json
    from falsework.errors import PartError
    from falsework.files.folder import PLAN

    path = folder / PLAN
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        cure = "Give the folder that 'falsework plan' wrote"
        raise PartError(str(folder), f"holds no {PLAN} that can be read", cure) from None

    from falsework.cli.compiling import choose_cache

    choose_cache()
    from falsework.planning.value import Plan, release_json

    release = Plan.from_json(text, str(path)).release
    if release is None:
        raise PartError(str(path), "does not say how the supports come off", "Make the plan again")
    if as_json:
        click.echo(release_json(release), nl=False)
        return
    from falsework.cli import say

    say.release(release)
