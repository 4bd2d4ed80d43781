"""Lies in words: why one is recommended, what the figures rest on, and the rows of a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from falsework.wording.figures import area, duration, given, given_unit, length, mass, number, share

if TYPE_CHECKING:
    from falsework.orientation.value import Orientation, Orientations

HEAD = (
    "position",
    "turn °",
    "total",
    "supports g",
    "filament g",
    "time",
    "needs support",
    "comes off",
    "stands",
    "on the bed",
    "height mm",
    "across layers",
    "ready",
)


def shown(lies: Orientations) -> list[Orientation]:
    """Every lie that is shown, today's last unless it is among the best."""
    some = list(lies.front)
    for lie in (lies.recommended, lies.today):
        if lie not in some:
            some.append(lie)
    return some


def role(lie: Orientation, lies: Orientations) -> str:
    """What a lie is among those shown: 'recommended', 'today' or 'other'; it says how its spot is drawn."""
    if lie == lies.recommended:
        return "recommended"
    return "today" if lie == lies.today else "other"


def rows(lies: Orientations) -> list[tuple[str, ...]]:
    """Cells under ``HEAD`` for every lie shown."""
    return [_row(lie, lies) for lie in shown(lies)]


def _row(lie: Orientation, lies: Orientations) -> tuple[str, ...]:
    proof = lie.proof
    return (
        lie.label,
        turn_words(lie),
        f"{lie.price.total:.2f}" if proof else "–",
        number(lie.support_g, 1) if proof else "–",
        number(lie.filament_g, 1) if proof else "–",
        duration(lie.time_s) if proof else "–",
        area(lie.contact_mm2),
        comes_off(lie),
        stands(lie),
        area(proof.first_layer_mm2 if proof else lie.base_mm2),
        number(lie.height_mm, 0),
        "–" if lies.load_axis is None else share(lie.across_layers),
        ready(lie),
    )


def comes_off(lie: Orientation) -> str:
    """How its supports come off, in a few words."""
    if lie.proof is None:
        return "–"
    if not lie.proof.pieces:
        return "no support"
    hard = lie.proof.hard
    return f"{hard} of {lie.proof.pieces} hard" if hard else f"all {lie.proof.pieces}"


def stands(lie: Orientation) -> str:
    """Whether the part stands by itself while it is printed."""
    if lie.proof is None:
        return "–"
    if lie.proof.rim_mm > 0.0:
        return f"with a rim of {length(lie.proof.rim_mm)}"
    return "yes" if lie.proof.stands else "no"


def ready(lie: Orientation) -> str:
    """Whether it may be printed so."""
    if not lie.fits:
        return "does not fit"
    return "–" if lie.proof is None else "yes" if lie.proof.ready else "no"


def turn_text(lie: Orientation) -> str:
    """The turn as a plan takes it: x,y,z in degrees, every digit that counts."""
    return ",".join(_angle(angle) for angle in lie.turn_deg)


def turn_words(lie: Orientation) -> str:
    """The same for people, to a tenth of a degree: about x, then y, then z."""
    return ", ".join(given(angle, 1) for angle in lie.turn_deg)


def _angle(angle_deg: float) -> str:
    text = f"{angle_deg:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def why(lies: Orientations) -> str:
    """The recommendation as one plain sentence with the figures of the plans."""
    best, now = lies.recommended, lies.today
    text = _stays(best) if best.turn_deg == now.turn_deg else _turned(lies)
    if best.proof is not None and not best.proof.ready:
        text += f"; not ready to print all the same: {'; '.join(map(str, best.proof.why_not))}"
    return f"{lies.no_fit}. {text}" if lies.no_fit else text


def _stays(lie: Orientation) -> str:
    if lie.proof is None:
        return "It stays as it came"
    if not lie.proof.ready:
        return f"No better position than it came in was found: {_needs(lie)}, {duration(lie.time_s)} in all"
    return (
        f"The position it came in is best: {_needs(lie)}, {duration(lie.time_s)} in all; "
        "no other that may be printed as it is costs less"
    )


def _turned(lies: Orientations) -> str:
    best, now = lies.recommended, lies.today
    text = f"Turned by {turn_words(best)}°: {_needs(best)}, {duration(best.time_s)} in all"
    if now.proof is None:
        return f"{text}; as it came it does not fit ({now.misfit})"
    text += (
        f", a total of {best.price.total:.2f}; as it came {_needs(now)}, {duration(now.time_s)} in all, "
        f"a total of {now.price.total:.2f}"
    )
    if best.proof is not None and best.proof.stands != now.proof.stands:
        text += "; it stands, and as it came it may fall" if best.proof.stands else "; it may fall"
    if lies.marked and best.price.show < now.price.show:
        text += f"; {lies.marked} are marked less"
    if lies.load_axis is not None:
        text += f"; {share(best.across_layers)} of the load across the layers"
        text += f" instead of {share(now.across_layers)}"
    return text


def _needs(lie: Orientation) -> str:
    proof = lie.proof
    if proof is None or not proof.pieces:
        return (
            "it needs no support"
            if proof is None or not proof.bare
            else "nothing carries what starts in mid-air"
        )
    return f"its supports take {mass(lie.support_g)}"


def error(lies: Orientations) -> str:
    """What the figures rest on."""
    tolerance = given_unit(lies.thinned_mm, "mm")
    mesh = f"a mesh thinned within {tolerance}" if lies.thinned_mm > 0.0 else "the whole mesh"
    place = {"cpu": "", "gpu": " on a graphics processor"}.get(
        lies.device, " (the graphics processor failed: done without it)"
    )
    text = (
        f"searched{place} on {mesh} by {lies.cells} × {lies.cells} columns; every position shown was then "
        "planned in full, and its figures are those of its plan, but for the area needing support, which is "
        "that of the columns"
    )
    uneven = max(lie.uneven_share for lie in shown(lies))
    if uneven > 0.001:
        text += (
            f"; the mesh is open: up to {share(uneven)} of the columns leave it unevenly, and where "
            "undersides are missing their air is not counted"
        )
    return text
