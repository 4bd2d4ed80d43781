"""``SupportScheme``: the supports as regions, strands, pieces and one closed mesh."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from falsework.cost.cost import Cost
from falsework.layers.stack import Floats, Indices, Regions
from falsework.process.derived import Gap
from falsework.wording.notices import Notice


class Role(IntEnum):
    """What a strand of support is for."""

    LINE = 0  # the body's lines
    CROSS = 1  # second set of lines of a grid, or a tie between lines
    PERIMETER = 2
    CAP = 3  # interface layers on top
    SOLE = 4  # interface layers where the support stands on the part
    FOOT = 5  # widened first layers on the bed


@dataclass(frozen=True, eq=False)
class SupportStrands:
    """Straight strands of support, layer by layer: centre lines of extruded beads.

    ``ends_mm`` (E, 4) x0, y0, x1, y1; ``layer`` (E,) ; ``role`` (E,) values of ``Role``;
    ``piece`` (E,) index into ``SupportScheme.pieces``. Sorted by layer.
    """

    ends_mm: Floats
    layer: Indices
    role: NDArray[np.int8]
    piece: Indices

    def only(self, kept: NDArray[np.bool_]) -> SupportStrands:
        """Those of the pieces kept, (pieces,), which are numbered anew in their order."""
        mine = kept[self.piece]
        piece: Indices = (np.cumsum(kept) - 1)[self.piece[mine]]
        return SupportStrands(self.ends_mm[mine], self.layer[mine], self.role[mine], piece)

    @property
    def lengths_mm(self) -> Floats:
        lengths: Floats = np.hypot(
            self.ends_mm[:, 2] - self.ends_mm[:, 0], self.ends_mm[:, 3] - self.ends_mm[:, 1]
        )
        return lengths


@dataclass(frozen=True)
class TriedStructure:
    """Something else that could stand beneath a piece's undersides, and what it is estimated to take."""

    structure: str
    cost: Cost


@dataclass(frozen=True)
class SupportPiece:
    """One connected piece of support.

    ``undersides`` are the numbers it carries. Areas mm²: ``contact`` under the part (through the gap),
    ``foot`` on the bed, ``scar`` where it stands on the part. ``slenderness`` is free height over least
    thickness of its walls; ``buckling_safety`` Euler load over load carried; ``topple_safety`` righting over
    overturning moment; ``why`` says what it is built as and what the next best would take ('' where nothing
    was chosen), ``others`` all that was reckoned beside it, the cheapest first; ``remedy`` says what was done
    to make it stable ('' where nothing was needed), ``weak`` that it still fails a check.
    """

    number: int
    undersides: tuple[int, ...]
    contact_mm2: float
    foot_mm2: float
    scar_mm2: float
    bottom_mm: float
    top_mm: float
    slenderness: float
    buckling_safety: float
    topple_safety: float
    remedy: str
    weak: bool
    cost: Cost
    why: str = ""
    others: tuple[TriedStructure, ...] = ()


@dataclass(frozen=True, eq=False)
class SupportMesh:
    """Closed, outward-facing shells of plates and slabs, which overlap where they hold on to each other:
    ``vertices`` (n, 3), ``faces`` (m, 3), ``face_piece`` (m,) index of the piece, ascending."""

    vertices: Floats
    faces: NDArray[np.int32]
    face_piece: Indices


@dataclass(frozen=True, eq=False)
class SupportScheme:
    """Supports ready to be written: nothing in them touches the part, every layer rests on something.

    ``body``, ``cap``, ``sole``, ``foot``: (L,) shapely regions per layer of the part's ``LayerStack``
    (cap and sole are the interface layers above and beneath; body excludes them; foot is the widening on the
    bed). ``mesher`` makes the ``mesh``, once and when they are first asked for: to write, draw or pull.
    """

    gap: Gap
    gap_below: Gap
    pieces: tuple[SupportPiece, ...]
    body: Regions
    cap: Regions
    sole: Regions
    foot: Regions
    strands: SupportStrands
    mesher: Callable[[], SupportMesh]
    notes: tuple[Notice, ...] = ()

    @cached_property
    def mesh(self) -> SupportMesh:
        return self.mesher()

    @property
    def vertices(self) -> Floats:
        return self.mesh.vertices

    @property
    def faces(self) -> NDArray[np.int32]:
        return self.mesh.faces

    @property
    def face_piece(self) -> Indices:
        return self.mesh.face_piece
