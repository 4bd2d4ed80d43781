"""Notices: what a person should know, as a code and its figures. The sentence is made where it is shown.

A notice is a frozen dataclass with a ``code`` under which documents hold it; ``text`` is its sentence in
``wording.english``. Documents read back what they wrote; a bare sentence in one of before is an ``Earlier``.
New notices of any room are made the same way: a class here, its sentence there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

SPARED = "faces supports must not touch"


@dataclass(frozen=True)
class Notice:
    """A code and figures; ``text`` says it, without a full stop."""

    code: ClassVar[str] = ""
    kinds: ClassVar[dict[str, type[Notice]]] = {}  # every notice by its code
    SAID: ClassVar[tuple[str, ...]] = ("text",)  # made when shown, not part of documents

    def __init_subclass__(cls, code: str) -> None:
        cls.code = code
        assert code not in Notice.kinds, code
        Notice.kinds[code] = cls

    @property
    def text(self) -> str:
        from falsework.wording.english import said

        return said(self)

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Range:
    """A predicted figure with its 90 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Earlier(Notice, code="earlier"):
    """A sentence from a document of before notices had codes."""

    sentence: str


@dataclass(frozen=True)
class Obstacle:
    """What leaves no room for a support: ``what`` of 'part' (in the way of support from the bed), 'gap' (too
    near beneath for the gaps), 'sides' (too close), and the place of it.

    ``room_mm`` is the height that there is, ``takes_mm`` what the gaps take; 0 where they do not decide.
    """

    what: str
    at_mm: tuple[float, float, float]
    room_mm: float = 0.0
    takes_mm: float = 0.0


# --- the part


@dataclass(frozen=True)
class TooLarge(Notice, code="too-large"):
    """Along ``axis`` the part is longer than the build volume; at ``fits_at_percent`` all of it would fit."""

    axis: str
    long_mm: float
    room_mm: float
    fits_at_percent: float


@dataclass(frozen=True)
class TooLow(Notice, code="too-low"):
    """The part lies lower than the middle of the first layer."""


@dataclass(frozen=True)
class NeverFits(Notice, code="never-fits"):
    """In no position the part fits the build volume; at ``fits_at_percent`` of its size it would in one."""

    part: str
    build_mm: tuple[float, float, float]
    fits_at_percent: float


@dataclass(frozen=True)
class AlwaysTooLow(Notice, code="always-too-low"):
    """In every position the part lies lower than the middle of the first layer."""

    part: str


@dataclass(frozen=True)
class MeshFault(Notice, code="mesh-fault"):
    """A serious finding of the healing: ``what`` was found how often, and what was ``done``."""

    what: str
    count: int
    done: str
    where_mm: tuple[float, float, float] | None


@dataclass(frozen=True)
class OpenLayers(Notice, code="open-layers"):
    """Layers of an open mesh that were closed by bridging gaps."""

    layers: int
    of: int
    widest_mm: float
    first_z_mm: float


@dataclass(frozen=True)
class ThinPart(Notice, code="thin-part"):
    """A share of the part is narrower than a line."""

    share: float
    line_width_mm: float
    first_mm: tuple[float, float, float]


# --- where supports start; areas in mm²


@dataclass(frozen=True)
class LeftForSpared(Notice, code="left-for-spared"):
    """Of an underside, what is left for the sake of faces that no support may touch."""

    underside: int
    left_mm2: float
    of_mm2: float


@dataclass(frozen=True)
class OutOfReach(Notice, code="out-of-reach"):
    """Of an underside, what cannot be carried from the bed."""

    underside: int
    left_mm2: float
    of_mm2: float


@dataclass(frozen=True)
class Scar(Notice, code="scar"):
    """The support of an underside stands on the part, around ``at_mm`` (x, y), from ``z_mm`` low to high."""

    underside: int
    scar_mm2: float
    at_mm: tuple[float, float]
    z_mm: tuple[float, float]


@dataclass(frozen=True)
class MoreScars(Notice, code="more-scars"):
    """Lesser scars, together."""

    undersides: tuple[int, ...]
    scar_mm2: float


@dataclass(frozen=True)
class MayFail(Notice, code="may-fail"):
    """What is left of an underside may ruin the print; ``droop_mm`` None: it starts in mid-air."""

    underside: int
    droop_mm: float | None
    left_mm2: float


@dataclass(frozen=True)
class SparedLeft(Notice, code="spared-left"):
    """Undersides that lie on faces that no support may touch, left for it; ``worst_mm`` droop of them, or
    fall."""

    undersides: tuple[int, ...]
    worst_mm: Range
    falls: bool = False


@dataclass(frozen=True)
class SparedCarried(Notice, code="spared-carried"):
    """Undersides that lie on such faces and are carried all the same, by the user's choice."""

    undersides: tuple[int, ...]


@dataclass(frozen=True)
class NotBuilt(Notice, code="not-built"):
    """Undersides beneath which no support could be built, whatever was chosen; ``obstacle`` is what stands in
    the way of the first, ``worst_mm`` droops most, or falls deepest."""

    undersides: tuple[int, ...]
    touches_spared: bool
    worst_mm: Range
    obstacle: Obstacle | None = None
    falls: bool = False


# --- what starts in mid-air, and how the part itself stands


@dataclass(frozen=True)
class IslandLeft(Notice, code="island-left"):
    """An underside starts in mid-air in so many ``places``, the lowest at ``at_mm``, with no support beneath:
    what is laid there falls ``falls_mm``."""

    underside: int
    places: int
    at_mm: tuple[float, float, float]
    falls_mm: float


@dataclass(frozen=True)
class IslandsLeft(Notice, code="islands-left"):
    """The same of further undersides, together: the deepest fall and its place."""

    undersides: tuple[int, ...]
    at_mm: tuple[float, float, float]
    falls_mm: float


@dataclass(frozen=True)
class NarrowFirstLayer(Notice, code="narrow-first-layer"):
    """Most of the first layer is narrower than half a line."""

    first_layer_mm2: float
    printable_mm2: float


@dataclass(frozen=True)
class Topples(Notice, code="topples"):
    """The part may fall over when the layer at ``height_mm`` is laid, towards ``towards_deg`` from x: moments
    that hold and tip it, in N·mm, and the safety that is asked for."""

    height_mm: float
    towards_deg: float
    righting_nmm: float
    turning_nmm: float
    safety: float
    asked_safety: float


@dataclass(frozen=True)
class Curls(Notice, code="curls"):
    """Sharp corners of the first layer would curl up by ``curl_mm`` if they came free."""

    corners: int
    curl_mm: float


@dataclass(frozen=True)
class Rim(Notice, code="rim"):
    """What helps: a rim around the first layer, printed along and cut off afterwards; its price with the hand
    work."""

    breadth_mm: float
    mass_g: float
    price: float
    safety: float


@dataclass(frozen=True)
class DrawnFoot(Notice, code="drawn-foot"):
    """What helps: the same foot drawn into the part, ``height_mm`` high, which stays on it."""

    breadth_mm: float
    height_mm: float
    mass_g: float
    price: float
    safety: float


@dataclass(frozen=True)
class LayOtherwise(Notice, code="other-lie"):
    """What helps: another position of the part on the bed; turned by ``turn_deg`` it stands by itself. Where
    it was planned, it costs ``price`` in all instead of ``instead_of``. None: none was looked for."""

    turn_deg: tuple[float, float, float] | None = None
    price: float = 0.0
    instead_of: float = 0.0


@dataclass(frozen=True)
class HeldUpright(Notice, code="held-upright"):
    """Undersides that are carried so that the part stands."""

    undersides: tuple[int, ...]


# --- supports and how they come off


@dataclass(frozen=True)
class WeakPieces(Notice, code="weak-pieces"):
    """Pieces of support that may fall or buckle."""

    pieces: tuple[int, ...]


@dataclass(frozen=True)
class NotStanding(Notice, code="not-standing"):
    """So many ``pieces`` of support that would not have stood are not built: ``area_mm2`` of what they would
    have carried is left."""

    pieces: int
    undersides: tuple[int, ...]
    area_mm2: float


@dataclass(frozen=True)
class Trapped(Notice, code="trapped"):
    """Pieces that never come out of the part: ``inside_g`` of filament stay in it. ``stays_price`` weighs
    carrying their undersides so, ``left_price`` leaving them bare; ``worst_mm`` is the droop that would be
    left, or the fall."""

    pieces: tuple[int, ...]
    inside_g: float = 0.0
    stays_price: float = 0.0
    left_price: float = 0.0
    worst_mm: Range | None = None
    falls: bool = False


@dataclass(frozen=True)
class DugOut(Notice, code="dug-out"):
    """Pieces that come out only in bits, and not all of them."""

    pieces: tuple[int, ...]


@dataclass(frozen=True)
class Tears(Notice, code="tears"):
    """Pieces that may take some of the part along."""

    pieces: tuple[int, ...]


# --- why an underside is left or carried


@dataclass(frozen=True)
class Holds(Notice, code="holds"):
    """It needs nothing: no layer reaches further over air than ``free_mm``."""

    free_mm: float
    asked: str = ""


@dataclass(frozen=True)
class Left(Notice, code="left"):
    """It is left, and droops by ``droop_mm``.

    ``kind``: of the underside; ``over_mm``: its span, or how far it reaches out. ``because``: 'cost' (support
    would take ``mass_g`` and ``time_s``), 'no-room' (the gaps take all the height), 'no-room-on-bed' (the
    part is in the way, from ``part_z_mm`` low to high), 'obstacle', 'would-touch',
    'lies-on-spared' or 'weak' (what could be built may not stand).
    ``asked``: '', 'all' (where supports stand was asked for), 'own' (for this underside) or 'own-on-spared'.
    """

    kind: str
    over_mm: float
    droop_mm: Range
    because: str
    mass_g: float = 0.0
    time_s: float = 0.0
    asked: str = ""
    part_z_mm: tuple[float, float] | None = None
    obstacle: Obstacle | None = None


@dataclass(frozen=True)
class Carried(Notice, code="carried"):
    """It is carried ``where``: 'bed', 'part' or 'both'; ``droop_mm`` left alone, None for one in mid-air.

    Of ``of_mm2`` so much is ``left_mm2``, of that ``spared_mm2`` for faces that no support may touch; 0 where
    it is not worth a word, and so is ``scar_mm2``. ``asked`` as in ``Left``.
    """

    where: str
    mass_g: float
    time_s: float
    droop_mm: Range | None
    of_mm2: float
    left_mm2: float = 0.0
    spared_mm2: float = 0.0
    scar_mm2: float = 0.0
    asked: str = ""
