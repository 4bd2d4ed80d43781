"""``falsework inspect``: the mesh's health and what the part needs, without deciding anything."""

from __future__ import annotations

import click

from falsework.cli.asked import AskedOptions, collected
from falsework.cli.belief import ledger_option
from falsework.cli.options import cores_option, json_option, part_options, turn_option
from falsework.cli.session import Session


@click.command("inspect", short_help="Show the health of a part and its undersides.")
@part_options
@ledger_option
@turn_option
@cores_option
@json_option
@click.pass_obj
@collected(AskedOptions, "asked")
def inspect_command(session: Session, asked: AskedOptions, as_json: bool) -> None:
    """Show what PART's mesh is like and which of its undersides are printed over air. Writes nothing."""
    session.as_json = as_json
    request = asked.placed()

    from falsework.cli.compiling import announced

    with announced(), session.progress(asked.too_large) as watch:
        from falsework.planning import inspect_for

        request = asked.read(request, watch.part(0.0, 0.2))
        result = inspect_for(request, asked.context(watch.part(0.2, 1.0)))
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    from falsework.cli import say

    say.inspection(result)
