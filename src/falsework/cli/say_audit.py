"""What ``falsework audit`` prints: the answer, five reasons at most, undersides, figures; the rest is
counted.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from falsework.cli.say import say, table

if TYPE_CHECKING:
    from falsework.auditing.value import Audit, Group

_MOST_UNDERSIDES = 20


def audit(result: Audit) -> None:
    """Everything that the command shows."""
    from falsework.report.audit import HEAD, figure_rows, underside_row
    from falsework.wording.figures import plain

    say(result.answer.says)
    for number, group in enumerate(result.answer.groups, 1):
        _group(result, number, group)
    _folded(result)
    if result.would_add:
        say()
        say(result.would_add)
    if result.undersides:
        rows = [underside_row(u) for u in result.undersides[:_MOST_UNDERSIDES]]
        table(f"Undersides, planned and found ({len(result.undersides)})", HEAD, rows)
    say()
    for name, found, planned in figure_rows(result):
        beside = f" (plan: {planned})" if planned else ""
        say(plain(f"{name}: {found}{beside}"))


def _group(result: Audit, number: int, group: Group) -> None:
    from falsework.report.audit import where
    from falsework.wording.figures import plain, sentence

    first = result.findings[group.findings[0] - 1]
    say()
    say(plain(f"{number}. {group.kind} ({group.level.value}): {sentence(group.says)}"))
    say(plain(f"   Where: {where(first)}."))
    say(plain(f"   What to do: {sentence(group.cure)}"))


def _folded(result: Audit) -> None:
    """What is not shown, counted by kind."""
    shown = {number for group in result.answer.groups for number in group.findings}
    rest = Counter(f.kind for f in result.findings if f.number not in shown)
    if rest:
        kinds = ", ".join(f"{n} × {kind}" if n > 1 else kind for kind, n in rest.items())
        say()
        say(f"Not shown ({sum(rest.values())}): {kinds}. The page (--out) and --json have them all.")
