"""``falsework bench``: the whole job in the browser, served from this machine."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import click

from falsework.cli.asked import collected
from falsework.cli.session import Session

_LOOPBACK = ("127.0.0.1", "::1", "localhost")


@dataclass(frozen=True)
class Served:
    """The options that say how the bench is served, as given."""

    port: int
    host: str
    folder: Path | None
    ledger: Path | None
    workers: int | None
    most_mb: int


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
    type=click.Path(path_type=Path, file_okay=False),
    help="Where sheets and uploaded parts are kept; your own data folder if not given.",
)
@click.option(
    "--ledger",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The ledger that readings go to and predictions rest on; your own if not given.",
)
@click.option("--workers", type=click.IntRange(1, 64), help="Parts worked on at once; as many as cores.")
@click.option(
    "--most-mb", type=click.IntRange(1, 4096), default=512, show_default=True, help="Largest file to take."
)
@click.option("--no-open", is_flag=True, help="Print the address only; open no browser.")
@click.pass_obj
@collected(Served, "served")
def bench_command(session: Session, served: Served, no_open: bool) -> None:
    """Serve the bench and open it in the browser: drop a part, see what it needs, decide, take the files.

    Only this machine can reach it unless --host says otherwise. The address that is printed lets one
    browser in, once; from there others can be invited. Stop it with Ctrl-C: sheets are kept.
    """

    from falsework.bench.service import BenchSettings
    from falsework.bench.serving import serve
    from falsework.ledger.place import data_folder

    settings = BenchSettings(
        folder=served.folder or data_folder() / "bench",
        host=served.host,
        port=served.port,
        workers=served.workers or os.cpu_count() or 1,
        upload_bytes=served.most_mb << 20,
        ledger=served.ledger,
    )

    def ready(address: str) -> None:
        click.echo(f"The bench is open at {address}")
        if served.host not in _LOOPBACK:
            click.echo("Others on this network can reach it; what they send is not encrypted.", err=True)
        if not no_open:
            import webbrowser

            webbrowser.open(address)

    serve(settings, ready)
