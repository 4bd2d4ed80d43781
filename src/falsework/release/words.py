"""Sentences about release: one for each piece, a verdict for all, and what to mind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from falsework.arrays import Vector
from falsework.release.state import TOOL_N, ReleaseState
from falsework.wording import figures
from falsework.wording.figures import numbered

if TYPE_CHECKING:
    from falsework.release.value import PieceRelease, Remedy


def way_text(direction: Vector) -> str:
    """A direction in words: up, down, or along the arrow that the pictures draw, with its angles."""
    x, y, z = direction
    if abs(z) > 0.996:
        return "straight up" if z > 0 else "straight down"
    return f"along the arrow ({_angles(x, y, z)})"


def _angles(x: float, y: float, z: float) -> str:
    compass = np.degrees(np.arctan2(y, x)) % 360.0
    flat = f"{figures.with_unit(compass, '°', 0)} from x towards y"
    for name, angle in (("+x", 0.0), ("+y", 90.0), ("−x", 180.0), ("−y", 270.0), ("+x", 360.0)):
        if abs(compass - angle) < 5.0:
            flat = f"towards {name}"
    rise = np.degrees(np.arcsin(np.clip(z, -1.0, 1.0)))
    if abs(rise) < 5.0:
        return flat
    return f"{flat}, {figures.with_unit(abs(rise), '°', 0)} {'up' if rise > 0 else 'down'}"


def why(p: PieceRelease) -> str:
    """How a piece comes off, and what holds it."""
    tears = (
        f"; the part may tear: its weakest section near the contact, {figures.area(p.neck_mm2)}, bears "
        f"{figures.force(p.neck_n)}"
        if p.tears
        else ""
    )
    bond = figures.about_force(p.bond_n)
    if p.state is ReleaseState.STAYS:
        sure = "" if p.bond_n.high < p.bed_hold_n.low else " probably"
        return (
            f"The part lifts straight off it; it{sure} stays: the bed holds it with "
            f"{figures.about_force(p.bed_hold_n)}, the part with {bond}{tears}."
        )
    after = (
        f" once {numbered('piece', p.after)} {'is' if len(p.after) == 1 else 'are'} out" if p.after else ""
    )
    along = ""
    if p.bed_hold_n.value > 0.0:
        along = f"It comes along with the part once {figures.about_force(p.bed_hold_n)} lets its foot go. "
    if p.state in (ReleaseState.BY_HAND, ReleaseState.BY_TOOL):
        assert p.pull_direction is not None
        means = "by hand" if p.state is ReleaseState.BY_HAND else "with the tool"
        return f"{along}Pull it {means} {way_text(p.pull_direction)}{after}; {bond} holds it{tears}."
    firm = p.pull_direction is not None and p.bond_n.value > TOOL_N
    holds = f"As a whole it holds with more than the {figures.force(TOOL_N)} of a pull with the tool"
    if p.state is ReleaseState.BREAK:
        strands = sum(cut.strands for cut in p.cuts)
        planes = figures.counted(len(p.cuts), "cut")
        severs = f", {figures.counted(strands, 'strand')}," if strands else ""
        whole = holds if firm else "It leaves in no straight direction as a whole"
        return f"{whole}; {planes}{severs} into {figures.counted(len(p.blocks), 'block')} free it{tears}."
    if p.state is ReleaseState.DIG:
        if firm:
            return f"{holds}, and no few cuts free it: cut it away bit by bit{tears}."
        if p.pull_direction is not None:
            return (
                f"It would leave {way_text(p.pull_direction)}{after}, but neither fingers nor the tool get "
                f"hold of it; a 2 × 2 mm pick reaches {figures.share(p.pick_share)} of its surface{tears}."
            )
        return (
            f"It leaves in no straight direction, nor in a few blocks; a 2 × 2 mm pick reaches "
            f"{figures.share(p.pick_share)} of its surface, the rest may stay for ever{tears}."
        )
    return "The part closes it in: no opening of 2 × 2 mm leads to it, so it stays for ever."


def verdict(pieces: Sequence[PieceRelease]) -> str:
    """All pieces in one sentence."""
    if not pieces:
        return "There is nothing to take off."
    counts = Counter(piece.state for piece in pieces)
    plural = {
        ReleaseState.STAYS: ("stays on the bed", "stay on the bed"),
        ReleaseState.BY_HAND: ("comes by hand", "come by hand"),
        ReleaseState.BY_TOOL: ("comes with a tool", "come with a tool"),
        ReleaseState.BREAK: ("must be broken up first", "must be broken up first"),
        ReleaseState.DIG: ("must be picked out in bits", "must be picked out in bits"),
        ReleaseState.TRAPPED: ("cannot be removed", "cannot be removed"),
    }
    said = [f"{counts[state]} {plural[state][counts[state] > 1]}" for state in ReleaseState if counts[state]]
    torn = [piece.number for piece in pieces if piece.tears]
    tears = f"; {numbered('piece', torn)} may tear the part" if torn else ""
    if len(pieces) == 1:
        return f"The one piece {plural[pieces[0].state][0]}{tears}."
    if len(counts) == 1:
        return f"All {len(pieces)} pieces {plural[pieces[0].state][1]}{tears}."
    return f"Of {len(pieces)} pieces {', '.join(said)}{tears}."


def effect(r: Remedy) -> str:
    """What changes, in figures."""
    before, after = r.failing
    said = [f"{after} instead of {before} fail"]
    if after == before:
        said = [f"{after} still fail{'s' * (after == 1)}"]
    if r.trapped[0] != r.trapped[1]:
        said.append(f"{r.trapped[1]} instead of {r.trapped[0]} cannot be removed")
    if r.strands[0] != r.strands[1]:
        said.append(f"{r.strands[1]} instead of {r.strands[0]} strands to sever")
    if abs(r.left_mm2[1] - r.left_mm2[0]) >= 1.0:
        said.append(
            f"{figures.area(r.left_mm2[1])} instead of {figures.area(r.left_mm2[0])} left without support"
        )
    if abs(r.droop_mm[1] - r.droop_mm[0]) >= 0.005:
        said.append(f"sag {figures.length(r.droop_mm[1])} instead of {figures.length(r.droop_mm[0])}")
    if abs(r.price[1] - r.price[0]) >= 0.01:
        said.append(f"supports cost {figures.price(r.price[1])} instead of {figures.price(r.price[0])}")
    return ", ".join(said)
