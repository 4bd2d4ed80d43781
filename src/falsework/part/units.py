"""Units of length: what a file's numbers mean in millimetres."""

from __future__ import annotations

from falsework.errors import PartError
from falsework.part.part import MeshFinding
from falsework.wording.figures import length

MM_PER_UNIT = {"um": 0.001, "mm": 1.0, "cm": 10.0, "inch": 25.4, "foot": 304.8, "m": 1000.0}


def mm_per_unit(unit: str) -> float:
    """Millimetres in one ``unit``; ``PartError`` for a unit that is not known."""
    if unit not in MM_PER_UNIT:
        raise PartError("unit", f"'{unit}' is not known", f"Use one of {', '.join(MM_PER_UNIT)}")
    return MM_PER_UNIT[unit]


def guess_unit(extent: float) -> tuple[str, MeshFinding]:
    """Guess the unit of numbers that come without one, from the largest extent of the part.

    The rule prefers millimetres and leaves them only where they make a part that nobody prints:

    - 3 to 2000: millimetres. (An inch part of 3 to 40 inches lies in the same range: it cannot be
      told apart, and the finding says what inches would give.)
    - 0.5 to 3: inches. In millimetres the part would be a few layers high; in inches it is 13 to
      76 mm. Figures in arbitrary units fall here too, so the finding is serious.
    - 0.005 to 0.5: metres (5 to 500 mm).
    - above 5000: micrometres, if that makes 5 to 1000 mm.
    - else millimetres, and the finding is serious.

    Common practice, no source. The guess is always a finding; giving the unit replaces it.
    """
    serious = True
    if 3 <= extent <= 2000:
        unit, serious = "mm", extent < 8
    elif 0.5 <= extent < 3:
        unit = "inch"
    elif 0.005 <= extent < 0.5:
        unit, serious = "m", False
    elif 5000 < extent <= 1_000_000:
        unit = "um"
    else:
        unit = "mm"
    others = [u for u in ("mm", "inch", "m") if u != unit and 5 <= extent * MM_PER_UNIT[u] <= 1000]
    told = f"taken as {unit}: the part is {length(extent * MM_PER_UNIT[unit])} at its longest"
    if others:
        told += "; it would be " + " or ".join(f"{length(extent * MM_PER_UNIT[u])} in {u}" for u in others)
    return unit, MeshFinding("unit guessed", 1, f"{told}; give the unit to be sure", serious=serious)
