"""What the terms of the price are reckoned from: severity of droop and marks, chances of failure, hand work.

The constants are constructed: plain values in the range of common practice, to be replaced by what the print
room's own readings say. They decide between options; no length, volume or time on the machine depends on
them.
"""

from __future__ import annotations

from collections.abc import Iterable

from falsework.cost.cost import Cost
from falsework.need.underside import Underside, UndersideKind
from falsework.objective.price import Price
from falsework.process.settings import Process
from falsework.request.weights import Weights

SPOILT_DROOP_MM = 1.0  # droop at which a surface counts as wholly spoilt (constructed)
ROUGHNESS = 0.10  # share of a carried surface's worth that the marks of the support take (constructed)
SCAR = 0.30  # the same where a support stood on the part and was broken off (constructed)
FAILS_FROM_MM = 3.0  # droop, or ...
FAILS_FROM_LAYERS = 10.0  # ... layers of droop, the larger, from which the print is in danger (constructed)
FAILURE_CHANCE = 0.8  # that an island, or twice the droop above, ruins the part when left alone (constructed)
TOPPLE_CHANCE = 0.9  # that a part with nothing to hold it upright falls before it is done (constructed)
MOST_CHANCE = 0.95  # that is reckoned with: nothing is tried more than twenty times
WEAK_CHANCE = 0.3  # that a piece of support which fails a check brings the print down (constructed)
NARROW_CHANCE = 0.8  # that a part whose first layer is too narrow to print comes off the bed (constructed)
RIM_CHANCE = 0.65  # that a part which nothing but a rim holds upright comes off with it (constructed)
TEAR_CHANCE = 0.3  # that a support which may be the stronger takes some of the part along (constructed)

MINUTES_A_RIM = 1.0  # cutting a rim off the first layer
MINUTES_A_LIFT = 0.1  # the part is lifted and the piece stays on the bed (constructed, as what follows)
MINUTES_BY_HAND = 0.4  # a piece that fingers pull off
MINUTES_BY_TOOL = 1.0  # a piece that takes pliers
MINUTES_A_BLOCK = 0.7  # each block of a piece that must be broken up
MINUTES_A_CM2_PICKED = 4.0  # of contact of a piece that comes out in bits
MINUTES_A_SCAR_CM2 = 0.3  # cleaning off what stays where a support stood on the part


def printing_price(cost: Cost, process: Process, weights: Weights) -> Price:
    """Filament and machine time of a cost, with the same weights."""
    return Price(
        filament=weights.filament * cost.mass_g / 1000.0 * process.material.price_per_kg,
        time=weights.time * cost.time_s / 3600.0 * process.printer.price_per_hour,
    )


def droop_severity(droop_mm: float) -> float:
    """Share of a surface's worth that droop takes: in proportion, all of it from ``SPOILT_DROOP_MM``."""
    return min(1.0, max(0.0, droop_mm / SPOILT_DROOP_MM))


def contact_severity(supported_droop_mm: float) -> float:
    """The same for a carried surface: its droop onto the support, and the support's marks."""
    return min(1.0, ROUGHNESS + droop_severity(supported_droop_mm))


def failure_chance(underside: Underside, layer_height_mm: float) -> float:
    """Chance that the underside, left to itself, ruins the part.

    ``FAILURE_CHANCE`` for an island; none up to a droop of ``FAILS_FROM_MM`` or ``FAILS_FROM_LAYERS`` layers,
    the larger of the two; from there in proportion, up to ``FAILURE_CHANCE`` at twice that droop.
    """
    if underside.kind is UndersideKind.ISLAND:
        return FAILURE_CHANCE
    if underside.kind is UndersideKind.HOLDS:
        return 0.0
    limit_mm = max(FAILS_FROM_MM, FAILS_FROM_LAYERS * layer_height_mm)
    return FAILURE_CHANCE * min(1.0, max(0.0, underside.droop_mm.value / limit_mm - 1.0))


def hand_minutes(by_hand: bool, scar_mm2: float) -> float:
    """Minutes that a support is expected to take off, before it is built: one that stands on the bed alone
    comes by hand, one that stands on the part takes a tool and leaves a scar to smooth."""
    return (MINUTES_BY_HAND if by_hand else MINUTES_BY_TOOL) + scar_mm2 / 100.0 * MINUTES_A_SCAR_CM2


def expected_loss(chance: float, printing: float) -> float:
    """What failing costs: a print that fails with such a chance is printed 1 / (1 − chance) times until it
    succeeds (geometric distribution), and all but the last are lost."""
    chance = min(max(chance, 0.0), MOST_CHANCE)
    return chance / (1.0 - chance) * printing


def any_of(chances: Iterable[float]) -> float:
    """Chance that at least one of several independent things happens."""
    none = 1.0
    for chance in chances:
        none *= 1.0 - min(max(chance, 0.0), 1.0)
    return 1.0 - none
