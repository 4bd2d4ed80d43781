"""``Printed``: what a plan says of a part or a piece in its orientation, in one price."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.cost.cost import Cost
from falsework.planning.value import Plan, Totals
from falsework.redrawing.site.ground import DAB_WIDTHS2, asks


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
        price=price_in_all(planned),
    )


def price_in_all(planned: Plan | Totals) -> float:
    """The one price: of a plan as built, of totals as chosen."""
    if isinstance(planned, Plan):
        return planned.price.total
    return next(row for row in planned.alternatives if row.name == "chosen").price.total
