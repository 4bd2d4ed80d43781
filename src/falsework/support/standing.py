"""Standing: where each underside's support may stand, what that costs, and which is best."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from falsework.cost.cost import Cost
from falsework.documents import encode
from falsework.layers.stack import Floats
from falsework.objective import Price
from falsework.request.standing import Standing, renewed_words
from falsework.wording.notices import Notice


@dataclass(frozen=True, eq=False)
class SparedFigures:
    """What cannot be built beneath each underside for the sake of spared faces, arrays over undersides (U,).

    ``whole``: the underside lies on such faces altogether, and its columns are counted as if it did not;
    ``own_mm2`` of another underside lies on such faces; over ``landing_mm2`` of it columns would stand on
    such faces.
    """

    whole: NDArray[np.bool_]
    own_mm2: Floats
    landing_mm2: Floats


@dataclass(frozen=True, eq=False)
class StandingFigures:
    """Geometry of every underside's support by columns, arrays over undersides (U,).

    A column runs from a cell of the underside straight down to the bed or to the first part surface.
    ``area_mm2`` of the underside seen from below; ``bed_area_mm2`` of it over columns that reach the bed;
    ``bed_volume_mm3`` and ``part_volume_mm3`` of columns that end on the bed / on the part (filled, without
    gap); ``landing_mm`` (U, 3): mean point where columns land on the part (nan where none does);
    ``landing_range_mm`` (U, 2): lowest and highest z at which they do. Columns that cannot be built for the
    sake of ``spared`` faces count in ``area_mm2`` alone. ``sealed`` undersides lie in closed voids;
    None where none does.
    """

    cell_mm: float
    area_mm2: Floats
    bed_area_mm2: Floats
    bed_volume_mm3: Floats
    part_volume_mm3: Floats
    landing_mm: Floats
    landing_range_mm: Floats
    spared: SparedFigures | None = None
    sealed: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Option:
    """One underside with one standing: what it takes and what it leaves."""

    standing: Standing
    cost: Cost
    contact_mm2: float  # under the part, carried
    left_mm2: float  # left to droop
    scar_mm2: float  # part surface marked by support feet
    price: Price  # of supporting it so, without the part; the least total is best

    @staticmethod
    def EARLIER(data: dict[str, Any]) -> dict[str, Any]:
        """As plans up to falsework.plan/2 hold it: a sum, and some of its terms."""
        return _with_price(data, finish="finish_price", risk="failure_price")


@dataclass(frozen=True)
class Choice:
    """The options of one underside, the one chosen, and the reason; ``why`` says it.

    ``underside`` is its number, as in ``Underside.number``.
    """

    underside: int
    options: tuple[Option, ...]  # leave, bed, bed-or-part
    chosen: Standing
    reason: Notice

    SAID: ClassVar[tuple[str, ...]] = ("why",)
    WAS: ClassVar[dict[str, str]] = {"reason": "why"}  # a sentence, up to falsework.plan/1

    @property
    def why(self) -> str:
        return self.reason.text


@dataclass(frozen=True)
class Alternative:
    """One row of the table that shows standings side by side; ``name`` is 'chosen' or a standing."""

    name: str
    cost: Cost
    left_count: int
    left_mm2: float
    contact_mm2: float
    scar_mm2: float
    price: Price  # of the part with these supports

    @staticmethod
    def EARLIER(data: dict[str, Any]) -> dict[str, Any]:
        """As plans up to falsework.plan/2 hold it: a sum, without the part, and earlier words."""
        return _with_price(renewed_words(data))


def _with_price(data: dict[str, Any], **terms: str) -> dict[str, Any]:
    """A document's fields with a price in place of a sum ``objective``, of which some terms are known."""
    if "objective" not in data:
        return data
    known = {term: data.get(name, 0.0) for term, name in terms.items()}
    rest = data["objective"] - sum(known.values())
    price = encode(Price(time=rest, **known))
    return {name: v for name, v in data.items() if name not in ("objective", *terms.values())} | {
        "price": price
    }
