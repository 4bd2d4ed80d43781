"""The arrays behind a test piece: solids and supports of each body, in the frame in which it is printed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.layers.stack import Floats, Indices
from falsework.part.part import Part


@dataclass(frozen=True, eq=False)
class PrintedPiece:
    """One print: the piece itself, and its supports as separate shells.

    ``support_vertices`` (n, 3) mm, ``support_faces`` (m, 3), ``face_piece`` (m,) index of the support piece;
    ``piece_cell`` (P,) the label of the cell that each piece stands under.
    """

    part: Part
    support_vertices: Floats
    support_faces: NDArray[np.int32]
    face_piece: Indices
    piece_cell: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class CouponGeometry:
    """The bodies of a test piece, one per batch."""

    bodies: tuple[PrintedPiece, ...]
