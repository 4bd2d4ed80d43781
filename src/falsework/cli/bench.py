"""``falsework bench``: the whole job in the browser, served from this machine."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.asked import collected
from falsework.cli.options import PlaceOption, usual_bench, usual_ledger
from falsework.cli.session import Session
from falsework.cores import own_cores

if TYPE_CHECKING:
    from falsework.bench.serving import Entrances


@dataclass(frozen=True)
class Served:
    """The options that say how the bench is served, as given."""

    port: int
    host: str
    folder: Path | None
    ledger: Path | None
    workers: int | None
    most_mb: int
    catalogues: tuple[Path, ...]
    public: str


@click.command("bench", short_help="Do the whole job in the browser.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8808, show_default=True, help="0 takes a free one."
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen on; 0.0.0.0 lets other machines of the print room in.",
)
@click.option(
    "--folder",
    cls=PlaceOption,
    usual=usual_bench,
    type=click.Path(path_type=Path, file_okay=False),
    help="Where sheets and uploaded parts are kept; in your own data folder if not given.",
)
@click.option(
    "--ledger",
    cls=PlaceOption,
    usual=usual_ledger,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The ledger that readings go to and predictions rest on; your own if not given.",
)
@click.option("--workers", type=click.IntRange(1, 64), help="Parts worked on at once; as many as cores.")
@click.option(
    "--most-mb", type=click.IntRange(1, 4096), default=512, show_default=True, help="Largest file to take."
)
@click.option(
    "--catalogue",
    "catalogues",
    multiple=True,
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="A folder of parts that may be screened from the bench, at /screenings. Repeatable.",
)
@click.option(
    "--public",
    metavar="URL",
    default="",
    help="The https address under which a web server in front of the bench passes requests on to it.",
)
@click.option("--no-open", is_flag=True, help="Print the address only; open no browser.")
@click.pass_obj
@collected(Served, "served")
def bench_command(session: Session, served: Served, no_open: bool) -> None:
    """Serve the bench and open it in the browser: drop a part, see what it needs, decide, take the files.

    Only this machine can reach it unless --host says otherwise. The address that is printed lets one
    browser in, once; from there others can be invited. Where a bench runs on the folder already, a fresh
    address of that one is printed. Stop it with Ctrl-C: sheets are kept.
    """

    from falsework.bench.service import BenchSettings
    from falsework.bench.serving import serve

    public = served.public.rstrip("/")
    if public and not public.startswith(("https://", "http://")):
        raise click.UsageError(
            "--public is an address as a browser shows it, such as https://bench.example.org"
        )
    settings = BenchSettings(
        folder=served.folder or usual_bench(),
        host=served.host,
        port=served.port,
        workers=served.workers or own_cores(),
        upload_bytes=served.most_mb << 20,
        ledger=served.ledger,
        catalogues=served.catalogues,
        public=public,
    )

    def ready(entrances: Entrances) -> None:
        _say(entrances)
        if not no_open:
            import webbrowser

            webbrowser.open(entrances.here)

    serve(settings, ready)


def _say(entrances: Entrances) -> None:
    """The one-time addresses; where others may come in, what they send in the clear and how to hide it."""
    from falsework.bench.reach import as_terminal_picture

    if entrances.running:
        click.echo(
            "The bench is running already; this lets one more browser in, once, within a quarter of an hour."
        )
    click.echo(f"The bench is open at {entrances.here}")
    if not entrances.others:
        return
    click.echo("For one phone or one other machine, once:")
    for address in entrances.others:
        click.echo(f"  {address}")
    click.echo(as_terminal_picture(entrances.others[0]))
    if not entrances.others[0].startswith("https://"):
        click.echo(
            "Others on this network can reach it; what they send (parts, notes, cookies) is not encrypted. "
            "To hide it, put a web server with a certificate in front and start the bench with --public: "
            "see docs/bench.md.",
            err=True,
        )
