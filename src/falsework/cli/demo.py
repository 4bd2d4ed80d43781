"""``falsework demo``: plan the parts of the harbour museum's print room."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.session import Session
from falsework.wording import figures

if TYPE_CHECKING:
    from falsework.planning.value import Plan
    from falsework.watch import Watch

MARK, INDEX, TUNING = "demo.json", "index.html", "tuning"
LEDGER = "ledger.sqlite3"
NOTICE = (
    "The harbour museum and its parts are invented. All figures are predictions of the model; "
    "nothing of this has been printed."
)


@click.command("demo", short_help="Plan the demo parts, tune an invented printer, write it all.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("falsework-demo"),
    show_default=True,
    help="Folder to write.",
)
@click.pass_obj
def demo_command(session: Session, out: Path) -> None:
    """Make the parts of a small harbour museum, plan each, and write their files with an index.html; beside
    them a ledger of invented readings and what tuning makes of it."""
    from falsework.files.atomic import atomic_folder, check_folder

    check_folder(out, mark=MARK)

    from falsework.cli.compiling import announced

    plans: dict[str, Plan] = {}
    with announced(), session.progress() as watch:
        from falsework.cli.plan import report_file
        from falsework.files.folder import write_files
        from falsework.part.demo import demo_parts
        from falsework.planning import plan

        parts = {name.replace(" ", "-"): make for name, make in demo_parts().items()}
        with atomic_folder(out, mark=MARK, own=_own_names(parts)) as aside:
            for k, (name, make) in enumerate(parts.items()):
                stretch = watch.part(0.8 * k / len(parts), 0.8 * (k + 1) / len(parts))
                plans[name] = plan(make(), watch=stretch.part(0.0, 0.8))
                extra = report_file(plans[name], stretch.part(0.8, 0.95), NOTICE)
                (aside / name).mkdir()
                write_files(plans[name], aside / name, extra=extra, watch=stretch.part(0.95, 1.0))
            tuned_museum(aside / TUNING, watch.part(0.8, 0.95))
            index = {"schema": "falsework.demo/1", "notice": NOTICE, "parts": list(plans)}
            (aside / MARK).write_text(json.dumps(index, indent=1) + "\n", "utf-8")
            (aside / INDEX).write_text(index_html(plans, watch.part(0.95, 1.0)), "utf-8")
        session.written = out

    from falsework.cli import say

    head = ("part", "size mm", "undersides", "supported", "part g", "supports g", "time")
    rows = [(name, *_figures(result)) for name, result in plans.items()]
    say.table("The harbour museum's parts (predictions, nothing printed)", head, rows)
    say.say()
    say.say(NOTICE)
    say.say(f"The museum's tuning, from invented readings: {out / TUNING / 'tuning.html'}")
    say.say(f"Written to {out}; open {out / INDEX}")


def _own_names(parts: Iterable[str]) -> set[str]:
    """All that the demo writes, by its way from the folder."""
    from falsework.cli.tune import PAGE, PROCESS
    from falsework.cli.tune import TUNING as TUNED
    from falsework.files.folder import OWN_NAMES

    planned = {f"{part}/{name}" for part in parts for name in OWN_NAMES}
    return {INDEX, *planned, *(f"{TUNING}/{name}" for name in (PAGE, PROCESS, TUNED, LEDGER))}


def tuned_museum(folder: Path, watch: Watch) -> None:
    """The museum's invented ledger, and what tuning makes of it, in a new folder."""
    from falsework.cli.tune import next_piece, write_into
    from falsework.ledger import Ledger
    from falsework.tuning.museum import fill, museum_process
    from falsework.tuning.of_ledger import fit_ledger
    from falsework.tuning.results import tune

    folder.mkdir()
    ledger = Ledger.open(folder / LEDGER)
    fill(ledger, watch.part(0.0, 0.4))
    process = museum_process()
    found = tune(fit_ledger(ledger, process, watch=watch.part(0.4, 0.6)), process, watch=watch.part(0.6, 0.9))
    write_into(found, folder, watch.part(0.9, 1.0), piece=next_piece(found))


def _figures(result: Plan) -> tuple[str, ...]:
    from falsework.request.standing import Standing

    supported = sum(c.chosen is not Standing.LEAVE for c in result.choices)
    return (
        " × ".join(figures.number(v, 0) for v in result.part.size_mm),
        str(len(result.undersides)),
        str(supported),
        figures.number(result.part_cost.mass_g, 1),
        figures.number(result.support_cost.mass_g, 1),
        figures.duration(result.part_cost.time_s + result.support_cost.time_s),
    )


def index_html(plans: Mapping[str, Plan], watch: Watch) -> str:
    """The page of all demo parts, with pictures, that leads to their reports."""
    from falsework.report.gallery import gallery_html

    return gallery_html(
        "Parts of the harbour museum",
        NOTICE,
        {f"{name}/report.html": plan for name, plan in plans.items()},
        {f"{TUNING}/tuning.html": "Tuning: settings found with test pieces, from invented readings."},
        watch,
    )
