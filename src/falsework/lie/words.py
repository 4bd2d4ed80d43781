"""Lies in words: why one is recommended, how far the figures may be off, and the rows of a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from falsework.lie.body import STEADY_DEG
from falsework.wording import figures

if TYPE_CHECKING:
    from falsework.lie.value import Lie, Lies

AT_ONCE_DEG = 0.5  # what topples at less of a lean does not stand
HEAD = (
    "lie",
    "turn °",
    "price",
    "supports g",
    "marks cm²",
    "out of reach cm²",
    "show marks cm²",
    "height mm",
    "time",
    "filament g",
    "topples at °",
    "bridge mm",
    "across layers",
    "fits",
)


def shown(lies: Lies) -> list[Lie]:
    """Every lie that is shown, today's last unless it is among the best."""
    some = list(lies.front)
    for lie in (lies.recommended, lies.today):
        if lie not in some:
            some.append(lie)
    return some


def rows(lies: Lies) -> list[tuple[str, ...]]:
    """Cells under ``HEAD`` for every lie shown."""
    return [_row(lie, lies) for lie in shown(lies)]


def _row(lie: Lie, lies: Lies) -> tuple[str, ...]:
    show = lie.show_bed_mm2 if lie.standing == "bed" else lie.show_any_mm2
    return (
        lie.label,
        turn_words(lie),
        figures.number(lie.price.total, 2),
        figures.number(lie.support_g, 1),
        figures.number(lie.contact_mm2 / 100.0, 1),
        figures.number(lie.unreached_mm2 / 100.0, 1),
        figures.number(show / 100.0, 1) if lies.marked else "–",
        figures.number(lie.height_mm, 0),
        figures.duration(lie.time_s),
        figures.number(lie.filament_g, 1),
        figures.number(lie.lean_deg, 0) if lie.lean_deg >= AT_ONCE_DEG else "at once",
        figures.number(lie.longest_bridge_mm, 0),
        "–" if lies.load_axis is None else figures.share(lie.across_layers),
        "yes" if lie.fits else "no",
    )


def turn_text(lie: Lie) -> str:
    """The turn as a plan takes it: x,y,z in degrees."""
    return ",".join(f"{angle:.4f}".rstrip("0").rstrip(".") for angle in lie.turn_deg)


def turn_words(lie: Lie) -> str:
    """The turn for people, in whole degrees."""
    return ", ".join(f"{round(angle)}" for angle in lie.turn_deg)


def why(lies: Lies) -> str:
    """The recommendation as one plain sentence with its figures."""
    return f"{lies.no_fit}. {_why(lies)}" if lies.no_fit else _why(lies)


def _why(lies: Lies) -> str:
    best, now = lies.recommended, lies.today
    if best.up == now.up and best.turn_deg == now.turn_deg:
        tail = "it needs no support" if best.needs_no_support else _needs(best)
        time = figures.duration(best.time_s)
        return f"As it lies now is best: {tail}, {time} in all; no lie searched is cheaper by 2 %"
    turned = f"Turned by {turn_words(best)}°:"
    if best.needs_no_support:
        head = f"{turned} it needs no support"
        then = " either" if now.needs_no_support else f"; as it lies now {_needs(now)}"
        text = head + then
    elif now.needs_no_support:
        text = f"{turned} {_needs(best)}, although as it lies now it needs none"
    else:
        text = (
            f"{turned} its supports take {figures.mass(best.support_g)} and mark "
            f"{figures.area(best.contact_mm2)}, "
            f"as it lies now {figures.mass(now.support_g)} and {figures.area(now.contact_mm2)}"
        )
    text += f"; {figures.duration(best.time_s)} in all instead of {figures.duration(now.time_s)}"
    if now.lean_deg < STEADY_DEG and best.lean_deg > now.lean_deg + 1.0:
        text += f"; it topples {_topples(best)} instead of {_topples(now)}"
    if lies.marked and best.show_any_mm2 < now.show_any_mm2:
        marked = figures.area(best.show_any_mm2)
        text += f"; {lies.marked} marked {marked} instead of {figures.area(now.show_any_mm2)}"
    if lies.load_axis is not None:
        text += (
            f"; {figures.share(best.across_layers)} of the load across the layers "
            f"instead of {figures.share(now.across_layers)}"
        )
    if best.fits and not now.fits:
        text += f"; as it lies now it does not fit ({now.misfit})"
    return text


def error(lies: Lies) -> str:
    """What the figures rest on, and how they compare with the layers of a plan."""
    best, now, cells, thinned_mm = lies.recommended, lies.today, lies.cells, lies.thinned_mm
    mesh = (
        f"a mesh thinned within {figures.given_unit(thinned_mm, 'mm')}"
        if thinned_mm > 0.0
        else "the whole mesh"
    )
    text = (
        f"searched on {mesh}; figures shown are sums over {cells} × {cells} columns of the whole mesh; "
        "support volumes meet those of a plan's layers within 10 % and a layer under every underside; under "
        "lower edges they are rougher; "
        "filament of the part is estimated within 10 %, its time within 20 %"
    )
    uneven = max(best.uneven_share, now.uneven_share)
    if uneven > 0.001:
        text += (
            f"; the mesh is open: up to {figures.share(uneven)} of the columns leave it unevenly, and where "
            "undersides are missing their air is not counted"
        )
    compared = [
        f"{name} {figures.area(lie.contact_mm2)} against {figures.area(lie.layers.contact_mm2)}"
        for name, lie in (("recommended", best), ("as it lies now", now))
        if lie.layers is not None
    ]
    if compared:
        text += "; undersides in need by columns against layers: " + ", ".join(dict.fromkeys(compared))
    return text


def _needs(lie: Lie) -> str:
    return f"it needs {figures.mass(lie.support_g)} of support under {figures.area(lie.contact_mm2)}"


def _topples(lie: Lie) -> str:
    return f"at {figures.with_unit(lie.lean_deg, '°', 0)}" if lie.lean_deg >= AT_ONCE_DEG else "at once"
