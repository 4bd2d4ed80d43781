"""The ledger: what was printed, what was read off it, and everything that was ever corrected."""

from falsework.ledger.ledger import Ledger
from falsework.ledger.rows import (
    Act,
    Entry,
    HistoryEntry,
    Imported,
    Photograph,
    Print,
    PrinterEvent,
    Recorded,
    Source,
    Spool,
    StoredCoupon,
    StoredFit,
    StoredPlan,
    Tray,
)
from falsework.ledger.tray import Given

__all__ = [
    "Act",
    "Entry",
    "Given",
    "HistoryEntry",
    "Imported",
    "Ledger",
    "Photograph",
    "Print",
    "PrinterEvent",
    "Recorded",
    "Source",
    "Spool",
    "StoredCoupon",
    "StoredFit",
    "StoredPlan",
    "Tray",
]
