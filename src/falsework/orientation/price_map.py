"""What a part would cost whichever of its sides is up: every direction, by columns alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.column.intervals import LEAN_DEG
from falsework.orientation.directions import even_directions, resting_directions
from falsework.orientation.search import COARSE_GRID, STANDS_DEG, judge_of
from falsework.orientation.shortlist import own_shape, threads_of
from falsework.part.part import Floats, Part
from falsework.request.context import Context
from falsework.request.value import Wish

MOST, FEWEST = 1000, 300  # directions: a picture shows no more, and says little with less
WORK = 60_000_000  # directions times triangles: of large parts fewer directions are looked at


@dataclass(frozen=True, eq=False)
class PriceMap:
    """Prices of even directions and, after them, of those that lay a face of the hull on the bed.

    ``ups`` (d, 3): directions of the part, as it was given, that point up; ``totals`` (d,): what it costs to
    print so, by columns; ``fits`` (d,): whether it fits the printer; ``stands`` (d,): whether it stands by
    itself and its supports.
    """

    ups: Floats
    totals: Floats
    fits: NDArray[np.bool_]
    stands: NDArray[np.bool_]


def price_map(part: Part, wish: Wish, context: Context) -> PriceMap:
    """The same part gives the same map. ``PartError``: the part is flat, or a face set unknown."""
    own = own_shape(part, wish)
    thin, _ = own.thinned(wish.process)
    count = int(np.clip(WORK // max(len(thin.faces), 1), FEWEST, MOST))
    judge = judge_of(thin, wish.process, wish.weights, own.load_axis, threads_of(context))
    resting = resting_directions(thin.points).reshape(-1, 3)  # faces: what an even lattice just misses
    directions = np.concatenate([even_directions(count), resting])
    seen = judge(directions, COARSE_GRID, context.watch, "pricing every side")
    return PriceMap(
        ups=directions @ own.frame,
        totals=seen.priced.total,
        fits=seen.fit >= 1.0,
        stands=seen.figures[:, LEAN_DEG] > STANDS_DEG,
    )
