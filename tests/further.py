"""Further kinds of fault, in families, written down with the findings that name them before any was run.

They were made for the comparison by principle (what a sound print must satisfy), after those of
``planted`` and ``unforeseen`` had been looked at. The draw below parts them: ``TUNED_ON`` may be looked into;
``SEALED`` is counted once, at the end, and nothing is changed for it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely
import shapely.affinity

import planted
from planted import Fault, plain_levels, plan_of, planned_bytes, planned_levels
from programs import Writer
from sliced import Level, Stroke, beside, moved, with_tower, written

FAULTS: dict[str, Fault] = {}
FAMILY: dict[str, str] = {}
_AIR = ("on nothing", "starts in air", "ends in air", "overhang", "long bridge")
_LESS, _MORE = ("starved", "underfed"), ("overfed", "overfed throughout")
_family = ""


def fault(name: str, *kinds: str, planned: bool = False):
    def keep(make: Callable[[str], bytes | None]):
        FAULTS[name] = Fault(frozenset(kinds), make, planned)
        FAMILY[name] = _family
        return make

    return keep


Change = Callable[[Stroke, Level, int], Stroke | None]


def _changed(levels: Sequence[Level], change: Change) -> list[Level]:
    out = []
    for k, level in enumerate(levels):
        kept = [s for s in (change(one, level, k) for one in level.strokes) if s is not None]
        out.append(replace(level, strokes=kept))
    return out


def _alone(part: str, change: Change) -> bytes:
    return written(_changed(plain_levels(part), change)).end().bytes()


def _against(part: str, change: Change) -> bytes:
    return planned_bytes(_changed(planned_levels(part), change), part)


def _support(part: str, change: Change) -> bytes | None:
    if not planted._supported(part):
        return None
    return _against(part, lambda s, v, k: change(s, v, k) if planted._is_support(s) else s)


def _shaped(part: str, change: Callable[[np.ndarray, float], np.ndarray]) -> bytes:
    """Points of all strands drawn elsewhere, by their height."""
    return _against(part, lambda s, v, k: replace(s, points=change(s.points, v.z)))


def _of_regions(part: str, change: Callable[[shapely.Geometry, float], shapely.Geometry]) -> bytes:
    plan = plan_of(part)
    stack = plan.geometry.stack
    regions = [change(r, float(z)) for r, z in zip(stack.regions, stack.z_mm[1:], strict=True)]
    return planned_bytes(planted.levels_of_plan(plan, regions=regions), part)


def _text(part: str, **dialect) -> bytes:
    return written(plain_levels(part), Writer(**dialect)).end().bytes()


def _rises(lines: Sequence[bytes]) -> list[int]:
    return [k for k, line in enumerate(lines) if line.startswith((b"G0 Z", b"G1 Z"))]


_family = "flow of one class, or that changes"


@fault("walls fed half", *_LESS)
def _walls_half(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, flow=0.5 * s.flow) if s.role == "wall" else s)


@fault("skins fed half", *_LESS)
def _skins_half(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, flow=0.5 * s.flow) if s.role == "skin" else s)


@fault("walls fed twice", *_MORE)
def _walls_twice(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, flow=2.0 * s.flow) if s.role == "wall" else s)


@fault("every second layer fed half", *_LESS)
def _second_layers(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, flow=0.5 * s.flow) if k % 2 else s)


@fault("filament runs short on the way up", *_LESS)
def _creeping(part: str) -> bytes:
    n = len(plain_levels(part))
    return _alone(part, lambda s, v, k: replace(s, flow=s.flow * (1.0 - 0.6 * k / n)))


@fault("first layer fed twice", *_MORE, "z offset", "first layer")
def _first_twice(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, flow=2.0 * s.flow) if k == 0 else s)


@fault("interface of supports fed half", *_LESS, planned=True)
def _interface_half(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: replace(s, flow=0.45 * s.flow) if s.role == "interface" else s)


@fault("supports fed twice", *_MORE, planned=True)
def _support_twice(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: replace(s, flow=2.2 * s.flow))


@fault("a few layers without filament", "floats", *_LESS, *_AIR)
def _no_filament(part: str) -> bytes:
    n = len(plain_levels(part))
    return _alone(part, lambda s, v, k: replace(s, flow=0.02) if n // 2 <= k < n // 2 + 3 else s)


@fault("a tenth of the strands fed nothing", *_LESS, "held back", "not printed", *_AIR)
def _gaps(part: str) -> bytes:
    lots = np.random.default_rng(7)
    program = _text(part).split(b"\n")
    return b"\n".join(
        re.sub(rb" E0\.\d+", b"", line) if b" X" in line and b" E0" in line and lots.random() < 0.1 else line
        for line in program
    )


_family = "shape of the part"


@fault("leans", "skewed", "outline", planned=True)
def _leans(part: str) -> bytes:
    return _shaped(part, lambda xy, z: xy + np.array([0.04 * z, 0.0]))


@fault("skewed in the plane", "skewed", "scale", "outline", planned=True)
def _skewed(part: str) -> bytes:
    return _shaped(part, lambda xy, z: xy @ np.array([[1.0, 0.0], [0.04, 1.0]]))


@fault("narrower along y", "scale", planned=True)
def _narrower(part: str) -> bytes:
    return _shaped(part, lambda xy, z: xy * [1.0, 0.98])


@fault("longer along y by a tenth", "scale", planned=True)
def _longer(part: str) -> bytes:
    return _shaped(part, lambda xy, z: xy * [1.0, 1.1])


@fault("a thirtieth too low", "scale", "layer height", planned=True)
def _too_flat(part: str) -> bytes:
    by = 0.967
    levels = [
        replace(
            v, z=by * v.z, height=by * v.height, strokes=[replace(s, height=by * s.height) for s in v.strokes]
        )
        for v in planned_levels(part)
    ]
    return planned_bytes(levels, part)


@fault("twists on the way up", "skewed", "outline", planned=True)
def _twists(part: str) -> bytes | None:
    regions = list(plan_of(part).geometry.stack.regions)
    middle = shapely.union_all(regions).centroid.coords[0]
    if all(
        shapely.affinity.rotate(r, 6.0, middle).symmetric_difference(r).buffer(-0.1).area < 1.0
        for r in regions[len(regions) // 2 :]
    ):
        return None  # round ones look the same

    def change(xy: np.ndarray, z: float) -> np.ndarray:
        a = np.radians(0.6 * z)
        return (xy - middle) @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + middle

    return _shaped(part, change)


@fault("everything thicker by a third of a millimetre", "outline", "scale", planned=True)
def _fatter(part: str) -> bytes:
    return _of_regions(part, lambda r, z: r.buffer(0.35, join_style="mitre"))


@fault("everything thinner by a third of a millimetre", "outline", "scale", planned=True)
def _thinner(part: str) -> bytes:
    return _of_regions(part, lambda r, z: r.buffer(-0.35, join_style="mitre"))


@fault("bores too narrow", "outline", planned=True)
def _narrow_bores(part: str) -> bytes | None:
    if part not in ("cleat", "flange", "pulley", "cowl"):
        return None

    def change(r: shapely.Geometry, z: float) -> shapely.Geometry:
        holes = [shapely.Polygon(i) for p in shapely.get_parts(r) for i in p.interiors]
        return r.union(shapely.union_all([h.difference(h.buffer(-0.6)) for h in holes])) if holes else r

    return _of_regions(part, change)


@fault("a boss that nobody drew", "outline", "other part", "stray", planned=True)
def _boss(part: str) -> bytes:
    stack = plan_of(part).geometry.stack
    _, y0, x1, _ = stack.regions[0].bounds
    boss = shapely.box(x1 - 1.0, y0 + 2.0, x1 + 5.0, y0 + 8.0)
    return _of_regions(part, lambda r, z: r.union(boss))


@fault("drawn in towards the top", "outline", planned=True)
def _drawn_in(part: str) -> bytes:
    high = float(plan_of(part).geometry.stack.z_mm[-1])
    return _of_regions(
        part,
        lambda r, z: r if z < 0.6 * high else _inwards(r, min(1.2, 0.25 * (z - 0.6 * high))),
    )


def _inwards(region: shapely.Geometry, by_mm: float) -> shapely.Geometry:
    """What is too thin for that stays."""
    inner = region.buffer(-by_mm, join_style="mitre")
    return inner if inner.area > 0.4 * region.area else region


@fault("x and y exchanged", "mirrored", planned=True)
def _exchanged(part: str) -> bytes | None:
    return _shaped(part, lambda xy, z: xy[:, ::-1]) if part in planted._CHIRAL else None


@fault("steps sideways, layer by layer", *_AIR, "skewed", "outline", planned=True)
def _steps(part: str) -> bytes:
    h = plan_of(part).process.layer_height_mm
    return _shaped(part, lambda xy, z: xy + np.array([0.9 * (round(z / h) % 2), 0.0]))


_family = "make of the part"


@fault("sparse fill left out", "fill", "filament", *_AIR, planned=True)
def _no_fill(part: str) -> bytes | None:
    if not any(s.role == "fill" for v in planned_levels(part) for s in v.strokes):
        return None
    return _against(part, lambda s, v, k: None if s.role == "fill" else s)


@fault("skins left out", "skin", "fill", "filament", planned=True)
def _no_skins(part: str) -> bytes:
    return _against(part, lambda s, v, k: None if s.role in ("skin", "bridge") else s)


@fault("bottom left open", "skin", "fill", "off the bed", planned=True)
def _no_bottom(part: str) -> bytes:
    return _against(part, lambda s, v, k: None if s.role == "skin" and k < 3 else s)


@fault("inner walls left out", "walls", "outline", "filament", planned=True)
def _no_inner(part: str) -> bytes:
    plan = plan_of(part)
    half, regions = 0.6 * plan.process.line_width_mm, plan.geometry.stack.regions

    def change(s: Stroke, v: Level, k: int) -> Stroke | None:
        if s.role != "wall" or regions[k].is_empty:
            return s
        return s if shapely.LinearRing(s.points).distance(regions[k].boundary) < half else None

    return _against(part, change)


@fault("filled through", "fill", "filament", planned=True)
def _solid(part: str) -> bytes | None:
    if not any(s.role == "fill" for v in planned_levels(part) for s in v.strokes):
        return None
    return planned_bytes(planted.levels_of_plan(plan_of(part), fill=1.0), part)


@fault("strands fill every second layer only", *_AIR, "floats", "skin", "fill", "filament", planned=True)
def _every_other(part: str) -> bytes:
    return _against(part, lambda s, v, k: None if s.role in ("skin", "fill") and k % 2 else s)


_family = "supports"


@fault("support stretched", "support shifted", "support amount", "unsupported", "barely supported",
       "stands on part", "fused below", "fused on top", "side gap", "support off the bed",
       planned=True)  # fmt: skip
def _support_stretched(part: str) -> bytes | None:
    x, y = plan_of(part).geometry.scheme.strands.ends_mm.reshape(-1, 2).mean(axis=0)
    return _support(part, lambda s, v, k: replace(s, points=(s.points - [x, y]) * [1.25, 1.0] + [x, y]))


@fault("every third layer of support missing", "support layers missing", "support amount",
       "support off the bed", planned=True)  # fmt: skip
def _third_layers(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: None if k % 3 == 2 else s)


@fault("supports twice as dense", "spacing", "support amount", "filament", planned=True)
def _denser(part: str) -> bytes | None:
    if not planted._supported(part):
        return None

    def more(level: Level) -> Level:
        own = [s for s in level.strokes if s.role == "support"]
        off = []
        for s in own:
            d = s.points[-1] - s.points[0]
            n = np.array([-d[1], d[0]]) / max(float(np.hypot(*d)), 1e-9)
            off.append(replace(s, points=s.points + 1.0 * n))
        return replace(level, strokes=[*off, *level.strokes])

    return planned_bytes([more(v) for v in planned_levels(part)], part)


@fault("support one layer too high", "gap", "no gap", "fused on top", planned=True)
def _one_higher(part: str) -> bytes | None:
    return planted._raised_support(part, 1) if planted._supported(part) else None


@fault("every second strand of the support's interface missing", "interface", "spacing", "support amount",
       "barely supported", planned=True)  # fmt: skip
def _thin_interface(part: str) -> bytes | None:
    count = [0]

    def change(s: Stroke, v: Level, k: int) -> Stroke | None:
        if s.role != "interface":
            return s
        count[0] += 1
        return s if count[0] % 2 else None

    return _support(part, change)


@fault("support of the upper half mirrored", "support shifted", "support off the bed", "unsupported",
       "support layers missing", "barely supported", "fused below", "side gap", planned=True)  # fmt: skip
def _half_mirrored(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    layers = planted._support_layers(part)
    at, x = layers[len(layers) // 2], plan_of(part).geometry.scheme.strands.ends_mm[:, ::2].mean()
    if _alike_mirrored(planned_levels(part)[at + 1 :], float(x)):
        return None
    return _support(
        part, lambda s, v, k: replace(s, points=s.points * [-1.0, 1.0] + [2.0 * x, 0.0]) if k > at else s
    )


def _alike_mirrored(levels: Sequence[Level], x: float) -> bool:
    """Whether supports cover the same ground when they are mirrored about x: that is no fault."""
    own = [shapely.LineString(s.points) for v in levels for s in v.strokes if planted._is_support(s)]
    ground = shapely.union_all(own).buffer(1.0)
    other = shapely.transform(ground, lambda xy: xy * [-1.0, 1.0] + [2.0 * x, 0.0])
    return bool(ground.symmetric_difference(other).area < 0.1 * ground.area)


@fault("support wavers from layer to layer", "support shifted", "support layers missing", "support amount",
       "side gap", "support off the bed", "fused below", planned=True)  # fmt: skip
def _wavers(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: replace(s, points=s.points + 1.5 * np.array([k % 2, k // 2 % 2])))


@fault("a third of the support's strands missing, by lot", "support amount", "spacing", "support off the bed",
       "support layers missing", "barely supported", "unsupported", "interface", planned=True)  # fmt: skip
def _by_lot(part: str) -> bytes | None:
    lots = np.random.default_rng(11)
    return _support(part, lambda s, v, k: None if lots.random() < 0.33 else s)


@fault("support begun twice: its first layers again, beside", "stray", "support amount", "unwanted",
       "support shifted", planned=True)  # fmt: skip
def _twice_begun(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    levels = planned_levels(part)
    again = [
        replace(
            v,
            strokes=[
                replace(s, points=s.points + np.array([0.0, 30.0]))
                for s in v.strokes
                if planted._is_support(s)
            ],
        )
        for v in levels[:25]
    ]
    return planned_bytes(beside(list(levels), again), part)


_family = "order and motion"


@fault("a travel far too low", "strikes", "ploughs")
def _low_travel(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    at = _rises(lines)[2 * len(_rises(lines)) // 3]
    z = float(re.findall(rb"Z([\d.]+)", lines[at])[0])
    x, y = (float(v) for v in re.findall(rb"X([\d.]+) Y([\d.]+)", b"\n".join(lines[:at]))[-1])
    low = f"G0 Z{z - 1.5:.3f}\nG0 X{x + 25:.2f} Y{y:.2f}\nG0 X{x - 25:.2f} Y{y:.2f}\nG0 X{x:.2f} Y{y:.2f}"
    return b"\n".join([*lines[:at], low.encode(), *lines[at:]])


@fault("a layer printed again at the end", "ploughs")
def _again(part: str) -> bytes:
    levels = list(plain_levels(part))
    return written([*levels, levels[len(levels) // 4]]).end().bytes()


@fault("a stretch of lines twice", "laid twice", "ploughs", "overfed", "blob", "wild")
def _stretch_twice(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    n = len(lines)
    a, b = int(0.5 * n), int(0.53 * n)
    return b"\n".join([*lines[:b], *lines[a:]])


@fault("one height ten times as high", "floats", *_AIR, "thick layer", "layer height", "off the bed")
def _high_digit(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    at = _rises(lines)[len(_rises(lines)) // 2]
    lines[at] = re.sub(rb"Z([\d.]+)", lambda m: b"Z%.3f" % (10.0 * float(m[1])), lines[at])
    return b"\n".join(lines)


@fault("a skirt through the part", "overlap", "laid twice", "overfed", "ploughs", "crossed")
def _skirt_through(part: str) -> bytes:
    levels = list(plain_levels(part))
    ground = shapely.union_all([shapely.LineString(s.points) for s in levels[0].strokes]).envelope
    ring = shapely.Point(ground.bounds[0], ground.bounds[1]).buffer(0.4 * np.sqrt(ground.area))
    skirt = Stroke("skirt", np.asarray(ring.exterior.coords)[:-1], True, 0.45, levels[0].height)
    levels[0] = replace(levels[0], strokes=[skirt, *levels[0].strokes])
    return written(levels).end().bytes()


@fault("a purge tower in the part", "overlap", "laid twice", "overfed", "ploughs", "crossed")
def _tower_in(part: str) -> bytes:
    levels = list(plain_levels(part))
    x0, y0, _, _ = shapely.union_all([shapely.LineString(s.points) for s in levels[0].strokes]).bounds
    return written(with_tower(levels, x0 + 2.0, y0 - 4.0)).end().bytes()


@fault(
    "a twentieth of the lines lost", *_LESS, *_AIR, "laid twice", "overlap", "crossed", "outline", "strikes"
)
def _lines_lost(part: str) -> bytes:
    lots = np.random.default_rng(3)
    return b"\n".join(
        line for line in _text(part).split(b"\n") if not (line.startswith(b"G1 X") and lots.random() < 0.05)
    )


@fault("drawn back by 60 mm", "retraction", "held back", "blob")
def _far_back(part: str) -> bytes:
    return _text(part, retract=60.0)


@fault("turned about half way up", *_AIR, "ploughs")
def _turned_half(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    above = [
        replace(v, strokes=[replace(s, points=200.0 - s.points) for s in v.strokes]) for v in levels[at:]
    ]
    return written([*levels[:at], *above]).end().bytes()


@fault("second copy cut short", "too low", "not printed", "outline", planned=True)
def _short_copy(part: str) -> bytes:
    levels = list(planned_levels(part))
    return planned_bytes(beside(levels, moved(levels[: len(levels) // 2], 55.0, 4.0)), part)


@fault("a part of the plate printed on another height", "floats", "off the bed", *_AIR, "z offset")
def _copy_up(part: str) -> bytes:
    levels = list(plain_levels(part))
    up = [replace(v, z=round(v.z + 0.6, 6)) for v in moved(levels, 55.0, 0.0)]
    return written(beside(levels, up)).end().bytes()


_family = "heat, fan, speed"


@fault("nozzle heated after the first strands", "cold")
def _late_heat(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    heat = next(k for k, line in enumerate(lines) if line.startswith(b"M109"))
    word = lines.pop(heat)
    at = _rises(lines)[2]
    return b"\n".join([*lines[:at], word, *lines[at:]])


@fault("fan at a third", "fan", planned=True)
def _third_fan(part: str) -> bytes:
    return planned_bytes([replace(v, fan=0.33 * v.fan) for v in planned_levels(part)], part)


@fault("fan only in the first layer", "fan", "fan over air", planned=True)
def _early_fan(part: str) -> bytes:
    return planned_bytes([replace(v, fan=float(k == 0)) for k, v in enumerate(planned_levels(part))], part)


@fault("nozzle 30 degrees cooler for ten layers", "nozzle heat", planned=True)
def _dip(part: str) -> bytes:
    heat = plan_of(part).process.material.nozzle_temperature_c
    lines = planned_bytes(planned_levels(part), part).split(b"\n")
    rises = _rises(lines)
    a, b = rises[len(rises) // 3], rises[len(rises) // 3 + 10]
    down, up = f"M104 S{heat - 30:g}".encode(), f"M104 S{heat:g}".encode()
    return b"\n".join([*lines[:a], down, *lines[a:b], up, *lines[b:]])


@fault("first layer at full speed", "fast first layer", "fast walls", "too fast", planned=True)
def _fast_first(part: str) -> bytes:
    return _against(part, lambda s, v, k: replace(s, speed=150.0) if k == 0 else s)


@fault("supports at a crawl", "too slow", "slow", "time", planned=True)
def _slow_support(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: replace(s, speed=1.0))


@fault("fill at 500 millimetres a second", "too fast", "fast walls")
def _racing(part: str) -> bytes:
    return _alone(part, lambda s, v, k: replace(s, speed=500.0) if s.role in ("fill", "skin") else s)


TUNED_ON, SEALED = planted.parted(FAULTS, 3011)
