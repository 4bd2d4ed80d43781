"""Kinds of fault by what goes wrong in print rooms, written when those of ``practice`` were known.

All were written down, and parted by the draw below, before any was run: ``TUNED_ON`` may be looked into;
``SEALED`` is only counted, and nothing is changed for it. A kind gives no program of a part on which it is no
fault.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import shapely
import shapely.ops

import planted
from afresh import _AIR, _LESS, _MORE, _MOVED
from further import _against, _alone, _support, _text
from planted import Fault, plain_levels, plan_of, planned_bytes, planned_levels
from practice import _has, _plain_plan, _rises, _with
from sliced import Level, Stroke, hatch, moved, outline, written

FAULTS: dict[str, Fault] = {}
_TWICE = ("laid twice", "overlap", "crossed", "ploughs")
_THE_SUPPORTS = (*_MOVED, "interface", "spacing", "support off the part")


def fault(name: str, *kinds: str, planned: bool = False):
    def keep(make: Callable[[str], bytes | None]):
        FAULTS[name] = Fault(frozenset(kinds), make, planned)
        return make

    return keep


def _above(part: str, share: float) -> int:
    """The layer at that share of the plan's layers."""
    return int(share * len(planned_levels(part)))


# where and how much is laid


@fault("fill that reaches through the walls", "outline", "stray", *_TWICE, *_MORE, planned=True)
def _pokes(part: str) -> bytes | None:
    if not _has(part, "skin", 1000.0):
        return None

    def change(s: Stroke, v: Level, k: int) -> Stroke:
        if s.role not in ("fill", "skin") or len(s.points) != 2:
            return s
        way = s.points[1] - s.points[0]
        way = way / max(float(np.hypot(*way)), 1e-9)
        return replace(s, points=s.points + np.array([-1.4 * way, 1.4 * way]))

    return _against(part, change)


@fault("walls of every fifth layer left out", "outline", "walls", "not printed", *_LESS, *_AIR, planned=True)
def _fifth(part: str) -> bytes:
    return _against(part, lambda s, v, k: None if s.role == "wall" and k % 5 == 2 else s)


@fault("everything in one corner fed half", *_LESS, planned=True)
def _corner(part: str) -> bytes:
    x0, y0, x1, y1 = shapely.union_all(list(plan_of(part).geometry.stack.regions)).bounds
    box = shapely.box(x0 - 9, y0 - 9, 0.5 * (x0 + x1), 0.5 * (y0 + y1))

    def change(s: Stroke, v: Level, k: int) -> Stroke:
        there = not planted._is_support(s) and box.contains(shapely.Point(s.points.mean(axis=0)))
        return replace(s, flow=0.5 * s.flow) if there and not s.closed else s

    return _against(part, change)


@fault(
    "every third layer of the middle third missing", "floats", "layer height", "thick layer", "outline", *_AIR
)
def _thirds(part: str) -> bytes:
    levels = list(plain_levels(part))
    n = len(levels)
    return (
        written([v for k, v in enumerate(levels) if not (n // 3 < k < 2 * n // 3 and k % 3 == 0)])
        .end()
        .bytes()
    )


@fault("first layer laid twice", "laid twice", "z offset", "first layer", "ploughs", *_MORE)
def _first_twice(part: str) -> bytes:
    first, *rest = plain_levels(part)
    return written([replace(first, strokes=first.strokes * 2), *rest]).end().bytes()


@fault(
    "begins at the sixth layer", "first layer missing", "off the bed", "z offset", "too low", "floats", *_AIR
)
def _resumed(part: str) -> bytes:
    return written(plain_levels(part)[5:]).end().bytes()


@fault("five millimetres up half way", "layer height", "thick layer", "too high", "wild", *_AIR)
def _up(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    return written([*levels[:at], *(replace(v, z=v.z + 5.0) for v in levels[at:])]).end().bytes()


@fault("layers shaken by half a millimetre", "skewed", "outline", *_AIR, planned=True)
def _shaken(part: str) -> bytes:
    lots = np.random.default_rng(6)
    by = lots.choice([-0.5, 0.0, 0.5], (len(planned_levels(part)), 2))
    return _against(part, lambda s, v, k: replace(s, points=s.points + by[k]))


@fault("walls fed half as much again", *_MORE)
def _fat_walls(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, flow=1.6 * s.flow) if s.role == "wall" else s)


@fault("fill fed half as much again in the lower half", "fill", *_MORE, planned=True)
def _fat_fill(part: str) -> bytes | None:
    if not _has(part, "skin", 1000.0):
        return None
    at = _above(part, 0.5)

    def change(s: Stroke, v: Level, k: int) -> Stroke:
        return replace(s, flow=1.7 * s.flow) if s.role in ("fill", "skin") and k < at else s

    return _against(part, change)


@fault("strands in pieces with gaps", "outline", "walls", "skin", "fill", *_LESS, *_AIR, planned=True)
def _pieces(part: str) -> bytes:
    levels = []
    for v in planned_levels(part):
        strokes: list[Stroke] = []
        for s in v.strokes:
            line = shapely.LineString(np.vstack([s.points, s.points[:1]]) if s.closed else s.points)
            if planted._is_support(s) or line.length < 6.0:
                strokes.append(s)
                continue
            for a in np.arange(0.0, line.length - 1.0, 5.0):
                some = shapely.ops.substring(line, a, min(a + 3.5, line.length))
                strokes.append(replace(s, points=np.asarray(some.coords), closed=False))
        levels.append(replace(v, strokes=strokes))
    return planned_bytes(levels, part)


@fault(
    "a patch of the uppermost skin missing", "skin", "not printed", "fill", "outline", *_LESS, planned=True
)
def _patch(part: str) -> bytes | None:
    stack = plan_of(part).geometry.stack
    spot = stack.regions[-1].representative_point().buffer(4.0)
    if stack.regions[-1].intersection(spot).area < 40.0:
        return None
    n, levels = stack.count, []
    for k, v in enumerate(planned_levels(part)):
        if k < n - 4:
            levels.append(v)
            continue
        strokes: list[Stroke] = []
        for s in v.strokes:
            line = shapely.LineString(s.points)
            if s.role not in ("skin", "fill") or not line.intersects(spot):
                strokes.append(s)
                continue
            strokes += [
                replace(s, points=np.asarray(piece.coords))
                for piece in shapely.get_parts(shapely.line_merge(line.difference(spot)))
                if piece.geom_type == "LineString" and piece.length > 0.5
            ]
        levels.append(replace(v, strokes=strokes))
    return planned_bytes(levels, part)


@fault("a block filled solid within the part", "fill", "filament", "walls", *_MORE, *_TWICE, planned=True)
def _block(part: str) -> bytes | None:
    if not _has(part, "fill", 1000.0):
        return None
    levels, n = list(planned_levels(part)), len(planned_levels(part))
    regions = plan_of(part).geometry.stack.regions
    inner = shapely.intersection_all(list(regions[n // 4 : 3 * n // 4])).buffer(-1.5)
    if inner.is_empty or inner.area < 60.0:
        return None
    box = inner.representative_point().buffer(5.0, cap_style="square").intersection(inner)
    for k in range(n // 4, 3 * n // 4):
        more = [
            Stroke("skin", line, False, 0.45, levels[k].height) for line in hatch(box, 90.0 * (k % 2), 0.45)
        ]
        levels[k] = replace(levels[k], strokes=[*levels[k].strokes, *more])
    return planned_bytes(levels, part)


@fault("the left half a layer too high", "off the bed", "z offset", "outline", "ploughs", "layer height",
       *_AIR)  # fmt: skip
def _left_high(part: str) -> bytes:
    levels = list(plain_levels(part))
    x = outline(levels).centroid.x
    left = [[s for s in v.strokes if s.points[:, 0].mean() < x] for v in levels]
    out = []
    for k, v in enumerate(levels):
        right = [s for s in v.strokes if s.points[:, 0].mean() >= x]
        out.append(replace(v, strokes=[*(left[k - 1] if k else []), *right]))
    top = levels[-1]
    return written([*out, replace(top, z=round(top.z + top.height, 6), strokes=left[-1])]).end().bytes()


# supports


@fault("supports only in every second stripe", *_THE_SUPPORTS, *_AIR, planned=True)
def _stripes(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: s if int(s.points[:, 0].mean() / 5.0) % 2 else None)


@fault("roof of the supports fed a third", *_LESS, "interface", "support amount", planned=True)
def _thin_roof(part: str) -> bytes | None:
    if not planted._supported(part) or not plan_of(part).process.structure.interface_layers:
        return None
    return _support(part, lambda s, v, k: replace(s, flow=0.33 * s.flow) if s.role == "interface" else s)


@fault("supports twice as dense", *_THE_SUPPORTS, "filament", "laid twice", *_MORE, planned=True)
def _dense(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    levels = []
    for v in planned_levels(part):
        own = [replace(s, points=s.points + 0.75) for s in v.strokes if planted._is_support(s)]
        levels.append(replace(v, strokes=[*own, *v.strokes]))
    return planned_bytes(levels, part)


@fault(
    "another part's supports", *_THE_SUPPORTS, "stray", "unwanted", "outline", *_TWICE, *_AIR, planned=True
)
def _others_supports(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    other = planted.PARTS[(planted.PARTS.index(part.removesuffix(" on shores")) + 1) % len(planted.PARTS)]
    if not planted._supported(other):
        return None
    levels, strange = list(planned_levels(part)), planned_levels(other)
    x, y = outline(levels).centroid.coords[0]
    a, b = outline(strange).centroid.coords[0]
    strange = moved(strange, x - a, y - b)
    out = []
    for k, v in enumerate(levels):
        own = [s for s in v.strokes if not planted._is_support(s)]
        theirs = [s for s in strange[k].strokes if planted._is_support(s)] if k < len(strange) else []
        out.append(replace(v, strokes=[*theirs, *own]))
    return planned_bytes(out, part)


# heat, fan, waiting, motion


@fault("nozzle at 150 degrees for the middle fifth", "nozzle heat", "cold", planned=True)
def _cool_middle(part: str) -> bytes:
    heat = plan_of(part).process.material.nozzle_temperature_c
    return _with(_with(_plain_plan(part), "M104 S150", share=0.4), f"M104 S{heat:g}", share=0.6)


@fault("bed off after three layers", "bed heat", planned=True)
def _bed_off(part: str) -> bytes:
    lines = _plain_plan(part).split(b"\n")
    at = _rises(lines)[3]
    return b"\n".join([*lines[:at], b"M140 S0", *lines[at:]])


@fault("fan only up to a quarter of the height", "fan", "fan over air", planned=True)
def _fan_below(part: str) -> bytes:
    at = _above(part, 0.25)
    return planned_bytes(
        [replace(v, fan=1.0 if k < at else 0.0) for k, v in enumerate(planned_levels(part))], part
    )


@fault("stands still for ten seconds in every layer", "waits", "stops", "time", "pause")
def _stands(part: str) -> bytes:
    out: list[bytes] = []
    for line in _text(part).split(b"\n"):
        out += [line, b"G4 S10"] if line.startswith(b"G0 Z") else [line]
    return b"\n".join(out)


@fault("lifts that go down", "ploughs", "strikes", "below the bed", "into the bed")
def _hops_down(part: str) -> bytes:
    return _text(part, hop=-0.6)


@fault("walls at two millimetres a second in the upper third", "too slow", "slow", "time")
def _slow_above(part: str) -> bytes:
    n = len(plain_levels(part))
    return _alone(part, lambda s, v, k: replace(s, speed=2.0) if s.role == "wall" and k > 2 * n // 3 else s)


@fault("twice as much fed after each travel as was drawn back", "blob", "wild", "strings", *_MORE)
def _fed_twice(part: str) -> bytes:
    return re.sub(rb"(?m)^G1 E0\.80000", b"G1 E1.60000", _text(part))


TUNED_ON, SEALED = planted.parted(FAULTS, 3011_18)
