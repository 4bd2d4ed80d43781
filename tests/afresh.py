"""Kinds of fault written when those of ``further`` were known, with what names them, before any was run.

The draw below parts them: ``TUNED_ON`` may be looked into; ``SEALED`` is only counted, and nothing is changed
for it. A kind gives no program of a part on which it is no fault (a round part whose corners are rounded).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import shapely
import shapely.ops

import planted
from further import _against, _alone, _changed, _support, _text
from planted import Fault, plain_levels, plan_of, planned_bytes, planned_levels
from sliced import Level, Stroke, beside, moved, with_raft, written

FAULTS: dict[str, Fault] = {}
_AIR = ("on nothing", "starts in air", "ends in air", "overhang", "long bridge", "floats")
_LESS, _MORE = ("starved", "underfed"), ("overfed", "overfed throughout")
_MOVED = ("support shifted", "support amount", "support off the bed", "support layers missing", "unsupported",
          "barely supported", "side gap", "fused below", "fused on top", "stands on part")  # fmt: skip


def fault(name: str, *kinds: str, planned: bool = False):
    def keep(make: Callable[[str], bytes | None]):
        FAULTS[name] = Fault(frozenset(kinds), make, planned)
        return make

    return keep


def _of_regions(
    part: str, change: Callable[[shapely.Geometry, float], shapely.Geometry], least_mm2: float = 3.0
) -> bytes | None:
    """The plan's supports with another part; None where no section differs by a fifth of a millimetre."""
    plan = plan_of(part)
    stack = plan.geometry.stack
    old = list(stack.regions)
    new = [change(r, float(z)) for r, z in zip(old, stack.z_mm[1:], strict=True)]
    differs = [a.symmetric_difference(b).buffer(-0.1).area for a, b in zip(old, new, strict=True)]
    if max(differs) < least_mm2:
        return None
    return planned_bytes(planted.levels_of_plan(plan, regions=new), part)


def _high(part: str) -> float:
    return float(plan_of(part).geometry.stack.z_mm[-1])


# what is drawn


@fault("a window through a wall", "outline", "other part", *_AIR, planned=True)
def _window(part: str) -> bytes | None:
    stack = plan_of(part).geometry.stack
    x0, y0, x1, _ = stack.regions[len(stack.regions) // 2].bounds
    x, high = 0.5 * (x0 + x1), _high(part)
    gone = shapely.box(x - 2.5, y0 - 1.0, x + 2.5, y0 + 2.5)
    return _of_regions(part, lambda r, z: r.difference(gone) if 0.35 * high < z < 0.7 * high else r)


@fault("corners rounded off", "outline", planned=True)
def _rounded(part: str) -> bytes | None:
    def change(r: shapely.Geometry, z: float) -> shapely.Geometry:
        rounded = r.buffer(-1.8).buffer(1.8)
        return rounded if rounded.area > 0.8 * r.area else r  # nothing thin is lost

    return _of_regions(part, change, 1.0)


@fault("drawn too coarsely", "outline", planned=True)
def _coarse(part: str) -> bytes | None:
    return _of_regions(part, lambda r, z: shapely.simplify(r, 0.8))


@fault("bores away from their places", "outline", "other part", planned=True)
def _bores_moved(part: str) -> bytes | None:
    def change(r: shapely.Geometry, z: float) -> shapely.Geometry:
        bores = shapely.union_all([shapely.Polygon(i) for p in shapely.get_parts(r) for i in p.interiors])
        if bores.is_empty:
            return r
        whole = shapely.union_all([shapely.Polygon(p.exterior) for p in shapely.get_parts(r)])
        return whole.difference(shapely.transform(bores, lambda xy: xy + np.array([1.2, 0.0])))

    return _of_regions(part, change)


@fault("a band of the part printed twice", "scale", "outline", "other part", "too high", "other height",
       planned=True)  # fmt: skip
def _band_twice(part: str) -> bytes:
    levels = planned_levels(part)
    at, more = len(levels) // 2, 12
    by = levels[at + more].z - levels[at].z
    return planned_bytes(
        [*levels[: at + more], *(replace(v, z=round(v.z + by, 6)) for v in levels[at:])], part
    )


@fault("a band of the part left out", "scale", "outline", "other part", "too low", "not printed",
       "support off the bed", *_AIR, planned=True)  # fmt: skip
def _band_out(part: str) -> bytes:
    levels = planned_levels(part)
    at, fewer = len(levels) // 3, 10
    by = levels[at + fewer].z - levels[at].z
    above = [replace(v, z=round(v.z - by, 6)) for v in levels[at + fewer :]]
    return planned_bytes([*levels[:at], *above], part)


@fault("wavy on the way up", "skewed", "outline", *_AIR, planned=True)
def _wavy(part: str) -> bytes:
    return _against(
        part, lambda s, v, k: replace(s, points=s.points + np.array([0.6 * np.sin(1.57 * v.z), 0.0]))
    )


@fault("larger by four per cent above half way", "outline", "scale", "skewed", *_AIR, planned=True)
def _larger_above(part: str) -> bytes:
    half = 0.5 * _high(part)
    x, y = shapely.union_all(list(plan_of(part).geometry.stack.regions)).centroid.coords[0]
    return _against(
        part,
        lambda s, v, k: replace(s, points=(s.points - [x, y]) * 1.04 + [x, y]) if v.z > half else s,
    )


@fault(
    "places rounded to whole millimetres", "outline", *_LESS, *_MORE, "laid twice", "crossed", planned=True
)
def _whole_millimetres(part: str) -> bytes:
    def change(s: Stroke, v: Level, k: int) -> Stroke | None:
        points = np.round(s.points)
        kept = np.r_[True, np.any(np.diff(points, axis=0) != 0.0, axis=1)]
        return replace(s, points=points[kept]) if kept.sum() > 1 else None

    return _against(part, change)


@fault("second copy mirrored", "mirrored", "other part", "outline", "not printed", planned=True)
def _copy_mirrored(part: str) -> bytes | None:
    if part not in planted._CHIRAL:
        return None
    levels = list(planned_levels(part))
    other = _changed(levels, lambda s, v, k: replace(s, points=s.points * [-1.0, 1.0] + [260.0, 60.0]))
    return planned_bytes(beside(levels, other), part)


# filament


@fault("fed by chance", *_LESS, *_MORE, "uneven")
def _by_chance(part: str) -> bytes:
    lots = np.random.default_rng(5)
    return _alone(part, lambda s, v, k: replace(s, flow=s.flow * lots.uniform(0.4, 1.6)))


@fault("sparse fill fed half", *_LESS, "fill", "filament", planned=True)
def _fill_half(part: str) -> bytes | None:
    length = sum(
        np.hypot(*np.diff(s.points, axis=0).T).sum()
        for v in planned_levels(part) for s in v.strokes if s.role == "fill"
    )  # fmt: skip
    if length < 1000.0:
        return None
    return _against(part, lambda s, v, k: replace(s, flow=0.5 * s.flow) if s.role == "fill" else s)


@fault("first layer fed half", *_LESS, "z offset", "first layer")
def _first_half(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, flow=0.5 * s.flow) if k == 0 else s)


@fault("a drop at the end of every wall", "blob", "overfed", "overfed throughout")
def _drops(part: str) -> bytes:
    """Three millimetres of filament before each drawing back, which nothing takes in again."""
    return re.sub(rb"\n(G1 E-0\.8)", rb"\nG1 E3.00000 F1500\n\1", _text(part))


@fault("outer walls fed seven tenths", *_LESS, planned=True)
def _outer_less(part: str) -> bytes:
    plan = plan_of(part)
    half, regions = 0.6 * plan.process.line_width_mm, plan.geometry.stack.regions

    def change(s: Stroke, v: Level, k: int) -> Stroke:
        if s.role != "wall" or regions[k].is_empty:
            return s
        outer = shapely.LinearRing(s.points).distance(regions[k].boundary) < half
        return replace(s, flow=0.7 * s.flow) if outer else s

    return _against(part, change)


@fault("the same filament for every move", *_LESS, *_MORE, "wild", "blob")
def _same(part: str) -> bytes:
    return re.sub(rb"(G1 X\S+ Y\S+) E0\.\d+", rb"\1 E0.10000", _text(part))


@fault("amounts cut to a tenth of a millimetre", *_LESS, "held back")
def _tenths(part: str) -> bytes:
    return re.sub(rb"(G1 X\S+ Y\S+ E\d+\.\d)\d+", rb"\1", _text(part))


@fault("nothing comes out in the uppermost quarter", *_LESS, *_AIR, "too low", "held back", "filament",
       "not printed", planned=True)  # fmt: skip
def _runs_out(part: str) -> bytes:
    lines = planned_bytes(planned_levels(part), part).split(b"\n")
    rises = [k for k, line in enumerate(lines) if line.startswith((b"G0 Z", b"G1 Z"))]
    at = rises[3 * len(rises) // 4]
    dry = [re.sub(rb"(G1 X\S+ Y\S+) E\S+", rb"\1", line) for line in lines[at:]]
    return b"\n".join([*lines[:at], *dry])


# order and motion


@fault("six layers from the top down", "ploughs", *_AIR)
def _reversed(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    levels[at : at + 6] = levels[at : at + 6][::-1]
    return written(levels).end().bytes()


@fault("nozzle driven beneath the bed between layers", "into the bed", "outside", "ploughs", "strikes",
       "too low", "z offset", "wild")  # fmt: skip
def _beneath(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    rises = [k for k, line in enumerate(lines) if line.startswith((b"G0 Z", b"G1 Z"))]
    at = rises[len(rises) // 2]
    x, y = (float(v) for v in re.findall(rb"X([\d.]+) Y([\d.]+)", b"\n".join(lines[:at]))[-1])
    low = f"G0 Z-2.000\nG0 X{x + 3:.2f} Y{y:.2f}"
    return b"\n".join([*lines[:at], low.encode(), *lines[at:]])


@fault("the head goes home through the part at the end", "strikes", "ploughs")
def _home_through(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    heat = max(k for k, line in enumerate(lines) if line.startswith(b"M104 S0"))
    points = np.array(re.findall(rb"X([\d.]+) Y([\d.]+)", b"\n".join(lines[:heat])), dtype=float)
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    low = f"G0 Z1.000\nG0 X{x0 - 9:.2f} Y{y0 - 9:.2f}\nG0 X{x1 + 9:.2f} Y{y1 + 9:.2f}"
    return b"\n".join([*lines[:heat], low.encode(), *lines[heat:]])


@fault(
    "count of filament set anew in the middle of a layer", "blob", "held back", *_LESS, *_MORE, *_AIR, "wild"
)
def _count(part: str) -> bytes:
    lines = _text(part, relative=False).split(b"\n")
    at = next(k for k in range(len(lines) // 2, len(lines)) if b" E" in lines[k] and b" X" in lines[k])
    return b"\n".join([*lines[:at], b"G92 E0", *lines[at:]])


@fault("an hour's wait over the part, hot", "waits", "stops", "time", "left hot")
def _wait(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    rises = [k for k, line in enumerate(lines) if line.startswith((b"G0 Z", b"G1 Z"))]
    at = rises[len(rises) // 2] + 4
    return b"\n".join([*lines[:at], b"G4 S3600", *lines[at:]])


@fault("one line in a hundred with X and Y exchanged", "wild", *_AIR, *_LESS, "laid twice", "overlap",
       "ploughs", "strikes", "outside", "crossed", "outline")  # fmt: skip
def _swapped(part: str) -> bytes:
    lots = np.random.default_rng(9)
    far = written(moved(plain_levels(part), 40.0, -30.0)).end().bytes()
    return b"\n".join(
        re.sub(rb"X(\S+) Y(\S+)", rb"X\2 Y\1", line)
        if line.startswith(b"G1 X") and lots.random() < 0.01
        else line
        for line in far.split(b"\n")
    )


# heat, fan, speed


@fault("a degree hotter with every layer", "nozzle heat", "nozzle too hot", planned=True)
def _hotter(part: str) -> bytes:
    heat = plan_of(part).process.material.nozzle_temperature_c
    lines, k = [], 0
    for line in planned_bytes(planned_levels(part), part).split(b"\n"):
        if line.startswith((b"G0 Z", b"G1 Z")):
            lines.append(f"M104 S{heat + k:g}".encode())
            k += 1
        lines.append(line)
    return b"\n".join(lines)


@fault("bed never heated", "bed heat", planned=True)
def _cold_bed(part: str) -> bytes:
    return re.sub(rb"M140 S[\d.]+", b"M140 S0", planned_bytes(planned_levels(part), part), count=1)


@fault("slower and slower on the way up", "too slow", "slow", "time")
def _slower(part: str) -> bytes:
    n = len(plain_levels(part))
    return _alone(part, lambda s, v, k: replace(s, speed=max(1.0, s.speed * (1.0 - k / n) ** 2)))


@fault("acceleration of next to nothing", "time", "slow", "too slow", "command", planned=True)
def _sluggish(part: str) -> bytes:
    return b"M204 S5\n" + planned_bytes(planned_levels(part), part)


@fault("bridges at a rush", "fast over air", "fast walls", "too fast", planned=True)
def _fast_bridges(part: str) -> bytes | None:
    if not any(s.role == "bridge" for v in planned_levels(part) for s in v.strokes):
        return None
    return _against(part, lambda s, v, k: replace(s, speed=180.0) if s.role == "bridge" else s)


# supports


@fault("support leans away", *_MOVED, planned=True)
def _leaning(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: replace(s, points=s.points + v.z * np.array([0.12, 0.05])))


@fault("support narrows on the way up", *_MOVED, "interface", planned=True)
def _narrows(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    x, y = plan_of(part).geometry.scheme.strands.ends_mm.reshape(-1, 2).mean(axis=0)
    high = _high(part)
    return _support(
        part, lambda s, v, k: replace(s, points=(s.points - [x, y]) * (1.0 - 0.5 * v.z / high) + [x, y])
    )


@fault("support in dashes", *_MOVED, "interface", "spacing", *_AIR, planned=True)
def _dashes(part: str) -> bytes | None:
    """Of every strand of support only every second stretch of a millimetre and a half."""
    if not planted._supported(part):
        return None
    levels = []
    for v in planned_levels(part):
        strokes: list[Stroke] = []
        for s in v.strokes:
            if not planted._is_support(s):
                strokes.append(s)
                continue
            line = shapely.LineString(np.vstack([s.points, s.points[:1]]) if s.closed else s.points)
            for a in np.arange(0.0, line.length, 3.0):
                piece = shapely.ops.substring(line, a, min(line.length, a + 1.5))
                if piece.length > 0.3:
                    strokes.append(replace(s, points=np.asarray(piece.coords), closed=False))
        levels.append(replace(v, strokes=strokes))
    return planned_bytes(levels, part)


@fault("interface a layer below the top", "interface", "gap", *_AIR, planned=True)
def _low_interface(part: str) -> bytes | None:
    """The interface is laid one layer lower, and a layer of the body on top of it."""
    if not planted._supported(part) or not plan_of(part).process.structure.interface_layers:
        return None
    levels = planned_levels(part)
    of = [[s for s in v.strokes if s.role == "interface"] for v in levels]
    body: list[Stroke] = []
    out = []
    for k, v in enumerate(levels):
        own = [s for s in v.strokes if s.role == "support"]
        body = own or body
        above = of[k + 1] if k + 1 < len(of) else []
        rest = [s for s in v.strokes if s.role not in ("support", "interface")]
        mine = [replace(s, height=v.height) for s in above] or (body if of[k] else own)
        out.append(replace(v, strokes=[*mine, *rest]))
    return planned_bytes(out, part)


@fault("supports that nobody planned, before a wall", "stray", "unwanted", "support amount", "filament",
       planned=True)  # fmt: skip
def _needless(part: str) -> bytes:
    levels = planned_levels(part)
    x0, _, x1, y1 = shapely.union_all(list(plan_of(part).geometry.stack.regions)).bounds
    n = len(levels) // 2
    lines = [
        np.array([[x0 + 2.0 * j, y1 + 1.0], [x0 + 2.0 * j, y1 + 7.0]]) for j in range(int((x1 - x0) / 2.0))
    ]
    out = []
    for k, v in enumerate(levels):
        more = [Stroke("support", xy, False, 0.45, v.height, speed=60.0) for xy in lines] if k < n else []
        out.append(replace(v, strokes=[*more, *v.strokes]))
    return planned_bytes(out, part)


# the plate


@fault(
    "two copies that touch", "overlap", "too near", "fused", "laid twice", "copies", "crossed", planned=True
)
def _touching(part: str) -> bytes:
    levels = list(planned_levels(part))
    x0, _, x1, _ = shapely.union_all([shapely.LineString(s.points) for v in levels for s in v.strokes]).bounds
    return planned_bytes(beside(levels, moved(levels, x1 - x0 + 0.4, 0.0)), part)


@fault("high above its raft", *_AIR, "off the bed", "thick layer", "layer height", "gap below", "z offset")
def _high_raft(part: str) -> bytes:
    return written(with_raft(list(plain_levels(part)), 0.9)).end().bytes()


# One more was drawn with these, to be tuned on, and is none: a fan that runs from the first strand on.
# No process says what the fan does in the first layer, and sound programs have it on.
_DRAWN = (*FAULTS, "fan at full from the first strand on")
TUNED_ON, SEALED = (
    tuple(name for name in half if name in FAULTS) for half in planted.parted(_DRAWN, 3011_17)
)
