"""``Orientation`` and ``Orientations``: ways to lay a part down, with everything they cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from falsework.errors import ProcessError
from falsework.objective import Price
from falsework.orientation import words
from falsework.request.marks import NO_FACES, MarkedFaces, Vector, marked_words
from falsework.request.standing import renewed_words
from falsework.request.weights import Weights
from falsework.wording.notices import Notice

FEWEST, MOST = 50, 200_000  # directions
USUAL, EVERYWHERE = 2000, 50_000  # directions here, and on a graphics processor


@dataclass(frozen=True)
class Search:
    """How lies are searched for.

    ``directions``: even directions looked at, 2000; a graphics processor, where it is asked for, prices
    50 000 besides, and is taken of itself where more than 2000 are asked for. Resting faces of the convex
    hull and refinement come on top.
    ``ProcessError`` for a number of directions that is out of range.
    """

    directions: int | None = None

    def __post_init__(self) -> None:
        if self.directions is None:
            return
        if not (type(self.directions) is int and FEWEST <= self.directions <= MOST):
            wrong = f"{self.directions!r} is out of range"
            raise ProcessError("directions", wrong, f"Give {FEWEST} to {MOST}")

    @property
    def count(self) -> int:
        """How many even directions are looked at by their facets first."""
        return self.directions or USUAL

    @property
    def many(self) -> bool:
        """Whether a graphics processor would be done with them sooner."""
        return self.count > USUAL

    @property
    def everywhere(self) -> int:
        """How many even directions are priced by columns on a graphics processor, besides."""
        return self.directions or EVERYWHERE


@dataclass(frozen=True)
class OrientationProof:
    """What the full plan of a lie says; where there is one, the figures and the price of the lie are its own.

    Attributes
    ----------
    undersides : that do not hold by themselves; ``carried`` of them stand on support as built, and ``bare``
        have nothing beneath where they start in mid-air.
    pieces : of support; ``weak`` of them may not stand; ``hard`` must be broken up, picked out or stay in.
    first_layer_mm2 : of the part on the bed. safety : what holds it upright over what tips it, at the worst
        height; ``stands``: it is enough, and the first layer is wide enough to print.
    rim_mm : breadth of a rim around the first layer with which it stands, its price counted; 0: none would
        do, or none is needed.
    ready : whether it may be printed so. why_not : the reasons where it may not.
    """

    undersides: int
    carried: int
    bare: int
    pieces: int
    weak: int
    hard: int
    first_layer_mm2: float
    safety: float
    stands: bool
    rim_mm: float
    ready: bool
    why_not: tuple[Notice, ...] = ()


@dataclass(frozen=True)
class Orientation:
    """One way to lay the part on the bed, and its figures with occlusion.

    Areas are as seen from below. ``up``: direction of the part as it was given that points up;
    ``turn_deg``: about x, then y, then z, as a plan takes it. Support volumes are the air beneath undersides,
    filled, without gaps.
    """

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
    price: Price
    proof: OrientationProof | None = None  # None: by columns alone

    @staticmethod
    def EARLIER(data: dict[str, Any]) -> dict[str, Any]:
        """As documents up to falsework.lies/2 hold it: checked by layers, not planned; in earlier words."""
        return {name: value for name, value in renewed_words(data).items() if name != "layers"}

    misfits: tuple[Notice, ...] = ()  # why it does not fit

    SAID: ClassVar[tuple[str, ...]] = ("misfit",)

    @property
    def misfit(self) -> str:
        """Why it does not fit; '' where it does."""
        return "; ".join(notice.text for notice in self.misfits)


@dataclass(frozen=True)
class Orientations:
    """The search's result: the best lie, the best of every sort, and today's, alike in every figure.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> found = falsework.best_orientations(table(), "pla-0.4", directions=50)
    >>> found.recommended.needs_no_support
    True
    """

    part: str
    digest: str
    process: str
    weights: Weights
    show: MarkedFaces
    load_axis: Vector | None
    recommended: Orientation
    front: tuple[Orientation, ...]  # none is better than another in everything; cheapest first
    today: Orientation
    searched: int  # directions weighed, most of them by their facets alone
    supportless: int  # of these, without an underside in need
    cells: int  # columns along each side of the grid of the figures shown
    thinned_mm: float  # tolerance of the mesh that was searched; 0: the mesh itself
    device: str = "cpu"  # what counted the columns of the search: cpu, gpu, or 'cpu after gpu failed'
    spare: MarkedFaces = NO_FACES  # no support may touch them; weighed as ``show`` faces
    never_fits: Notice | None = None  # set when the part fits in no lie

    @staticmethod
    def EARLIER(data: dict[str, Any]) -> dict[str, Any]:
        """As documents up to falsework.lies/2 hold it: with what is among the weights now."""
        return {name: value for name, value in data.items() if name != "care"}

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
        """What the figures rest on."""
        return words.error(self)

    @property
    def marked(self) -> str:
        """What of the part is to be kept clean, in words; '' for nothing."""
        return marked_words(self.show, self.spare)
