"""``falsework process``: the built-in processes, as a list or as a file to start from."""

from __future__ import annotations

import click


@click.command("process", short_help="List the built-in processes, or print one as a process file.")
@click.argument("name", required=False, metavar="[NAME|FILE.toml]")
def process_command(name: str | None) -> None:
    """Without NAME list the built-in processes; with NAME print that process as TOML, every setting with
    its unit, range and meaning. Save the text, change it, and give the file to --process."""
    from falsework.process import builtin, builtin_names, dump_process, load_process

    if name is not None:
        click.echo(dump_process(load_process(name)), nl=False)
        return
    from falsework.cli import say

    head = ("name", "material", "nozzle mm", "layer mm", "line mm", "fan %")
    rows = []
    for known in builtin_names():
        p = builtin(known)
        figures = (p.nozzle_mm, p.layer_height_mm, p.line_width_mm, 100 * p.fan)
        rows.append((known, p.material.name, *(f"{figure:g}" for figure in figures)))
    say.table("Built-in processes", head, rows)
