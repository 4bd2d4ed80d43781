"""Whether support would really be built beneath undersides if it stood otherwise than was chosen."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from falsework.layers.stack import LayerStack
from falsework.need.underside import NeedMap, UndersideKind
from falsework.process.derived import air_gap
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.support.cells import cells_of
from falsework.support.contacts import contacts_of
from falsework.support.scheme import Gap
from falsework.support.sparing import Spared
from falsework.support.standing import Choice
from falsework.support.sweep import Surroundings, Swept, support_regions, sweep_columns

_SURE_WIDTHS = 4.0  # columns broader than so many lines and both side gaps always leave room for one


def unbuilt(
    choices: Sequence[Choice],
    built: Collection[int],
    stack: LayerStack,
    need: NeedMap,
    process: Process,
    swept: Swept,
    spared: Spared | None,
) -> frozenset[tuple[Standing, int]]:
    """Standings of undersides, by number, that columns promise and of which nothing would be built.

    ``choices`` as they were before anything was built, ``built`` the undersides that then got support.
    Columns that are broad in the mean are taken at their word; where others are not, all are swept.
    """
    out: set[tuple[Standing, int]] = set()
    for standing in (Standing.BED, Standing.BED_OR_PART):
        doubtful = []
        for choice in choices:
            option = next(o for o in choice.options if o.standing is standing)
            if choice.chosen is standing:
                if choice.underside not in built:
                    out.add((standing, choice.underside))
            elif option.contact_mm2 > 0.0 and _narrow(need, choice.underside, option.contact_mm2, process):
                doubtful.append(choice.underside)
        if doubtful:
            carried = _carried(standing, stack, need, process, swept, spared)
            out.update((standing, number) for number in doubtful if number not in carried)
    return frozenset(out)


def _narrow(need: NeedMap, number: int, contact_mm2: float, process: Process) -> bool:
    """Whether columns of that area beneath an underside are so narrow that a line may not fit."""
    underside = need.undersides[number - 1]
    if underside.kind is UndersideKind.HOLDS:
        return False
    long_mm = max(underside.extent_mm, math.sqrt(contact_mm2))
    sure_mm = 2.0 * process.structure.side_gap_mm + _SURE_WIDTHS * process.line_width_mm
    return contact_mm2 / long_mm < sure_mm


def _carried(
    standing: Standing,
    stack: LayerStack,
    need: NeedMap,
    process: Process,
    swept: Swept,
    spared: Spared | None,
) -> set[int]:
    """Which undersides support would end beneath if all that ask for it stood so: neighbours help each
    other."""
    whole = [False] * len(need.undersides) if spared is None else spared.whole.tolist()
    standings = [
        Standing.LEAVE if u.kind is UndersideKind.HOLDS or left else standing
        for u, left in zip(need.undersides, whole, strict=True)
    ]
    tried = sweep_columns(stack, need, standings, process, spared=spared, like=swept)
    support, _ = support_regions(tried, Surroundings(tried, process), need.reach_mm, process)
    cells = cells_of(support, 0.0)
    if not cells.pieces:
        return set()
    _, underside, _ = contacts_of(cells, need, Gap(*air_gap(process)))
    return {need.undersides[u].number for u in set(underside.tolist())}
