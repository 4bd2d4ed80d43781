"""``Printed``: what a plan says of a part or a piece in its orientation, in one price."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.cost import price as price_of
from falsework.cost.cost import Cost
from falsework.planning.value import Plan, Totals
from falsework.process.settings import Process
from falsework.redrawing.site.ground import DAB_WIDTHS2, asks
from falsework.request.weights import Weights


@dataclass(frozen=True)
class Printed:
    """What a plan says of a part or piece as it lies: by layers, supports as chosen."""

    part: Cost
    support: Cost
    undersides: int  # that neither hold by themselves nor bridge cleanly
    needs_no_support: bool
    price: float  # weighted: printing, marks, and the chance that what is left to itself ruins it

    @property
    def time_s(self) -> float:
        return self.part.time_s + self.support.time_s

    @property
    def mass_g(self) -> float:
        return self.part.mass_g + self.support.mass_g


def printed_of(planned: Plan) -> Printed:
    """The figures of a plan. Undersides that are dabs no nozzle can aim at are not counted."""
    process = planned.process
    asking = sum(
        under.area_mm2 >= DAB_WIDTHS2 * process.line_width_mm**2 and asks(under, process)
        for under in planned.undersides
    )
    return Printed(
        part=planned.part_cost,
        support=planned.support_cost,
        undersides=asking,
        needs_no_support=asking == 0,
        price=price_in_all(planned, process, planned.weights),
    )


def price_in_all(planned: Plan | Totals, process: Process, weights: Weights) -> float:
    """The part's printing and what its undersides cost as chosen, in one price."""
    own = planned.part_cost
    chosen = next(row for row in planned.alternatives if row.name == "chosen")
    filament, time = price_of(own.volume_mm3, 0.0, process), price_of(0.0, own.time_s, process)
    return weights.filament * filament + weights.time * time + chosen.objective
