"""``Splits``: ways to cut a part into pieces, what each takes, and the uncut part beside them."""

from __future__ import annotations

from dataclasses import dataclass, field

from manifold3d import Manifold

from falsework.arrays import Vector
from falsework.orientation.value import Orientation
from falsework.redrawing.printed import Printed


@dataclass(frozen=True)
class Gluing:
    """What joining costs. Everything here is constructed, not measured: set your own.

    ``hand_per_hour``: price of an hour of hands, far below a wage, since the hands that take supports off are
    not priced either. ``joint_min``, ``pin_min``, ``cm2_min``: minutes for each joint, each pin, each square
    centimetre of glue; curing is not counted. The rest are shares of the price of printing the part:
    ``fails``, the chance that a joint of hardly any area fails (one as large as the part's largest section is
    taken for safe); ``seam``, what a seam takes that runs across smooth faces and follows no edge; ``askew``,
    what it takes on top if the cut lies along nothing of the part's own.
    """

    hand_per_hour: float = 6.0
    joint_min: float = 2.0
    pin_min: float = 0.25
    cm2_min: float = 0.02
    fails: float = 0.3
    seam: float = 0.1
    askew: float = 0.1

    def price(self, joints: int, pins: int, area_mm2: float) -> float:
        """Price of the hands that glue ``joints`` with ``pins``, ``area_mm2`` in all."""
        minutes = self.joint_min * joints + self.pin_min * pins + self.cm2_min * 0.01 * area_mm2
        return self.hand_per_hour * minutes / 60.0

    def risk(self, area_share: float, on_face: bool, askew: bool) -> float:
        """Share of the part's price that a joint costs; ``area_share`` of the largest section."""
        seam = 0.0 if on_face else self.seam + self.askew * askew
        return self.fails * (1.0 - min(area_share, 1.0)) + seam


@dataclass(frozen=True)
class Plane:
    """One cut: points with ``normal`` · point = ``offset_mm``, in the frame of the redraw's files.

    ``cuts``: 'the part', or 'one piece' where it goes through one of those that the cut before it left.
    ``on_face``: it lies in a plane face of the part. ``askew``: it lies along no face or axis of the part.
    """

    normal: Vector
    offset_mm: float
    cuts: str
    on_face: bool
    askew: bool


@dataclass(frozen=True)
class Piece:
    """One body that is printed by itself.

    ``lie``: how it is best laid down, its up direction and turn in the frame of the placed part, with the
    figures of columns; ``on_cut``: whether it lies on a cut face. ``printed``: the same by layers. ``solid``:
    with its holes, where it belongs in the part.
    """

    name: str
    volume_mm3: float
    lie: Orientation
    on_cut: bool
    printed: Printed
    solid: Manifold | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Pin:
    """A loose pin and the holes it goes into: a six-sided prism that is printed lying on a side.

    ``across_mm`` over the corners of the pin, ``hole_mm`` diameter of the round holes, ``depth_mm`` of each
    hole down to where its end begins to close, ``length_mm`` of the pin. ``center_mm`` on the plane.
    ``solid``: the pin as it is printed, lying on the bed at the origin.
    """

    across_mm: float
    hole_mm: float
    depth_mm: float
    length_mm: float
    center_mm: Vector
    solid: Manifold | None = field(default=None, compare=False, repr=False)

    @property
    def clearance_mm(self) -> float:
        """Between pin and hole, on the diameter."""
        return self.hole_mm - self.across_mm


@dataclass(frozen=True)
class Joint:
    """Where two pieces meet.

    ``glue_mm2``: their common face less the holes; ``thin_share`` of it that is narrower than two and a half
    lines; ``one_way``: the pins let the pieces go together in one way only.
    """

    pieces: tuple[str, str]
    plane: int  # place among the planes
    glue_mm2: float
    thin_share: float
    pins: tuple[Pin, ...]
    one_way: bool


@dataclass(frozen=True)
class Split:
    """One way to cut the part: what it takes in all."""

    planes: tuple[Plane, ...]
    pieces: tuple[Piece, ...]
    joints: tuple[Joint, ...]
    holes_mm3: float  # drilled for pins
    pins_price: float  # of printing them
    gluing_price: float  # of the hands, constructed
    joint_price: float  # for the chance that a joint fails, constructed
    needs_no_support: bool  # none of the pieces
    fits: bool
    words: str
    notes: tuple[str, ...]

    @property
    def price(self) -> float:
        """All pieces printed, pins, gluing and the joints' chance to fail."""
        printed = sum(piece.printed.price for piece in self.pieces)
        return printed + self.pins_price + self.gluing_price + self.joint_price

    @property
    def glue_mm2(self) -> float:
        return sum(joint.glue_mm2 for joint in self.joints)

    @property
    def time_s(self) -> float:
        return sum(piece.printed.time_s for piece in self.pieces)

    @property
    def mass_g(self) -> float:
        return sum(piece.printed.mass_g for piece in self.pieces)


@dataclass(frozen=True)
class Uncut:
    """The part in one piece, in its best lie."""

    lie: Orientation
    printed: Printed


@dataclass(frozen=True)
class Splits:
    """The best ways to cut a part, cheapest first, against the uncut part.

    ``why_not``: why the part is better left whole, or cannot be cut, and ``cure`` what to do; '' where a
    split gains. ``planes`` were looked at by columns, and cuts made in ``cut`` ways.
    """

    part: str
    digest: str
    process: str
    gluing: Gluing
    uncut: Uncut
    options: tuple[Split, ...]
    planes: int
    cut: int
    why_not: str
    cure: str
