"""Splits in words: where the cuts go, what they leave, what to heed, and why not to cut."""

from __future__ import annotations

import math

from falsework.redrawing.split.value import Plane, Split, Uncut
from falsework.wording import figures

UPRIGHT_DEG = 89.995
_AXES = ("x", "y", "z")
CAUTION = (
    "A glued joint is weaker than the part: whether it carries the load is for the user or a licensed "
    "engineer to say",
    "Glue: air the room, keep it off skin and eyes, and follow its maker's sheet",
)
SEVERAL = (
    "the part is several bodies that do not touch",
    "Save each body as a part of its own, and split the one that needs support",
)


def where(plane: Plane) -> str:
    """Where a cut goes, in the frame of the files, with the digits that reproduce it."""
    along = [k for k in range(3) if abs(plane.normal[k]) > 1.0 - 1e-6]
    through = "" if plane.cuts == "the part" else f" through {plane.cuts}"
    on = ", in a face of the part" if plane.on_face else ""
    if along:
        axis = along[0]
        at = plane.offset_mm * plane.normal[axis]
        level = "level" if axis == 2 else "upright"
        return f"{level} at {_AXES[axis]} = {figures.with_unit(at, 'mm', 2)}{through}{on}"
    lean = math.degrees(math.acos(min(1.0, abs(plane.normal[2]))))
    normal = ", ".join(figures.given(v, 6) for v in plane.normal)
    far = figures.with_unit(plane.offset_mm, "mm", 3)
    how = "upright" if lean > UPRIGHT_DEG else f"leaning by {figures.with_unit(lean, '°', 2)} from level"
    return f"{how}, across ({normal}) at {far}{through}{on}"


def what(split: Split) -> str:
    """One sentence: the cuts, the pieces, what they need, the glue and the pins."""
    cuts = " and ".join(where(plane) for plane in split.planes)
    count = len(split.pieces)
    if split.needs_no_support:
        need = "none needs support" if count > 2 else "neither needs support"
    else:
        grams = sum(piece.printed.support.mass_g for piece in split.pieces)
        free = sum(piece.printed.needs_no_support for piece in split.pieces)
        takes = figures.mass(grams) if grams >= 0.05 else "next to none"
        need = (
            f"{free} of them need{'s' * (free == 1)} no support, the rest {takes}"
            if free
            else f"support: {takes}"
        )
    pins = sum(len(joint.pins) for joint in split.joints)
    pinned = figures.counted(pins, "loose pin") if pins else "no room for pins"
    glue = figures.area(split.glue_mm2)
    return f"Cut {cuts}: {figures.counted(count, 'piece')}, {need}; glue over {glue}, {pinned}"


def notes(split: Split) -> tuple[str, ...]:
    """What a person should know about a split."""
    said = []
    if not split.fits:
        misfits = [f"{p.name}: {p.lie.misfit}" for p in split.pieces if not p.lie.fits]
        said.append("Not every piece fits the printer: " + "; ".join(misfits))
    bare = [joint for joint in split.joints if not joint.pins]
    if bare:
        said.append(
            f"{_of(len(bare), split, 'is', 'are')} too narrow or too shallow for pins: hold the pieces edge "
            "to edge while the glue sets"
        )
    loose = [joint for joint in split.joints if joint.pins and not joint.one_way]
    if loose:
        said.append(
            f"{_of(len(loose), split, 'does', 'do')} not say by pins which way round the pieces go: mark them"
        )
    if any(joint.pins for joint in split.joints):
        said.append(
            "Print the pins lying on a side, and try one in its hole before gluing: the clearance is common "
            "practice, no source; clear a tight hole with a drill of its size"
        )
    if any(piece.on_cut for piece in split.pieces):
        said.append(
            "The first layer spreads: take the rim off each cut face that lay on the bed, or the joint gapes"
        )
    return (*said, *CAUTION)


def _of(count: int, split: Split, one: str, many: str) -> str:
    if len(split.joints) == 1:
        return f"The joint {one}"
    return f"{count} of {len(split.joints)} joints {one if count == 1 else many}"


def why_not(options: list[Split], uncut: Uncut, planes: int, marked: bool) -> tuple[str, str]:
    """Why the part is better left whole, and what to do about it; empty where a split gains."""
    if not options:
        if planes == 0 and marked:
            return (
                "every cut would go through a face to keep clean, or one that must stay as it is",
                "Mark fewer faces, or leave the part whole",
            )
        return (
            "no plane leaves a few whole pieces with joints wide enough to glue",
            "Leave the part whole, or change its undersides",
        )
    best = options[0]
    if uncut.lie.fits and best.price >= uncut.printed.price:
        need = "needs no support" if uncut.printed.needs_no_support else "needs less than the gluing costs"
        return (
            f"nothing is gained: in its best position the part {need} "
            f"({figures.price(uncut.printed.price)} against {figures.price(best.price)})",
            "Print the part in that position, and leave it whole",
        )
    if not best.fits:
        return (
            "no split found leaves only pieces that fit the printer",
            "Allow more cuts, or scale the part down",
        )
    return "", ""
