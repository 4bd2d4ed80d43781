"""The tray's rows: what each work order comes to, whether it is ready, what is wrong with it."""

from __future__ import annotations

import json
from typing import Any

from falsework.bench.service import Service
from falsework.bench.sheets import Sheet
from falsework.bench.stages import BY_ITSELF, Stage
from falsework.bench.work import BRIEF

_UNKNOWN = dict.fromkeys(("size_mm", "time_s", "mass_g", "price", "ready"))
_MOST_KEPT = 2000

Brief = dict[str, Any]


class Briefs:
    """What the tray tells of plans, by their keys; each is read from the disk once."""

    def __init__(self) -> None:
        self._kept: dict[str, Brief] = {}

    def of(self, service: Service, key: str) -> Brief | None:
        """The brief of a plan, None where the plan is not there."""
        if key not in self._kept:
            path = service.results.file(key, BRIEF)
            if path is None:
                return None
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            self._kept[key] = json.loads(path.read_text("utf-8"))
        return self._kept[key]


def row(service: Service, briefs: Briefs, sheet: Sheet) -> dict[str, Any]:
    """One sheet as the tray shows it."""
    state, order = sheet.state, service.order(sheet)
    stages = {stage: service.scheduler.state(sheet.id, stage, order) for stage in Stage}
    brief = briefs.of(service, order.key(Stage.RELEASE)) if _is_ready(stages, Stage.RELEASE) else None
    told: dict[str, Any] = {**_UNKNOWN, "wrong": [], **(brief or {})}
    failed = next((stages[each]["error"] for each in BY_ITSELF if stages[each]["state"] == "failed"), None)
    if failed is not None:
        told |= {"ready": False, "wrong": [f"{failed['subject']}: {failed['wrong']}"]}
    at_work = next((stages[each] for each in BY_ITSELF if stages[each]["state"] == "running"), None)
    return {
        "id": sheet.id,
        "title": state["title"],
        "part_name": state["part"]["name"],
        "version": sheet.version,
        "created": sheet.created,
        "changed": sheet.changed,
        "stages": {stage.value: told_of["state"] for stage, told_of in stages.items()},
        "step": None if at_work is None else at_work["step"],
        "picture": order.key(Stage.PART) if _is_ready(stages, Stage.PART) else None,
        **told,
    }


def _is_ready(stages: dict[Stage, dict[str, Any]], stage: Stage) -> bool:
    return bool(stages[stage]["state"] == "ready")
