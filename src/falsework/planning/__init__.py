"""Planning: the pipeline from a part to its ``Plan``, and the plan as a document."""

from falsework.planning.pipeline import inspect, plan
from falsework.planning.store import Store
from falsework.planning.value import Inspection, Plan

__all__ = ["Inspection", "Plan", "Store", "inspect", "plan"]
