"""The ledger: what was printed, what was read off it, and everything that was ever corrected."""

from falsework.ledger.ledger import Ledger
from falsework.ledger.rows import (
    Act,
    Coupon,
    Entry,
    Event,
    Imported,
    Photograph,
    Plan,
    Print,
    Recorded,
    Source,
    Spool,
    StoredFit,
    Tray,
    Version,
)
from falsework.ledger.tray import Given

__all__ = [
    "Act",
    "Coupon",
    "Entry",
    "Event",
    "Given",
    "Imported",
    "Ledger",
    "Photograph",
    "Plan",
    "Print",
    "Recorded",
    "Source",
    "Spool",
    "StoredFit",
    "Tray",
    "Version",
]
