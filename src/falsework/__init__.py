"""falsework: the bench for supports in filament printing.

::

    import falsework

    plan = falsework.plan("ventilator-cowl.stl", "pla-0.4")
    falsework.write_plan(plan, "cowl-plan")

Names are looked up when they are first used, so ``import falsework`` itself loads nothing heavy.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from falsework.version import __version__

if TYPE_CHECKING:
    from falsework.auditing import Audit, Level, audit
    from falsework.cost.cost import Cost
    from falsework.coupon.designing import design
    from falsework.coupon.reading import Condition, LetGo, Reading
    from falsework.coupon.value import Coupon, CouponKind
    from falsework.droop.belief import Belief
    from falsework.droop.estimate import Estimate
    from falsework.errors import (
        Cancelled,
        FalseworkError,
        LedgerError,
        OutputError,
        PartError,
        ProcessError,
        ProgramError,
    )
    from falsework.files.coupon import write_coupon
    from falsework.files.folder import write_plan
    from falsework.files.settings_sheet import settings_sheet
    from falsework.files.stl import write_stl
    from falsework.files.threemf import write_3mf
    from falsework.ledger import Ledger
    from falsework.lie import Lies, best_lies
    from falsework.need.underside import Kind, Underside
    from falsework.part import read_part
    from falsework.part.part import Part
    from falsework.planning import inspect, plan, plan_for
    from falsework.planning.value import Inspection, Plan
    from falsework.process import builtin_names, dump_process, load_process
    from falsework.process.settings import Material, Printer, Process, Structure
    from falsework.redrawing import ChangeKind, Redraw, redraw
    from falsework.release import Release
    from falsework.report import audit_html, lies_html, report_html
    from falsework.report.tuning import tuning_html
    from falsework.request import Context, MarkedFaces, Placing, Request, Standing, Store, Weights, Wish
    from falsework.tuning.belief import belief_of
    from falsework.tuning.fit import fit
    from falsework.tuning.posterior import Posterior
    from falsework.tuning.results import Tuned, tune
    from falsework.watch import Watch

_HOMES = {
    "falsework.auditing": ("Audit", "Level", "audit"),
    "falsework.cost.cost": ("Cost",),
    "falsework.coupon.designing": ("design",),
    "falsework.coupon.reading": ("Condition", "LetGo", "Reading"),
    "falsework.coupon.value": ("Coupon", "CouponKind"),
    "falsework.droop.belief": ("Belief",),
    "falsework.droop.estimate": ("Estimate",),
    "falsework.errors": (
        *("Cancelled", "FalseworkError", "LedgerError", "OutputError", "PartError", "ProcessError"),
        "ProgramError",
    ),
    "falsework.files.coupon": ("write_coupon",),
    "falsework.files.folder": ("write_plan",),
    "falsework.files.settings_sheet": ("settings_sheet",),
    "falsework.files.stl": ("write_stl",),
    "falsework.files.threemf": ("write_3mf",),
    "falsework.ledger": ("Ledger",),
    "falsework.lie": ("Lies", "best_lies"),
    "falsework.need.underside": ("Kind", "Underside"),
    "falsework.part": ("read_part",),
    "falsework.part.part": ("Part",),
    "falsework.planning": ("inspect", "plan", "plan_for"),
    "falsework.planning.value": ("Inspection", "Plan"),
    "falsework.process": ("builtin_names", "dump_process", "load_process"),
    "falsework.process.settings": ("Material", "Printer", "Process", "Structure"),
    "falsework.redrawing": ("ChangeKind", "Redraw", "redraw"),
    "falsework.release": ("Release",),
    "falsework.request": (
        *("Context", "MarkedFaces", "Placing", "Request", "Standing", "Store", "Weights", "Wish"),
    ),
    "falsework.report": ("audit_html", "lies_html", "report_html"),
    "falsework.report.tuning": ("tuning_html",),
    "falsework.tuning.belief": ("belief_of",),
    "falsework.tuning.fit": ("fit",),
    "falsework.tuning.posterior": ("Posterior",),
    "falsework.tuning.results": ("Tuned", "tune"),
    "falsework.watch": ("Watch",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Audit",
    "Belief",
    "Cancelled",
    "ChangeKind",
    "Condition",
    "Context",
    "Cost",
    "Coupon",
    "CouponKind",
    "Estimate",
    "FalseworkError",
    "Inspection",
    "Kind",
    "Ledger",
    "LedgerError",
    "LetGo",
    "Level",
    "Lies",
    "MarkedFaces",
    "Material",
    "OutputError",
    "Part",
    "PartError",
    "Placing",
    "Plan",
    "Posterior",
    "Printer",
    "Process",
    "ProcessError",
    "ProgramError",
    "Reading",
    "Redraw",
    "Release",
    "Request",
    "Standing",
    "Store",
    "Structure",
    "Tuned",
    "Underside",
    "Watch",
    "Weights",
    "Wish",
    "__version__",
    "audit",
    "audit_html",
    "belief_of",
    "best_lies",
    "builtin_names",
    "design",
    "dump_process",
    "fit",
    "inspect",
    "lies_html",
    "load_process",
    "plan",
    "plan_for",
    "read_part",
    "redraw",
    "report_html",
    "settings_sheet",
    "tune",
    "tuning_html",
    "write_3mf",
    "write_coupon",
    "write_plan",
    "write_stl",
]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'falsework' has no attribute {name!r}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
