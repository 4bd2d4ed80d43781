"""Letters and figures as strokes of one width, drawn for the nozzle: what stands on a test piece.

A glyph is a set of lines on a lattice three strokes wide and five high. Strokes and the gaps between them are
equally wide, so whatever the nozzle, lines and gaps are as wide as the stroke asked for.
"""

from __future__ import annotations

import numpy as np

from falsework.layers import overlay, planar

# Corner points as digits: column 0..2 times two strokes, row 0..4 times one stroke; lines parted by spaces.
_GLYPHS = {
    "A": "00 04 24 20,02 22",
    "B": "00 04 14 23 12 21 10 00,02 12",
    "C": "24 04 00 20",
    "D": "00 04 14 23 21 10 00",
    "E": "24 04 00 20,02 22",
    "F": "24 04 00,02 22",
    "G": "24 04 00 20 22",
    "H": "00 04,20 24,02 22",
    "J": "24 20 00 01",
    "K": "00 04,24 02 20",
    "L": "04 00 20",
    "M": "00 04 12 24 20",
    "N": "00 04 20 24",
    "P": "00 04 24 22 02",
    "R": "00 04 24 22 02,12 20",
    "S": "24 04 02 22 20 00",
    "T": "04 24,14 10",
    "U": "04 00 20 24",
    "V": "04 10 24",
    "W": "04 00 12 20 24",
    "X": "00 24,04 20",
    "Y": "04 12 24,12 10",
    "Z": "04 24 00 20",
    "1": "03 14 10",
    "2": "04 24 22 02 00 20",
    "3": "04 24 20 00,02 22",
    "4": "04 02 22,24 20",
    "5": "24 04 03 13 22 21 10 00",
    "7": "04 24 10",
    "9": "22 02 04 24 20 00",
}
LABELS = "ABCDEFGHJKLMNPRSTUVWXYZ"
"""Labels of cells: letters that are not taken for figures or for each other."""
CODE_SIGNS = "ABCDEFGHJKLMNPRTUVWXY3479"
"""Signs of codes."""
WIDE, HIGH, APART = 3.0, 5.0, 1.0
"""Size of a glyph and the space between two, in strokes."""


def width_strokes(text: str) -> float:
    """Length of a line of text, in strokes."""
    return len(text) * (WIDE + APART) - APART


def lettering(text: str, stroke_mm: float) -> planar.Geometry:
    """Outline of a line of text, lower left corner at the origin, ``HIGH`` strokes high; KeyError on a sign
    that there is no glyph for."""
    strokes = []
    box = planar.box(0.0, 0.0, width_strokes(text) * stroke_mm, HIGH * stroke_mm)
    for place, sign in enumerate(text):
        left = 0.5 + place * (WIDE + APART)
        for line in _GLYPHS[sign].split(","):
            points = [(left + int(p[0]), 0.5 + int(p[1])) for p in line.split()]
            strokes.append(planar.LineString(np.array(points) * stroke_mm))
    wide = overlay.buffer(strokes, 0.5 * stroke_mm, cap_style="square", join_style="mitre", mitre_limit=1.5)
    return overlay.intersection(overlay.union_all(wide), box)
