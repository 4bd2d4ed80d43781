"""Which underside gets support, and from where: every standing priced, the cheapest chosen, and said why.

What an option costs is reckoned as everything is: see ``objective``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from falsework.cost import Rates
from falsework.cost.cost import Cost
from falsework.need.underside import NeedMap, Underside, UndersideKind
from falsework.objective import (
    SCAR,
    Price,
    contact_severity,
    droop_severity,
    expected_loss,
    failure_chance,
    hand_minutes,
    printing_price,
)
from falsework.objective.expected import AirColumns, expected_supports
from falsework.request.standing import AUTO, Standing
from falsework.request.value import Wish
from falsework.support.figures import standing_figures
from falsework.support.scheme import SupportPiece
from falsework.support.standing import Alternative, Choice, Option, StandingFigures
from falsework.wording.notices import (
    Carried,
    Holds,
    Left,
    LeftForSpared,
    MayFail,
    MoreScars,
    NotBuilt,
    Notice,
    Obstacle,
    OutOfReach,
    Range,
    Scar,
    SparedCarried,
    SparedLeft,
)

__all__ = [
    "alternatives",
    "as_built",
    "choose",
    "chosen_instead",
    "options",
    "standing_figures",
    "standing_warnings",
]

NEGLIGIBLE_SCAR_MM2 = 0.5  # no eye finds it
_MOST_SCARS = 4  # said one by one
NEGLIGIBLE_SHARE = 0.01  # of an underside: what the columns' sampling may invent


@dataclass(frozen=True)
class _Columns:
    """Columns of one underside that end alike: their area and their volume as if filled."""

    area_mm2: float = 0.0
    volume_mm3: float = 0.0

    def less(self, open_mm: float) -> _Columns:
        """What can be built: nothing where the gaps take the mean height, else the volume without the
        gaps."""
        volume = self.volume_mm3 - self.area_mm2 * open_mm
        return _Columns(self.area_mm2, volume) if volume > 1e-9 else _Columns()


def _option(
    standing: Standing,
    underside: Underside,
    bed: _Columns,
    part: _Columns,
    area_mm2: float,
    wish: Wish,
    part_cost: Cost,
) -> Option:
    process, weights = wish.process, wish.weights
    contact_mm2 = bed.area_mm2 + part.area_mm2
    left_mm2 = max(0.0, area_mm2 - contact_mm2)
    cost, scar_mm2 = Cost(), 0.0
    if contact_mm2 > 0.0:
        to_bed, to_part = (
            AirColumns(one.area_mm2, one.volume_mm3, underside.extent_mm) for one in (bed, part)
        )
        taken = expected_supports(to_bed, to_part, process)
        cost = Rates(process).cost(float(taken.volume_mm3), float(taken.time_s))
        scar_mm2 = float(taken.scar_mm2)
    finish = (
        left_mm2 * droop_severity(underside.droop_mm.value)
        + contact_mm2 * contact_severity(underside.supported_droop_mm.value)
    ) / 100.0
    left_share = left_mm2 / area_mm2 if area_mm2 > 0.0 else 0.0
    ruined = left_share * failure_chance(underside, process.layer_height_mm)
    minutes = hand_minutes(part.area_mm2 == 0.0, scar_mm2) if contact_mm2 > 0.0 else 0.0
    return Option(
        standing=standing,
        cost=cost,
        contact_mm2=contact_mm2,
        left_mm2=left_mm2,
        scar_mm2=scar_mm2,
        price=replace(
            printing_price(cost, process, weights),
            finish=finish * weights.finish_per_cm2,
            scars=scar_mm2 / 100.0 * SCAR * weights.finish_per_cm2,
            hands=minutes / 60.0 * weights.hands_per_hour,
            risk=expected_loss(ruined, printing_price(part_cost, process, weights).total),
        ),
    )


def _spared_mm2(figures: StandingFigures, k: int, standing: Standing = Standing.BED_OR_PART) -> float:
    """Area of one underside that such a standing leaves for the sake of spared faces."""
    if figures.spared is None:
        return 0.0
    own_mm2, landing_mm2 = float(figures.spared.own_mm2[k]), float(figures.spared.landing_mm2[k])
    return own_mm2 if standing is Standing.BED else own_mm2 + landing_mm2


def _on_spared(figures: StandingFigures, k: int) -> bool:
    """Whether one underside lies on spared faces altogether."""
    return figures.spared is not None and bool(figures.spared.whole[k])


def options(
    figures: StandingFigures, need: NeedMap, wish: Wish, part_cost: Cost
) -> tuple[tuple[Option, ...], ...]:
    """For every underside its three options: leave, bed, bed-or-part.

    From the bed only the columns that reach it are carried and the rest is left; standing anywhere carries
    all and scars the part where columns land. Where the gaps take the columns' mean height nothing can be
    built and the area is left, and so is what could be carried only by touching spared faces. The cost is an
    estimate of the structure as it would be built (see the plan's support cost for the real one);
    ``part_cost`` is what a ruined print would lose. In a closed void finish costs nothing.
    """
    unseen = replace(wish, weights=replace(wish.weights, finish_per_cm2=0.0))
    gap_mm, below_mm = wish.process.air_gap.realised_mm, wish.process.air_gap_below.realised_mm
    rows = []
    for k, underside in enumerate(need.undersides):
        area_mm2, on_bed_mm2 = float(figures.area_mm2[k]), float(figures.bed_area_mm2[k])
        on_part_mm2 = max(0.0, area_mm2 - on_bed_mm2 - _spared_mm2(figures, k))
        bed = _Columns(on_bed_mm2, float(figures.bed_volume_mm3[k])).less(gap_mm)
        part = _Columns(on_part_mm2, float(figures.part_volume_mm3[k])).less(gap_mm + below_mm)
        mine = unseen if figures.sealed is not None and figures.sealed[k] else wish
        rows.append(
            tuple(
                _option(standing, underside, b, p, area_mm2, mine, part_cost)
                for standing, b, p in (
                    (Standing.LEAVE, _Columns(), _Columns()),
                    (Standing.BED, bed, _Columns()),
                    (Standing.BED_OR_PART, bed, part),
                )
            )
        )
    return tuple(rows)


def choose(figures: StandingFigures, need: NeedMap, wish: Wish, part_cost: Cost) -> tuple[Choice, ...]:
    """One choice for every underside, in the order of ``need.undersides``.

    The wish's ``standing`` 'leave', 'bed' or 'bed-or-part' holds for all of them; 'auto' takes the option of
    least objective (of equals the one that does less). Undersides that hold by themselves are left either
    way, and so are those that lie on spared faces altogether. Its ``overrules`` set a standing by underside
    number, whatever the rest says; but nothing ever stands on a spared face.
    """
    overrules, standing = wish.overrules, wish.standing
    choices = []
    reason: Notice
    for k, (underside, row) in enumerate(
        zip(need.undersides, options(figures, need, wish, part_cost), strict=True)
    ):
        on_spared = _on_spared(figures, k)
        if underside.number in overrules:
            chosen = overrules[underside.number]
            asked = "own-on-spared" if on_spared and chosen is not Standing.LEAVE else "own"
        elif underside.kind is UndersideKind.HOLDS:
            chosen, asked = Standing.LEAVE, ""
        elif on_spared:
            reason = _left(underside, "lies-on-spared")
            choices.append(Choice(underside.number, row, Standing.LEAVE, reason))
            continue
        elif standing == AUTO:
            chosen, asked = min(row, key=lambda option: option.price.total).standing, ""
        else:
            chosen, asked = Standing(standing), "all"
        reason = _reason(underside, row, chosen, _spared_mm2(figures, k, chosen), asked)
        low, high = figures.landing_range_mm[k].tolist()
        if isinstance(reason, Left) and reason.because == "no-room-on-bed" and high > 0.0:  # else nan
            reason = replace(reason, part_z_mm=(low, high))
        choices.append(Choice(underside.number, row, chosen, reason))
    return tuple(choices)


def as_built(
    choices: Iterable[Choice],
    need: NeedMap,
    carried: Collection[int],
    figures: StandingFigures,
    obstacles: Mapping[int, Obstacle],
) -> tuple[tuple[Choice, ...], tuple[Notice, ...]]:
    """The choices that the built supports bear out, and a warning where they do not bear out all.

    ``carried`` are the numbers of undersides under which support was built. Columns only estimate: where gaps
    and clearance leave no room for a single line, the underside is left, whatever was chosen; ``obstacles``
    (by number, of all that are not carried) say what stands in the way.
    """
    out: list[Choice] = []
    bare: dict[str, list[Underside]] = {}
    for choice in choices:
        if choice.chosen is not Standing.LEAVE and choice.underside not in carried:
            k = choice.underside - 1
            underside, area_mm2 = need.undersides[k], float(figures.area_mm2[k])
            touches = _spared_mm2(figures, k, choice.chosen) > 0.5 * area_mm2
            obstacle = None if touches else obstacles[choice.underside]
            reason = _left(underside, "would-touch" if touches else "obstacle")
            bare.setdefault("" if obstacle is None else obstacle.what, []).append(underside)
            choice = replace(choice, chosen=Standing.LEAVE, reason=replace(reason, obstacle=obstacle))
        out.append(choice)
    warnings = (
        _not_built(left, obstacles.get(left[0].number) if what else None) for what, left in bare.items()
    )
    return tuple(out), tuple(warnings)


def _not_built(left: Sequence[Underside], obstacle: Obstacle | None) -> NotBuilt:
    worst_mm, falls = _worst(left)
    return NotBuilt(_numbers(left), obstacle is None, worst_mm, obstacle, falls)


def chosen_instead(choice: Choice, underside: Underside, standing: Standing) -> Choice:
    """The choice with another standing, because what was built did not stand."""
    reason: Notice
    if standing is Standing.LEAVE:
        reason = _left(underside, "weak")
    else:
        reason = _reason(underside, choice.options, standing, 0.0, "")
    return replace(choice, chosen=standing, reason=reason)


def chosen_less(choice: Choice, underside: Underside, lost_mm2: float, wish: Wish) -> Choice:
    """The choice where nothing is built beneath so much of the underside, because it would not stand."""
    option = chosen_option(choice)
    lost_mm2 = min(lost_mm2, option.contact_mm2)
    price = option.price
    if price.finish > 0.0:  # in a closed void it costs nothing
        worse = droop_severity(underside.droop_mm.value) - contact_severity(
            underside.supported_droop_mm.value
        )
        price = replace(price, finish=price.finish + worse * lost_mm2 / 100.0 * wish.weights.finish_per_cm2)
    less = replace(
        option,
        contact_mm2=option.contact_mm2 - lost_mm2,
        left_mm2=option.left_mm2 + lost_mm2,
        price=price,
    )
    return replace(choice, options=tuple(less if one is option else one for one in choice.options))


def chosen_option(choice: Choice) -> Option:
    """The option that was chosen."""
    return next(option for option in choice.options if option.standing is choice.chosen)


def alternatives(
    choices: Iterable[Choice],
    need: NeedMap,
    own: Price,
    spared: Collection[int] = (),
    unbuilt: Collection[tuple[Standing, int]] = (),
) -> tuple[Alternative, ...]:
    """Standings side by side for the whole part: leave, bed, bed-or-part and what was chosen, alike.

    ``own`` is the price of printing the part itself; the price of each counts it.

    In the first three, undersides that hold by themselves are left, which never count as left to droop, and
    those whose numbers are in ``spared``, which do; and so are those of which nothing would be built, by
    standing and number ``unbuilt``.
    """
    choices = tuple(choices)
    holds = [underside.kind is UndersideKind.HOLDS for underside in need.undersides]
    rows = []
    for at, standing in enumerate((Standing.LEAVE, Standing.BED, Standing.BED_OR_PART)):
        taken = [
            c.options[0 if h or c.underside in spared or (standing, c.underside) in unbuilt else at]
            for c, h in zip(choices, holds, strict=True)
        ]
        rows.append(_alternative(standing.value, taken, holds, own))
    rows.append(_alternative("chosen", [chosen_option(c) for c in choices], holds, own))
    return tuple(rows)


def _alternative(name: str, taken: list[Option], holds: list[bool], own: Price) -> Alternative:
    left = [
        option.left_mm2
        for option, h in zip(taken, holds, strict=True)
        if not h and option.left_mm2 > NEGLIGIBLE_SHARE * (option.left_mm2 + option.contact_mm2)
    ]
    return Alternative(
        name=name,
        cost=sum((option.cost for option in taken), Cost()),
        left_count=len(left),
        left_mm2=math.fsum(left),
        contact_mm2=math.fsum(option.contact_mm2 for option in taken),
        scar_mm2=math.fsum(option.scar_mm2 for option in taken),
        price=sum((option.price for option in taken), own),
    )


def standing_warnings(
    figures: StandingFigures,
    need: NeedMap,
    choices: Iterable[Choice],
    *,
    built: Sequence[SupportPiece] | None = None,
) -> tuple[Notice, ...]:
    """What the user should know about the choices: what is left for the sake of spared faces, what cannot be
    reached, what gets scarred, what may fail. Scars beyond the ``_MOST_SCARS`` largest are one notice. Once
    supports are ``built``, those that stand on the part say how much of it they stand on, and the plan itself
    says more of what starts in mid-air."""
    choices = tuple(choices)
    found: list[Notice] = []
    stood: dict[int, float] = {}
    for piece in built or ():
        for number in piece.undersides:
            stood[number] = stood.get(number, 0.0) + piece.scar_mm2

    def scar_mm2(number: int, option: Option) -> float:
        return option.scar_mm2 if built is None else min(option.scar_mm2, stood.get(number, 0.0))

    scars: list[Scar] = []
    for k, (underside, choice) in enumerate(zip(need.undersides, choices, strict=True)):
        option, number = chosen_option(choice), underside.number
        area_mm2 = option.left_mm2 + option.contact_mm2
        spared_mm2 = _spared_mm2(figures, k, choice.chosen)
        unreached_mm2 = option.left_mm2 - spared_mm2
        least_mm2 = NEGLIGIBLE_SHARE * area_mm2
        if choice.chosen is not Standing.LEAVE and spared_mm2 > least_mm2:
            found.append(LeftForSpared(number, spared_mm2, area_mm2))
        if choice.chosen is Standing.BED and unreached_mm2 > least_mm2:
            found.append(OutOfReach(number, unreached_mm2, area_mm2))
        elif choice.chosen is Standing.BED_OR_PART and scar_mm2(number, option) > max(
            least_mm2, NEGLIGIBLE_SCAR_MM2
        ):
            x, y, _ = figures.landing_mm[k].tolist()
            low, high = figures.landing_range_mm[k].tolist()
            scars.append(Scar(number, scar_mm2(number, option), (x, y), (low, high)))
        told = built is not None and underside.kind is UndersideKind.ISLAND
        if not told and option.price.risk > 0.0 and option.left_mm2 > least_mm2:
            droop_mm = None if underside.kind is UndersideKind.ISLAND else underside.droop_mm.value
            found.append(MayFail(number, droop_mm, option.left_mm2))
    return (*_on_spared_said(figures, need, choices), *found, *_scars(scars))


def _on_spared_said(figures: StandingFigures, need: NeedMap, choices: Sequence[Choice]) -> list[Notice]:
    """Undersides that lie on spared faces altogether: those left for it, and those carried all the same."""
    mine = [
        (underside, choice)
        for k, (underside, choice) in enumerate(zip(need.undersides, choices, strict=True))
        if _on_spared(figures, k) and underside.kind is not UndersideKind.HOLDS
    ]
    found: list[Notice] = []
    left = [underside for underside, choice in mine if choice.chosen is Standing.LEAVE]
    carried = [underside for underside, choice in mine if choice.chosen is not Standing.LEAVE]
    if left:
        found.append(SparedLeft(_numbers(left), *_worst(left)))
    if carried:
        found.append(SparedCarried(_numbers(carried)))
    return found


def _scars(scars: list[Scar]) -> list[Notice]:
    """The largest scars one by one, the others together."""
    worst_first = sorted(scars, key=lambda scar: -scar.scar_mm2)
    one_by_one, others = worst_first[:_MOST_SCARS], worst_first[_MOST_SCARS:]
    if len(others) == 1:
        one_by_one, others = worst_first, []
    found: list[Notice] = [*sorted(one_by_one, key=_underside_of)]
    if others:
        numbers = tuple(sorted(scar.underside for scar in others))
        found.append(MoreScars(numbers, math.fsum(scar.scar_mm2 for scar in others)))
    return found


def _reason(
    underside: Underside, row: tuple[Option, ...], chosen: Standing, spared_mm2: float, asked: str
) -> Notice:
    """Why the choice is as it is, with its figures; ``spared_mm2`` are left for spared faces."""
    option = next(o for o in row if o.standing is chosen)
    if chosen is Standing.LEAVE or option.contact_mm2 == 0.0:
        if underside.kind is UndersideKind.HOLDS and chosen is Standing.LEAVE:
            return Holds(underside.free_length_mm, asked)
        carried = min((o for o in row if o.contact_mm2 > 0.0), key=lambda o: o.price.total, default=None)
        no_room = "no-room-on-bed" if chosen is Standing.BED else "no-room"
        if spared_mm2 > 0.5 * option.left_mm2:
            no_room = "would-touch"
        if chosen is not Standing.LEAVE or carried is None:
            return replace(_left(underside, no_room), asked=asked)
        left, cost = _left(underside, "cost"), carried.cost
        return replace(left, mass_g=cost.mass_g, time_s=cost.time_s, asked=asked)
    bed_mm2 = next(o.contact_mm2 for o in row if o.standing is Standing.BED)
    on_part = 1.0 - min(bed_mm2, option.contact_mm2) / option.contact_mm2
    where = "both"
    if on_part <= NEGLIGIBLE_SHARE:
        where = "bed"
    elif on_part >= 1.0 - NEGLIGIBLE_SHARE:
        where = "part"
    area_mm2 = option.left_mm2 + option.contact_mm2
    least_mm2 = NEGLIGIBLE_SHARE * area_mm2
    return Carried(
        where,
        option.cost.mass_g,
        option.cost.time_s,
        None if underside.kind is UndersideKind.ISLAND else _droop(underside),
        area_mm2,
        left_mm2=option.left_mm2 if option.left_mm2 > least_mm2 else 0.0,
        spared_mm2=spared_mm2 if spared_mm2 > least_mm2 else 0.0,
        scar_mm2=option.scar_mm2 if on_part > NEGLIGIBLE_SHARE else 0.0,
        asked=asked,
    )


def _left(underside: Underside, because: str) -> Left:
    over_mm = underside.span_mm if underside.kind is UndersideKind.BRIDGE else underside.extent_mm
    return Left(underside.kind.value, over_mm, _droop(underside), because)


def _droop(underside: Underside) -> Range:
    droop_mm = underside.droop_mm
    return Range(droop_mm.value, droop_mm.low, droop_mm.high)


def _worst(undersides: Sequence[Underside]) -> tuple[Range, bool]:
    """What the worst of them droops by, or falls."""
    worst = max(undersides, key=lambda u: u.droop_mm.value)
    return _droop(worst), worst.falls_mm is not None


def _numbers(undersides: Sequence[Underside]) -> tuple[int, ...]:
    return tuple(underside.number for underside in undersides)


def _underside_of(scar: Scar) -> int:
    return scar.underside
