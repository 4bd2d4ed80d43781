"""``falsework lie``: how the part should lie on the bed, and what other ways would cost."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.asked import AskedOptions, collected
from falsework.cli.options import (
    cores_option,
    device_option,
    json_option,
    marks_options,
    part_options,
    spare_option,
    weigh_option,
)
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.orientation.value import Orientation

LIES, PAGE = "lies.json", "lies.html"


@click.command("lie", short_help="Find the best position of a part on the bed.")
@part_options
@marks_options
@spare_option
@click.option(
    "--directions",
    type=click.IntRange(50, 200_000),
    help="Directions looked at: 2000; 50 000 with --device gpu. Resting faces come on top.",
)
@device_option
@cores_option
@weigh_option
@click.option(
    "--out", type=click.Path(path_type=Path), help=f"Folder to write {LIES} and {PAGE} to, with pictures."
)
@json_option
@click.pass_obj
@collected(AskedOptions, "asked")
def lie_command(
    session: Session,
    asked: AskedOptions,
    directions: int | None,
    device: str,
    out: Path | None,
    as_json: bool,
) -> None:
    """Search for the positions on the bed ('lies' for short) in which PART costs least in supports, time,
    marks and risk, and show them beside today's, the position in its file.

    Marks in a file beside the part (cowl.stl: cowl.lie.toml) count where the options say nothing.
    """
    session.as_json = as_json
    asked.check()  # before the work, not after it
    if out is not None:
        from falsework.files.atomic import check_folder

        check_folder(out, mark=LIES)

    from falsework.cli.compiling import announced

    with announced(), session.progress(asked.too_large) as watch:
        request = asked.request(searches=True)

        from falsework.orientation import Search
        from falsework.part import place
        from falsework.planning.orienting import orientations_for
        from falsework.planning.pipeline import raw_part
        from falsework.planning.value import orientations_json
        from falsework.request import Context

        request = asked.read(request, watch.part(0.0, 0.1), turnable=True)
        raw, wish = raw_part(request, watch.part(0.1, 0.1)), request.wish
        placed = place(raw, scale=request.placing.scale, bed_mm=wish.bed_mm)
        context = Context(watch=watch.part(0.1, 0.8), cores=asked.cores, device=device)
        lies = orientations_for(placed, wish, context, Search(directions))
        if out is not None:
            from falsework.files.atomic import atomic_folder
            from falsework.report import orientations_html

            text = orientations_html(lies, placed, wish.process, watch.part(0.8, 1.0))
            with atomic_folder(out, mark=LIES, own=(LIES, PAGE)) as aside:
                (aside / LIES).write_bytes(orientations_json(lies).encode("utf-8", "replace"))
                (aside / PAGE).write_bytes(text.encode("utf-8", "replace"))
            session.written = out
    if as_json:
        click.echo(orientations_json(lies), nl=False)
        return
    from falsework.cli import say

    say.lies(lies)
    say.say()
    say.say(_how_to_use(asked, lies.recommended))
    if out is not None:
        say.say(f"Written to {out}: {LIES}, {PAGE}")


def _how_to_use(asked: AskedOptions, recommended: Orientation) -> str:
    import shlex

    from falsework.orientation import turn_text

    if not any(recommended.turn_deg):
        return "Nothing has to be turned: plan it as it came."
    words = [
        asked.part,
        f"--turn={turn_text(recommended)}",
        *(f"--spare={text}" for text in asked.spared),
    ]
    return f"To plan it so: falsework plan {shlex.join(words)}"
