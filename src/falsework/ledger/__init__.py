"""The ledger: what was printed, what was read off it, and everything that was ever corrected."""

from falsework.ledger.ledger import Ledger
from falsework.ledger.rows import (
    Act,
    Coupon,
    Entry,
    Photograph,
    Print,
    Recorded,
    Source,
    Spool,
    StoredFit,
    Version,
)

__all__ = [
    "Act",
    "Coupon",
    "Entry",
    "Ledger",
    "Photograph",
    "Print",
    "Recorded",
    "Source",
    "Spool",
    "StoredFit",
    "Version",
]
