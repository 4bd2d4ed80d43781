"""What ``falsework redraw`` prints: the ways to print the part, and what is done about each underside."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from falsework.cli.say import say, table

if TYPE_CHECKING:
    from falsework.redrawing.features.candidates import Candidate
    from falsework.redrawing.value import Redraw


def redraw(result: Redraw) -> None:
    """Everything that the command shows."""
    from falsework.report.redraw import left_lines, notes, row, verdict, ways

    for line in verdict(result):
        say(_plain(line))
    rows = [(("> " if w.chosen else "") + w.name, w.said, w.asking, *w.printed) for w in ways(result)]
    head = ("way", "what is done", "undersides", "filament", "of which support", "time", "price in all")
    table("Ways to print it", head, [[_plain(cell) for cell in line] for line in rows])
    if result.treated:
        say()
        say("Undersides:")
    for treated in result.treated:
        cells = row(treated)
        say(f"  {cells.number}. {_plain(cells.what)}; support: {_plain(cells.support)}")
        say(f"     {_plain(cells.change)}")
        if cells.done:
            say(
                f"     volume {_plain(cells.volume)}; {_plain(cells.difference)}; "
                f"smallest section {_plain(cells.section)}"
            )
        if cells.by_hand:
            say(f"     By hand: {cells.by_hand}")
        for note in cells.notes:
            say(f"     Note: {_plain(note)}")
        for line in cells.dimensions:
            say(f"     To draw: {_plain(line)}")
        for one in cells.menu:
            if one.state in ("offered", "on request") and one.kind != "leave":
                harms = f"; harms {'; '.join(one.harms)}" if one.harms else ""
                hands = "" if one.hand in ("–", "none") else f", hand work {one.hand}"
                say(f"     Or {one.kind} ({one.state}): {_plain(one.difference)}{hands}{harms}")
    if result.treated:
        say("  --change N=KIND makes another one, as in --change 1=leave; so is made what is on request.")
    for line in left_lines(result):
        say(f"  Not drawn for: {_plain(line)}")
    for line in notes(result):
        say(f"Note: {_plain(line)}")
    if not result.spared and result.candidates:
        names = [one.name for one in result.candidates]
        some = ", ".join(names[:6]) + (", …" if len(names) > 6 else "")
        say(f"No face was said to stay as it is; --spare takes these: {some} (--faces lists them).")


def faces(found: Sequence[Candidate], *, err: bool = False) -> None:
    """The faces that can be named."""
    if not found:
        click.echo("No bore, pin or large flat face was found.", err=err)
        return
    click.echo("Faces that may have to stay as they are:", err=err)
    width = max(len(one.name) for one in found)
    for one in found:
        click.echo(f"  {one.name.ljust(width)}  {one.words}", err=err)


def _plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("\u202f", " ")
