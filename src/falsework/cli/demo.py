"""``falsework demo``: plan the parts of the harbour museum's print room."""

from __future__ import annotations

import json
from collections.abc import Iterable
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
            tuned_museum(aside / TUNING, watch.part(0.8, 1.0))
            index = {"schema": "falsework.demo/1", "notice": NOTICE, "parts": list(plans)}
            (aside / MARK).write_text(json.dumps(index, indent=1) + "\n", "utf-8")
            (aside / INDEX).write_text(index_html(plans), "utf-8")
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


def index_html(plans: dict[str, Plan]) -> str:
    """The page that links the reports of all demo parts."""
    from html import escape

    head = ("part", "size, mm", "undersides", "supported", "part, g", "supports, g", "time")
    rows = "\n".join(
        f'<tr><th scope="row"><a href="{escape(name)}/report.html">{escape(result.part.name)}</a></th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in _figures(result))
        + "</tr>"
        for name, result in plans.items()
    )
    titles = "".join(f'<th scope="col">{escape(title)}</th>' for title in head)
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Parts of the harbour museum</title>
<style>
:root {{ --table: #dfdbd0; --paper: #fbf9f3; --ink: #22282b; --rule: #b9b3a4; --link: #0b5c8a; }}
@media (prefers-color-scheme: dark) {{
  :root {{ --table: #16191b; --paper: #23282a; --ink: #e9e5da; --rule: #565c5d; --link: #8fd0f5; }}
}}
body {{ margin: 0; background: var(--table); color: var(--ink);
  font: 1rem/1.5 "Source Sans 3", Arial, sans-serif; }}
main {{ max-width: 62rem; margin: 1.5rem auto; padding: 2rem; background: var(--paper);
  border: 1px solid var(--rule); }}
h1 {{ font: 600 2rem/1.15 Palatino, Georgia, serif; margin: 0 0 1rem; }}
a {{ color: var(--link); }}
table {{ border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }}
th, td {{ padding: .4rem .6rem; text-align: right; white-space: nowrap;
  border-bottom: 1px solid var(--rule); }}
th:first-child {{ text-align: left; }}
.scroll {{ overflow-x: auto; }}
</style>
</head>
<body>
<main>
<h1>Parts of the harbour museum</h1>
<p>{escape(NOTICE)}</p>
<p><a href="{TUNING}/tuning.html">Tuning</a>: settings found with test pieces, from invented readings.</p>
<div class="scroll" tabindex="0" role="region" aria-label="Parts and their plans">
<table>
<thead><tr>{titles}</tr></thead>
<tbody>
{rows}
</tbody>
</table>
</div>
</main>
</body>
</html>
"""
