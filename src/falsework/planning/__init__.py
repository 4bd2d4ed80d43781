"""Planning: the pipeline from a part to its ``Plan``, and the plan as a document."""

from falsework.planning.pipeline import inspect, judged, placed_part, plan, totals
from falsework.planning.store import Store
from falsework.planning.value import Inspection, Plan, Totals

__all__ = ["Inspection", "Plan", "Store", "Totals", "inspect", "judged", "placed_part", "plan", "totals"]
