"""A redraw in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from falsework.orientation.value import Orientation
from falsework.orientation.words import turn_words
from falsework.redrawing.changes.draft import Refusal
from falsework.redrawing.features.candidates import Candidate
from falsework.redrawing.printed import Printed
from falsework.redrawing.value import Change
from falsework.request.marks import MarkedFaces
from falsework.wording import figures

CAUTION = (
    "The tool does not certify a part: loads and safety factors are the user's or a licensed engineer's. "
    "The smallest sections are horizontal ones, of the pieces that a change touches; they say nothing of "
    "how well layers hold together."
)
AS_IT_IS = "as it is"
BY_A_PERSON = ("redraw", "split")  # ways that someone must draw, or glue
SAME_SHARE = 0.02  # prices this near are the same: then less is done


def outcome(
    taken: Change | None, changes: Sequence[Change], declined: Sequence[Refusal], dropped: str = ""
) -> str:
    """What becomes of an underside, in a sentence; ``dropped``: why the proof of all took its changes out."""
    if taken is not None:
        return f"{taken.kind}: {taken.words}"
    proven = [c for c in changes if c.offered]
    spoils = next((c for c in changes if c.proven and c.touches), None)
    spoiling = max((r for r in declined if r.harms), key=lambda r: r.most_price or 0.0, default=None)
    if spoils is not None and not proven:
        return f"left: {spoils.kind} would do, but harms {'; '.join(spoils.touches)}: only on request"
    if spoiling is not None and not proven:
        harms = "; ".join(spoiling.harms)
        return f"left: {spoiling.kind} may do, but would harm {harms}: only on request"
    if proven:
        if dropped:
            return f"left: {proven[0].kind} would do by itself, but {dropped}"
        if proven[0].saved_price <= 0.0:
            return f"left: {proven[0].kind} would do, at more than it saves"
        return f"left, although {proven[0].kind} would do"
    if changes:
        first = changes[0]
        return f"left: the {first.kind} that was drawn does not hold: {first.faults[0]}"
    if declined:
        return f"left: no change can be made; {declined[0].kind}: {declined[0].why}"
    return "left: no kind of change was asked for"


def spared_words(spare: MarkedFaces, found: Sequence[Candidate]) -> list[str]:
    """What is spared, one phrase each."""
    words = {c.name: f"{c.name}, {c.words}" for c in found}
    named = [words.get(name, f"face set {name}") for name in spare.face_sets]
    return [
        *named,
        *(
            f"faces that look along ({', '.join(figures.number(v, 2) for v in direction)})"
            for direction in spare.directions
        ),
    ]


def orientation_words(lie: Orientation, printed: Printed) -> str:
    """One sentence on another way to lay the part."""
    count = printed.undersides
    left = f"{figures.counted(count, 'underside')} would need support" if count else "none needs support"
    return f"turned by {turn_words(lie)}°: {left}"


def best_of(prices: Mapping[str, float | None], least_saving: float = 0.0) -> tuple[str, str]:
    """Which way is cheapest, and a sentence. Earlier ones win where prices are the same; what takes a
    person's work (``BY_A_PERSON``) must save more than ``least_saving``."""
    all_ = {name: price for name, price in prices.items() if price is not None}
    as_it_is = all_[AS_IT_IS]
    known = {
        name: price
        for name, price in all_.items()
        if name not in BY_A_PERSON or price < as_it_is - least_saving
    }
    least = min(known.values())
    best = next(name for name, price in known.items() if price <= (1.0 + SAME_SHARE) * least)
    if best != AS_IT_IS:
        return (
            best,
            f"its total is {figures.price(known[best])}, printed as it is {figures.price(as_it_is)}",
        )
    saves = as_it_is - min(all_.values())
    if saves > SAME_SHARE * as_it_is:
        return best, (
            f"nothing saves more than {figures.price(saves)} of its {figures.price(as_it_is)}: "
            "less than it takes to look at a proposal"
        )
    return best, f"printing it as it is comes cheapest, at {figures.price(as_it_is)}"
