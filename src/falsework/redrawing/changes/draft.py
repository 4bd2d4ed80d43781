"""``Draft`` and ``Refusal``: a change as it is drawn, not yet proved; or why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from falsework.arrays import Point

if TYPE_CHECKING:
    from manifold3d import Manifold

    from falsework.layers.stack import Floats


class ChangeKind(StrEnum):
    """What is done to the part.

    Examples
    --------
    >>> import falsework
    >>> falsework.ChangeKind("peaked roof")
    <ChangeKind.ROOF: 'peaked roof'>
    >>> [kind.value for kind in falsework.ChangeKind][:2]
    ['corbel', 'peaked roof']
    """

    CORBEL = "corbel"  # material beneath, receding until it meets the part
    ROOF = "peaked roof"  # material taken away above, so that the ceiling closes by itself
    RIBS = "ribs"  # thin walls that split a flat span into spans that bridge
    STEPS = "crossed steps"  # a stepped hole closed by bridges that cross, a layer each
    MEMBRANE = "membrane"  # one layer across a stepped hole, cut out afterwards
    FINS = "drawn-in fins"  # break-away walls that belong to the drawing


@dataclass(frozen=True)
class Dimension:
    """One phrase with places in it, ``{}`` for each of ``points_mm``, in the frame of the placed part."""

    phrase: str
    points_mm: tuple[Point, ...] = ()

    def words(self, shift_mm: Floats) -> str:
        """The phrase with its places in the frame of the files, which lies ``shift_mm`` from the part's."""
        moved = [np.subtract(point, shift_mm) + 0.0 for point in self.points_mm]
        return self.phrase.format(*("({:.2f}, {:.2f}, {:.2f})".format(*np.round(p, 2) + 0.0) for p in moved))


@dataclass(frozen=True, eq=False)
class Region:
    """One named solid that a change adds to the part or takes from it, in the placed part's frame, mm."""

    name: str
    solid: Manifold


@dataclass(frozen=True, eq=False)
class Draft:
    """One change for one underside, drawn but not proved.

    ``words``: what is done, one plain sentence with its sizes. ``added`` may reach into the part, ``removed``
    beyond it: what counts is ``(part ∪ added) - removed``. ``by_hand``: what is left to do after printing, as
    a sentence ('' for nothing); ``breaks``: how many pieces have to be broken off or cut out, ``trim_mm`` the
    length of seams to be trimmed. ``wall_down`` names permanent walls that stand on the bed or the part by
    themselves, '' for none; ``freeform``: what is added follows layers and no plane. ``notes``: further
    sentences a person should know; ``dimensions``: what a person types to draw it.
    """

    kind: ChangeKind
    underside: int
    words: str
    added: tuple[Region, ...] = ()
    removed: tuple[Region, ...] = ()
    by_hand: str = ""
    wall_down: str = ""
    freeform: bool = False
    breaks: int = 0
    trim_mm: float = 0.0
    notes: tuple[str, ...] = ()
    dimensions: tuple[Dimension, ...] = ()


def added_mm3(draft: Draft) -> float:
    """The volume of what a draft adds, what of it lies within the part included."""
    return sum(region.solid.volume() for region in draft.added)


@dataclass(frozen=True)
class Refusal:
    """Why a kind of change is not offered for an underside, and what would help ('' where nothing).

    ``most_price``: of one that could be drawn but was not, the most that it may save; None for one that
    cannot be. ``harms``: what of the part's function such a one would spoil.
    """

    kind: ChangeKind
    underside: int
    why: str
    cure: str = ""
    most_price: float | None = None
    harms: tuple[str, ...] = ()

    @property
    def on_request(self) -> bool:
        """Whether it is drawn when it is asked for by name."""
        return self.most_price is not None
