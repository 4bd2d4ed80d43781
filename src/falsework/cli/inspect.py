"""``falsework inspect``: the mesh's health and what the part needs, without deciding anything."""

from __future__ import annotations

import click

from falsework.cli.belief import chosen_belief, ledger_option
from falsework.cli.options import chosen_process, json_option, part_options, turn_option
from falsework.cli.session import Session


@click.command("inspect", short_help="Show the health of a part and its undersides.")
@part_options
@ledger_option
@turn_option
@json_option
@click.pass_obj
def inspect_command(
    session: Session,
    part: str,
    process_name: str,
    settings: tuple[tuple[str, str], ...],
    scale: float,
    unit: str | None,
    ledger_name: str | None,
    turn_deg: tuple[float, float, float],
    as_json: bool,
) -> None:
    """Show what PART's mesh is like and which of its undersides are printed over air. Writes nothing."""
    session.as_json = as_json
    process = chosen_process(process_name, settings)

    from falsework.cli.compiling import announced

    with announced(), session.progress() as watch:
        from falsework.planning.pipeline import inspect

        result = inspect(
            part,
            process,
            turn_deg=turn_deg,
            scale=scale,
            unit=unit,
            belief=chosen_belief(process, ledger_name),
            watch=watch,
        )
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    from falsework.cli import say

    say.inspection(result)
