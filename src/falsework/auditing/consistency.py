"""Whether a program keeps to what it does itself, from layer to layer: flow, heights, filament drawn back."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.flow import Fed, FlowPlaces
from falsework.auditing.gather import ProgramTotals
from falsework.auditing.layer_sums import FILL, WALL, LayerSums
from falsework.auditing.survey import ProgramSurvey
from falsework.auditing.value import Finding, FindingLevel

_LEAST_MM = 20.0  # of a class in a layer, before its mean tells anything
_UNDER, _OVER = 0.72, 1.45  # shares of what the room or the majority says
_SOME_WALLS = 0.25  # of them, where not all are off
_FEW_LAYERS, _SHARE = 3, 0.1  # that must be off
_PRESSED, _SO_DEEP = 0.75, 0.3  # share of its height that a layer lies above the last; of its strands
_ALWAYS, _MOSTLY, _IN_A_ROW = 0.9, 0.4, 5  # share of travels; of layers with so many; layers
_FITS = 0.1  # how near the room's width must come to some layers' to be what all are held against


def flow_findings(layers: LayerSums, fed: Fed) -> Iterable[Finding]:
    """Walls or fill that get too little or too much, all of them or some layers."""
    if fed.change is not None or (fed.share is not None and not _UNDER < fed.share < _OVER):
        return  # told as that of all strands
    if fed.places is not None:
        yield _in_places(fed.places)
        return
    by_class = (
        ("walls", WALL, fed.wall_share, fed.wall_pitch_mm),
        ("strands of the fill", FILL, fed.fill_share, None),
    )
    for what, which, share, pitch_mm in by_class:
        if share is not None and not _UNDER < share < _OVER:
            yield _all_through(what, share)
        elif which == WALL and fed.thin_walls > _SOME_WALLS:
            says = (
                f"{100 * fed.thin_walls:.0f} % of the walls get less than 80 % of the filament that they need"
            )
            cure = "Check the flow and the width that are set for outer and for inner walls"
            yield Finding(0, "starved", FindingLevel.FAULT, says, cure, found=fed.thin_walls, planned=0.0)
        elif which == WALL:
            yield from _by_layer(layers, pitch_mm)


def _in_places(of: FlowPlaces) -> Finding:
    x0, y0, x1, y1 = of.box_mm
    where = f"from x {x0:.0f} to {x1:.0f}, y {y0:.0f} to {y1:.0f}"
    says = (
        f"in {100 * of.part:.0f} % of the places looked at, {where}, strands get {100 * of.there:.0f} % of "
        f"the filament that they need; elsewhere {100 * of.elsewhere:.0f} %"
    )
    cure = "Look for what changes the flow from place to place"
    kind = "starved" if of.there < of.elsewhere else "overfed"
    return Finding(0, kind, FindingLevel.FAULT, says, cure, found=of.there, planned=of.elsewhere)


def _all_through(what: str, share: float) -> Finding:
    cure = f"Check the flow and the width that are set for {what}"
    if share < 1.0:
        says = f"{what} get {100 * share:.0f} % of the filament that they need: they do not touch each other"
        return Finding(0, "starved", FindingLevel.FAULT, says, cure, found=share, planned=1.0)
    says = f"{what} get {share:.1f} times the filament that they have room for"
    return Finding(0, "overfed", FindingLevel.FAULT, says, cure, found=share, planned=1.0)


def pressed_findings(layers: LayerSums) -> Iterable[Finding]:
    """Layers that are laid nearer to what is beneath than their strands are fed for."""
    share = layers.depth_mm / np.maximum(layers.height_mm, 1e-9)
    low = np.flatnonzero((share < _PRESSED) & (layers.so_deep > _SO_DEEP))
    low = low[low > 0]
    if len(low) == 0:
        return
    k = int(low[np.argmin(share[low])])
    many = "a layer is" if len(low) == 1 else f"{len(low)} layers are"
    says = (
        f"{many} fed for {layers.height_mm[k]:.2f} mm and laid {layers.depth_mm[k]:.2f} mm above what is "
        f"beneath, at height {layers.z_mm[k]:.2f} mm"
    )
    cure = "Look at the heights of layers around here, and at what sets the count of z anew"
    lines = tuple(int(n) for n in layers.line[low[:5]])
    yield Finding(
        0, "overfed", FindingLevel.FAULT, says, cure, len(low), lines=lines,
        found=float(layers.depth_mm[k]), planned=float(layers.height_mm[k]), unit="mm",
    )  # fmt: skip


_AROUND, _LEAST_AROUND_MM = 2, 60.0  # layers on each side; of walls in each of these
_AGREE, _LACKS = 1.1, 0.55  # how alike these must be; share of the least of them


def lacking_findings(layers: LayerSums) -> Iterable[Finding]:
    """Single layers without much of the walls that the layers around them agree on.

    Fill tells nothing alone: what carries an underside ends a gap beneath it, and counts as fill, too.
    """
    z, n = layers.z_mm, len(layers)
    if n < 2 * _AROUND + 1:
        return
    at = np.arange(_AROUND, n - _AROUND)
    long = layers.length_mm[:, WALL]
    around = np.array([long[at + by] for by in range(-_AROUND, _AROUND + 1) if by])
    least, most = around.min(axis=0), around.max(axis=0)
    rising = np.array([bool(np.all(np.diff(z[k - _AROUND : k + _AROUND + 1]) > 0.0)) for k in at])
    # walls whose paths are left open by this layer alone are still there
    every = layers.length_mm.sum(axis=1)
    whole = np.array([every[at + by] for by in (-1, 1)]).min(axis=0)
    gone = every[at] < whole - 0.5 * (least - long[at])
    off = rising & gone & (least > _LEAST_AROUND_MM) & (most < _AGREE * least) & (long[at] < _LACKS * least)
    if not off.any():
        return
    k = int(at[off][np.argmin(long[at[off]] / least[off])])
    share = float(long[k] / long[[k - 1, k + 1]].min())
    many = "one layer has" if off.sum() == 1 else f"{int(off.sum())} layers have"
    says = f"{many} {100 * share:.0f} % of the walls of those around, at height {z[k]:.2f} mm"
    cure = "Look at what this layer leaves out; make the program again"
    lines = tuple(int(line) for line in layers.line[at[off]][:5])
    yield Finding(
        0, "walls", FindingLevel.CAUTION, says, cure, int(off.sum()), lines=lines, found=share, planned=1.0
    )


_EVERY, _TWICE, _MANY_LAYERS = 0.8, 0.02, 5  # layers; share of all strands; layers at least


def doubled_findings(totals: ProgramTotals) -> Iterable[Finding]:
    """A little that is laid over others of its layer, in layer after layer."""
    if totals.looked_layers < _MANY_LAYERS or totals.twice_layers < _EVERY * totals.looked_layers:
        return
    if totals.twice_mm > _TWICE * totals.looked_mm:
        share = totals.twice_mm / totals.looked_mm
        says = (
            f"{100 * share:.0f} % of the strands are laid over others of their own layer, layer after layer"
        )
        cure = "Look for lines that run on past their beginning, or come twice"
        yield Finding(
            0, "laid twice", FindingLevel.FAULT, says, cure, totals.twice_layers, found=share, planned=0.0
        )


def drawing_back_findings(found: ProgramSurvey) -> Iterable[Finding]:
    """Layers in a row whose travels no longer draw filament back, where others always do."""
    told = np.flatnonzero(found.travel_mm > 0.0)
    if len(told) < 2 * _IN_A_ROW:
        return
    share = found.drawn_mm[told] / found.travel_mm[told]
    if np.mean(share > _ALWAYS) < _MOSTLY:
        return
    bounds = np.flatnonzero(np.diff(np.r_[False, share < 1.0 - _ALWAYS, False]))
    begin, end = max(bounds.reshape(-1, 2), key=lambda b: b[1] - b[0], default=(0, 0))
    if end - begin < _IN_A_ROW:
        return
    some = told[begin:end]
    says = (
        f"from height {found.z_mm[some[0]]:.1f} to {found.z_mm[some[-1]]:.1f} mm no travel draws filament "
        "back, as others do: it will ooze and leave strings"
    )
    cure = "Look for what switches the drawing back off there; make the program again"
    yield Finding(
        0, "retraction", FindingLevel.CAUTION, says, cure, len(some), lines=(int(found.line[some[0]]),)
    )


def _by_layer(layers: LayerSums, pitch_mm: float | None) -> Iterable[Finding]:
    """Layers whose walls get another share than the others'."""
    long, laid = layers.length_mm[1:, WALL], layers.volume_mm3[1:, WALL]
    told = np.flatnonzero(long > _LEAST_MM)
    if len(told) < 2 * _FEW_LAYERS:
        return
    wide = laid[told] / (long[told] * layers.height_mm[1:][told])
    least = max(_FEW_LAYERS, _SHARE * len(told))
    share = wide / _meant(wide, pitch_mm)
    for kind, off in (("starved", share < _UNDER), ("overfed", share > _OVER)):
        if off.sum() >= least:
            yield _of_layers(kind, layers, told[off] + 1, share[off], off)


def _meant(wide: NDArray[np.float64], pitch_mm: float | None) -> float:
    """What walls of sound layers get a millimetre of way and height: the room, where some layers have that;
    else what most get.
    """
    middle = float(np.median(wide))
    if pitch_mm is None:
        return middle
    fits = np.mean(np.abs(wide / pitch_mm - 1.0) < _FITS)
    return pitch_mm if fits > _FITS else middle


def _of_layers(
    kind: str, layers: LayerSums, which: NDArray[np.int64], share: NDArray[np.float64], off: NDArray[np.bool_]
) -> Finding:
    worst = float(share.min() if kind == "starved" else share.max())
    z = layers.z_mm[which]
    where = f"in {len(which)} of {len(off)} layers, from {z.min():.1f} to {z.max():.1f} mm high"
    much = "too little" if kind == "starved" else "too much"
    says = f"walls get {much} filament {where}: {100 * worst:.0f} % of the others' at the worst"
    cure = "Look for what changes the flow between layers; check the feeding of filament"
    lines = tuple(int(n) for n in layers.line[which[:5]])
    return Finding(0, kind, FindingLevel.FAULT, says, cure, len(which), lines=lines, found=worst, planned=1.0)
