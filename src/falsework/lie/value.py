"""``Lie`` and ``Lies``: ways to lay a part down, with everything they cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from falsework.errors import ProcessError
from falsework.lie import words
from falsework.process.checks import check_fields
from falsework.process.fields import setting
from falsework.request.marks import NO_FACES, MarkedFaces, Vector, marked_words
from falsework.request.standing import renewed_words
from falsework.request.weights import Weights
from falsework.wording.notices import Notice


@dataclass(frozen=True)
class Care:
    """What matters about a lie besides the ``Weights`` of a plan, as prices.

    ``show_per_cm2``: what a square centimetre of fully spoilt show face costs on top;
    ``strength``: what it costs that a load along the given axis pulls wholly across the layers.
    """

    show_per_cm2: float = setting(
        2.0, help="what a square centimetre of fully spoilt show face costs on top", low=0, high=1e6
    )
    strength: float = setting(
        5.0, help="what it costs that a load pulls wholly across the layers", low=0, high=1e6
    )

    def __post_init__(self) -> None:
        check_fields(self, "care")


FEWEST, MOST = 50, 200_000  # directions


@dataclass(frozen=True)
class Search:
    """How lies are searched for.

    ``care``: what matters besides the weights. ``directions``: even directions looked at; resting faces of
    the convex hull and refinement come on top. ``layers``: whether the recommended lie and today's are held
    against the layers of a plan. ``ProcessError`` for a number of directions that is out of range.
    """

    care: Care = Care()
    directions: int = 2000
    layers: bool = True

    def __post_init__(self) -> None:
        if not (type(self.directions) is int and FEWEST <= self.directions <= MOST):
            wrong = f"{self.directions!r} is out of range"
            raise ProcessError("directions", wrong, f"Give {FEWEST} to {MOST}")


@dataclass(frozen=True)
class LiePrice:
    """The weighted price of a lie in its parts; ``total`` is what lies are ranked by."""

    printing: float  # filament and machine time of part and supports
    finish: float  # marks of supports, and undersides left to themselves
    show: float  # the same on show faces, on top
    failure: float  # chance that what is left, or toppling, ruins the part, times the part's price
    strength: float  # load across the layers

    @property
    def total(self) -> float:
        return self.printing + self.finish + self.show + self.failure + self.strength


@dataclass(frozen=True)
class LayerCheck:
    """What the layers of a plan say about the same lie.

    ``undersides`` that do not hold by themselves, their area and the widest bridge among them.
    ``needs_no_support``: each holds, or bridges with a droop of at most one layer height.
    """

    undersides: int
    contact_mm2: float
    span_mm: float
    needs_no_support: bool


@dataclass(frozen=True)
class Lie:
    """One way to lay the part on the bed, and its figures with occlusion.

    Areas are as seen from below. ``up``: direction of the part as it was given that points up;
    ``turn_deg``: about x, then y, then z, as a plan takes it. Support volumes are the air beneath undersides,
    filled, without gaps.
    """

    EARLIER = staticmethod(renewed_words)

    label: str
    up: Vector
    turn_deg: tuple[float, float, float]
    fits: bool
    needs_no_support: bool
    standing: str  # leave, bed or bed-or-part: where supports stand at this price
    bed_volume_mm3: float  # columns of air from undersides down to the bed
    part_volume_mm3: float  # ... down to the part
    contact_mm2: float  # undersides that need support
    unreached_mm2: float  # of these, not to be reached from the bed: the part stands beneath
    show_bed_mm2: float  # marks on show faces by supports on the bed only
    show_any_mm2: float  # ... by supports anywhere, where they stand on show faces included
    base_mm2: float  # the part's own footprint on the bed
    foot_mm2: float  # footprint of supports on the bed
    lean_deg: float  # lean at which it topples, standing on base and supports; negative: it topples
    base_lean_deg: float  # ... on its own base
    longest_bridge_mm: float  # flat, between two anchors
    across_layers: float  # share of a pull along the load axis that acts across the layers, 0 to 1
    height_mm: float
    width_mm: float
    depth_mm: float
    filament_g: float  # part and supports
    time_s: float
    support_g: float  # of these, the supports
    support_s: float
    uneven_share: float  # columns that cross an open mesh unevenly
    price: LiePrice
    layers: LayerCheck | None = None
    misfits: tuple[Notice, ...] = ()  # why it does not fit

    SAID: ClassVar[tuple[str, ...]] = ("misfit",)

    @property
    def misfit(self) -> str:
        """Why it does not fit; '' where it does."""
        return "; ".join(notice.text for notice in self.misfits)


@dataclass(frozen=True)
class Lies:
    """The search's result: the best lie, the best of every sort, and today's, alike in every figure."""

    part: str
    digest: str
    process: str
    weights: Weights
    care: Care
    show: MarkedFaces
    load_axis: Vector | None
    recommended: Lie
    front: tuple[Lie, ...]  # none is better than another in everything; cheapest first
    today: Lie
    searched: int  # directions weighed, most of them by their facets alone
    supportless: int  # of these, without an underside in need
    cells: int  # columns along each side of the grid of the figures shown
    thinned_mm: float  # tolerance of the mesh that was searched; 0: the mesh itself
    spare: MarkedFaces = NO_FACES  # no support may touch them; weighed as ``show`` faces
    never_fits: Notice | None = None  # set when the part fits in no lie

    SAID: ClassVar[tuple[str, ...]] = ("why", "no_fit", "error")

    @property
    def why(self) -> str:
        """The recommendation as one plain sentence with its figures."""
        return words.why(self)

    @property
    def no_fit(self) -> str:
        """That the part fits in no lie; '' where it does in one."""
        return self.never_fits.text if self.never_fits else ""

    @property
    def error(self) -> str:
        """How far the figures may be off, and what they rest on."""
        return words.error(self)

    @property
    def marked(self) -> str:
        """What of the part is to be kept clean, in words; '' for nothing."""
        return marked_words(self.show, self.spare)
