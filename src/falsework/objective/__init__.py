"""Objective: the one price by which everything is chosen, and what its terms are reckoned from.

The search for a lie, the choice of standings, a plan, a redraw and the tables of all of them add up the same
terms with the same constants; ``docs/price.md`` lists them.
"""

from falsework.objective.price import PARTS, Price
from falsework.objective.worth import (
    FAILURE_CHANCE,
    MINUTES_A_BLOCK,
    MINUTES_A_CM2_PICKED,
    MINUTES_A_LIFT,
    MINUTES_A_RIM,
    MINUTES_A_SCAR_CM2,
    MINUTES_BY_HAND,
    MINUTES_BY_TOOL,
    MOST_CHANCE,
    NARROW_CHANCE,
    RIM_CHANCE,
    SCAR,
    TEAR_CHANCE,
    TOPPLE_CHANCE,
    WEAK_CHANCE,
    any_of,
    contact_severity,
    droop_severity,
    expected_loss,
    failure_chance,
    hand_minutes,
    printing_price,
)

__all__ = [
    "FAILURE_CHANCE",
    "MINUTES_A_BLOCK",
    "MINUTES_A_CM2_PICKED",
    "MINUTES_A_LIFT",
    "MINUTES_A_RIM",
    "MINUTES_A_SCAR_CM2",
    "MINUTES_BY_HAND",
    "MINUTES_BY_TOOL",
    "MOST_CHANCE",
    "NARROW_CHANCE",
    "PARTS",
    "RIM_CHANCE",
    "SCAR",
    "TEAR_CHANCE",
    "TOPPLE_CHANCE",
    "WEAK_CHANCE",
    "Price",
    "any_of",
    "contact_severity",
    "droop_severity",
    "expected_loss",
    "failure_chance",
    "hand_minutes",
    "printing_price",
]
