"""What ``falsework audit`` prints: the verdict, findings worst first, undersides, figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from falsework.cli.say import say, table

if TYPE_CHECKING:
    from falsework.auditing.value import Audit, Finding

_MOST_FINDINGS = 30
_MOST_UNDERSIDES = 20


def audit(result: Audit) -> None:
    """Everything that the command shows."""
    from falsework.report.audit import HEAD, figure_rows, underside_row

    say(result.verdict)
    shown = result.findings[:_MOST_FINDINGS]
    if shown:
        head = ("no.", "level", "layer", "height mm", "x, y mm", "lines", "finding")
        more = len(result.findings) - len(shown)
        some = f", the first {len(shown)} shown" if more else ""
        table(f"Findings, worst first ({len(result.findings)}{some})", head, [_row(f) for f in shown])
        say()
        say("What to do:")
        for cure in dict.fromkeys(f.cure for f in shown):
            numbers = ", ".join(str(f.number) for f in shown if f.cure == cure)
            say(f"  {cure} ({numbers}).")
    if result.undersides:
        rows = [underside_row(u) for u in result.undersides[:_MOST_UNDERSIDES]]
        table(f"Undersides, planned and found ({len(result.undersides)})", HEAD, rows)
    say()
    for name, found, planned in figure_rows(result):
        beside = f" (plan: {planned})" if planned else ""
        say(f"{name}: {found}{beside}".replace("\u00a0", " ").replace("\u202f", " "))


def _row(finding: Finding) -> tuple[str, ...]:
    place = finding.place
    says = f"{finding.kind}: {finding.says}"
    if place is None:
        lines = ", ".join(str(line) for line in finding.lines[:3]) + (", …" if len(finding.lines) > 3 else "")
        return str(finding.number), finding.level.value, "–", "–", "–", lines or "–", says
    a, b = place.lines
    x, y = place.at_mm
    return (
        str(finding.number),
        finding.level.value,
        str(place.layer),
        f"{place.z_mm:.2f}",
        f"{x:.1f}, {y:.1f}",
        str(a) if a == b else f"{a}–{b}",
        says,
    )
