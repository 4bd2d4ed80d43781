"""Kinds of fault as they happen in practice, written when those of ``afresh`` were known, with their names.

All were written down, and parted by the draw below, before any was run: ``TUNED_ON`` may be looked into;
``SEALED`` is only counted, and nothing is changed for it. A kind gives no program of a part on which it is no
fault.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
import shapely.ops

import planted
from afresh import _AIR, _LESS, _MORE, _MOVED, _of_regions
from further import _against, _alone, _changed, _support, _text
from planted import Fault, plain_levels, plan_of, planned_bytes, planned_levels
from programs import Writer, section_mm2
from sliced import Level, Stroke, beside, fuzzy, hatch, moved, outline, polygons, quietly, with_brim, written

FAULTS: dict[str, Fault] = {}
_TWICE = ("laid twice", "overlap", "crossed", "ploughs")


def fault(name: str, *kinds: str, planned: bool = False):
    def keep(make: Callable[[str], bytes | None]):
        FAULTS[name] = Fault(frozenset(kinds), make, planned)
        return make

    return keep


def _rises(lines: Sequence[bytes]) -> list[int]:
    return [k for k, line in enumerate(lines) if line.startswith((b"G0 Z", b"G1 Z"))]


def _with(program: bytes, *words: str, share: float = 0.5) -> bytes:
    """Lines of words put in so far up, between two layers."""
    lines = program.split(b"\n")
    rises = _rises(lines)
    at = rises[int(share * len(rises))]
    return b"\n".join([*lines[:at], *(word.encode() for word in words), *lines[at:]])


def _plain_plan(part: str) -> bytes:
    return planned_bytes(planned_levels(part), part)


def _has(part: str, role: str, least_mm: float = 100.0) -> bool:
    """Whether the plan's program lays so much of a role."""
    long = sum(
        float(np.hypot(*np.diff(s.points, axis=0).T).sum())
        for v in planned_levels(part) for s in v.strokes if s.role == role
    )  # fmt: skip
    return long > least_mm


# arcs


def _on_one_circle(points: np.ndarray) -> tuple[np.ndarray, float] | None:
    """Centre of points that lie on a circle within a hundredth, and the angle they turn through."""
    a = np.column_stack([2.0 * points, np.ones(len(points))])
    x, y, c = np.linalg.lstsq(a, (points**2).sum(axis=1), rcond=None)[0]
    off = points - [x, y]
    r = math.sqrt(max(0.0, c + x * x + y * y))
    if r > 60.0 or np.abs(np.hypot(*off.T) - r).max() > 0.01:
        return None
    turn = np.diff(np.unwrap(np.arctan2(off[:, 1], off[:, 0])))
    if np.any(np.sign(turn) != np.sign(turn[0])):
        return None
    return np.array([x, y]), float(turn.sum())


def _arcs_of(ring: np.ndarray) -> Iterator[tuple[int, np.ndarray, float] | None]:
    """Along a closed path of points: the last point of each arc, with centre and turn; None for a chord."""
    k, n = 0, len(ring) - 1
    while k < n:
        best = None
        for j in range(k + 3, min(n, k + 40) + 1):
            fit = _on_one_circle(ring[k : j + 1])
            if fit is None or abs(fit[1]) > math.radians(100.0):
                break
            if abs(fit[1]) > math.radians(30.0):
                best = j, *fit
        yield best
        k = best[0] if best else k + 1


@functools.cache
def _arced(part: str) -> bytes | None:
    """The part by itself with arcs in its walls; None where these are few."""
    writer, count = Writer(), 0
    for level in plain_levels(part):
        writer.layer(level.z, level.height)
        for s in level.strokes:
            writer.height, writer.width = s.height, s.width
            wanted = s.section if s.section is not None else section_mm2(s.width, s.height)
            writer.flow = s.flow * wanted / section_mm2(s.width, s.height)
            if s.role != "wall" or not s.closed:
                writer.path([tuple(p) for p in s.points], closed=s.closed, width=s.width, speed=s.speed)
                continue
            ring = np.vstack([s.points, s.points[:1]])
            writer.travel(*ring[0])
            writer.speed, k = s.speed, 0
            for arc in _arcs_of(ring):
                if arc is None:
                    k += 1
                    writer.to(*ring[k], width=s.width, speed=s.speed)
                else:
                    k, count = arc[0], count + 1
                    writer.arc(*ring[k], tuple(arc[1]), left=arc[2] > 0.0)
    return writer.end().bytes() if count > 60 else None


@fault("arcs the wrong way round", *_LESS, *_AIR, *_TWICE, "outline", "arc")
def _wrong_way(part: str) -> bytes | None:
    program = _arced(part)
    swapped = {b"G2 ": b"G3 ", b"G3 ": b"G2 "}
    return program and re.sub(rb"(?m)^G[23] ", lambda m: swapped[m[0]], program)


@fault("centres of arcs counted from the bed's corner", "arc", "command", *_AIR, "wild")
def _centres(part: str) -> bytes | None:
    program, x, y, out = _arced(part), 0.0, 0.0, []
    for line in (program or b"").split(b"\n"):
        if line.startswith((b"G2 ", b"G3 ")):
            line = re.sub(rb"I(\S+)", lambda m, x=x: b"I%.5f" % (float(m[1]) + x), line)
            line = re.sub(rb"J(\S+)", lambda m, y=y: b"J%.5f" % (float(m[1]) + y), line)
        if found := re.search(rb"X(\S+) Y(\S+)", line):
            x, y = float(found[1]), float(found[2])
        out.append(line)
    return program and b"\n".join(out)


# words and firmware


@fault("three layers counted from the start", *_LESS, *_AIR, "held back", "blob", "wild", "floats")
def _counted(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    rises = _rises(lines)
    a, b = rises[len(rises) // 2], rises[len(rises) // 2 + 3]
    return b"\n".join([*lines[:a], b"M82", *lines[a:b], b"M83", *lines[b:]])


@fault("amounts by the move counted from the start", *_LESS, "held back", "wild", *_AIR)
def _from_start(part: str) -> bytes:
    return _text(part).replace(b"M83", b"M82", 1)


@fault("lines run together", "garbled", *_AIR, *_LESS, "laid twice", "blob", "outline", "overlap", "crossed")
def _run_together(part: str) -> bytes:
    lines, lots = _text(part).split(b"\n"), np.random.default_rng(21)
    out: list[bytes] = []
    for line in lines:
        if out and line.startswith(b"G1 X") and out[-1].startswith(b"G1 X") and lots.random() < 0.01:
            out[-1] += line
        else:
            out.append(line)
    return b"\n".join(out)


@fault("two numbered lines exchanged", "line numbers", "checksum", "garbled")
def _lines_exchanged(part: str) -> bytes:
    lines = _text(part, numbered=True).split(b"\n")
    at = len(lines) // 2
    lines[at], lines[at + 1] = lines[at + 1], lines[at]
    return b"\n".join(lines)


@fault("the program's end half way up", "after the end", "too low", "left hot")
def _end_amid(part: str) -> bytes:
    return _with(_text(part), "M2")


@fault("from half way on a tool that was never heated", "cold", "nozzle heat")
def _cold_tool(part: str) -> bytes:
    return _with(_text(part), "T1")


@fault("heat asked of another tool", "cold", "nozzle heat")
def _other_tool(part: str) -> bytes:
    return re.sub(rb"M109 S", b"M109 T1 S", _text(part), count=1)


@fault("heat asked for and not waited for", "cold", "nozzle heat", "not waited for")
def _not_waited(part: str) -> bytes:
    return _text(part).replace(b"M109", b"M104", 1)


@fault("amounts taken for volumes by a word", *_LESS, "filament diameter", "command")
def _volume_word(part: str) -> bytes:
    return b"M200 D1.75\n" + _text(part)


@fault("correction for pressure a hundred times too high", "command", "pressure")
def _pressure(part: str) -> bytes:
    return _with(_text(part), "M900 K8", share=0.0)


@fault("waits for somebody in every layer", "pause", "waits", "stops")
def _waits(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    out = []
    for line in lines:
        out += [b"M0", line] if line.startswith(b"G0 Z") else [line]
    return b"\n".join(out)


@fault("share of the speed left at a tenth", "slow", "too slow", "time", planned=True)
def _tenth(part: str) -> bytes:
    return b"M220 S10\n" + _plain_plan(part)


# heights and ways


@fault("lifts that do not come down again", "floats", *_AIR, *_LESS, "thick layer", "layer height", "ploughs")
def _stays_up(part: str) -> bytes:
    """Every fourth travel of three layers stays lifted by 0.6 mm until the layer ends."""
    lines, lots = _text(part, hop=0.6).split(b"\n"), np.random.default_rng(4)
    rises, n = _rises(lines), len(lines)
    heights = [float(re.findall(rb"Z([\d.]+)", lines[k])[0]) for k in rises]
    ends = {
        k
        for k, z, before in zip(rises[1:], heights[1:], heights[:-1], strict=True)
        if before - z > 0.5 and n // 2 < k < n // 2 + n // 10 and lots.random() < 0.25
    }
    return b"\n".join(line for k, line in enumerate(lines) if k not in ends)


@fault("sinks by half a layer half way up", *_MORE, "ploughs", "layer height", "laid twice", "strikes")
def _sinks(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    rises = _rises(lines)
    at = rises[len(rises) // 2]
    z = float(re.findall(rb"Z([\d.]+)", lines[rises[len(rises) // 2 - 1]])[0])
    return b"\n".join([*lines[:at], f"G92 Z{z + 0.125:.3f}".encode(), *lines[at:]])


@fault("one layer laid at half its height", *_MORE, *_LESS, "ploughs", "layer height", "laid twice", "floats",
       "thick layer", *_AIR)  # fmt: skip
def _half_height(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    levels[at] = replace(levels[at], z=round(levels[at].z - 0.5 * levels[at].height, 6))
    return written(levels).end().bytes()


@fault("supports printed after the part", "ploughs", "strikes", *_AIR, "unsupported", "barely supported",
       planned=True)  # fmt: skip
def _supports_last(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    levels = planned_levels(part)
    own = [replace(v, strokes=[s for s in v.strokes if planted._is_support(s)]) for v in levels]
    rest = _changed(levels, lambda s, v, k: None if planted._is_support(s) else s)
    return planned_bytes([*rest, *(v for v in own if v.strokes)], part)


@fault("brim a layer too high", *_AIR, "stray", "off the bed")
def _high_brim(part: str) -> bytes:
    levels = list(plain_levels(part))
    brimmed = with_brim(levels)[0].strokes
    brim = [s for s in brimmed if s.role == "brim"]
    levels[1] = replace(levels[1], strokes=[*brim, *levels[1].strokes])
    return written(levels).end().bytes()


@fault("filament fed along the travels", *_MORE, *_AIR, *_TWICE, "outline", "filament", "stray")
def _fed_travels(part: str) -> bytes:
    x, y, out = 0.0, 0.0, []
    for line in _text(part, retract=0.0).split(b"\n"):
        if found := re.search(rb"X(\S+) Y(\S+)", line):
            ax, ay = float(found[1]), float(found[2])
            if line.startswith(b"G0 X") and x:
                line = b"G1" + line[2:] + b" E%.5f" % (0.04 * math.hypot(ax - x, ay - y))
            x, y = ax, ay
        out.append(line)
    return b"\n".join(out)


@fault("filament no longer drawn back from half way on", "retraction", "strings")
def _no_retraction(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    at = _rises(lines)[len(_rises(lines)) // 2]
    return b"\n".join([*lines[:at], *(x for x in lines[at:] if not re.match(rb"G1 E-?0\.8", x))])


@fault("travels at a crawl", "slow", "too slow", "time", "slow travels", planned=True)
def _slow_travels(part: str) -> bytes:
    return re.sub(rb"(?m)^(G0 X\S+ Y\S+)(?: F\S+)?", rb"\1 F120", _plain_plan(part))


@fault("a purge at rest where the part will stand", "blob", "crossed", *_MORE)
def _purge(part: str) -> bytes:
    x, y = outline(plain_levels(part)).representative_point().coords[0]
    lines = _text(part).split(b"\n")
    at = _rises(lines)[0] + 1
    return b"\n".join(
        [*lines[:at], f"G0 X{x:.3f} Y{y:.3f}".encode(), b"G1 E40 F300", b"G1 E-0.8", b"G1 E0.8", *lines[at:]]
    )


@fault("slack in the belts", "outline", "scale", *_LESS, *_TWICE, "skewed", planned=True)
def _slack(part: str) -> bytes:
    """Wherever the head comes from the right it stays 0.6 mm behind."""

    def change(s: Stroke, v: Level, k: int) -> Stroke:
        to_left = np.diff(s.points[:, 0], prepend=s.points[-1 if s.closed else 0, 0]) < -1e-6
        return replace(s, points=s.points + np.column_stack([0.6 * to_left, np.zeros(len(to_left))]))

    return _against(part, change)


# how the part is made


def _clipped(part: str, keep: shapely.Geometry, roles: tuple[str, ...], some: Callable[[int], bool]) -> bytes:
    """Strokes of these roles cut off at a border."""
    levels = []
    for k, v in enumerate(planned_levels(part)):
        strokes: list[Stroke] = []
        for s in v.strokes:
            if s.role not in roles or not some(k):
                strokes.append(s)
                continue
            line = shapely.LineString(np.vstack([s.points, s.points[:1]]) if s.closed else s.points)
            if keep.contains(line):
                strokes.append(s)
                continue
            pieces = shapely.line_merge(shapely.intersection(line, keep))
            strokes += [
                replace(s, points=np.asarray(p.coords), closed=False)
                for p in shapely.get_parts(pieces)
                if p.geom_type == "LineString" and p.length > 0.5
            ]
        levels.append(replace(v, strokes=strokes))
    return planned_bytes(levels, part)


@fault("walls missing on one side", "outline", "walls", "not printed", "other part", *_AIR, planned=True)
def _one_side_open(part: str) -> bytes:
    x0, y0, x1, y1 = shapely.union_all(list(plan_of(part).geometry.stack.regions)).bounds
    keep = shapely.box(x0 - 9, y0 - 9, x0 + 0.85 * (x1 - x0), y1 + 9)
    n = len(planned_levels(part))
    return _clipped(part, keep, ("wall",), lambda k: n // 4 <= k < 3 * n // 4)


@fault("walls that do not close", "outline", "walls", *_LESS, "open walls", planned=True)
def _gaping(part: str) -> bytes:
    def change(s: Stroke, v: Level, k: int) -> Stroke | None:
        if s.role != "wall" or not s.closed:
            return s
        ring = shapely.LineString(np.vstack([s.points, s.points[:1]]))
        if ring.length < 8.0:
            return s
        kept = shapely.ops.substring(ring, 0.0, ring.length - 3.0)
        return replace(s, points=np.asarray(kept.coords), closed=False)

    return _against(part, change)


@fault("walls that run on past their beginning", "laid twice", *_MORE, "overlap", "walls")
def _run_on(part: str) -> bytes:
    def change(s: Stroke, v: Level, k: int) -> Stroke:
        if s.role != "wall" or not s.closed:
            return s
        ring = shapely.LineString(np.vstack([s.points, s.points[:1]]))
        more = shapely.ops.substring(ring, 0.0, min(8.0, 0.4 * ring.length))
        points = np.vstack([s.points, np.asarray(more.coords)])
        return replace(s, points=points, closed=False)

    return _alone(part, change)


@fault("fill that ends before the walls", "fill", "skin", *_LESS, *_AIR, "walls", planned=True)
def _short_fill(part: str) -> bytes | None:
    if not _has(part, "skin", 1000.0):
        return None

    def change(s: Stroke, v: Level, k: int) -> Stroke | None:
        if s.role not in ("fill", "skin"):
            return s
        line = shapely.LineString(s.points)
        if line.length < 3.2:
            return None
        kept = shapely.ops.substring(line, 1.5, line.length - 1.5)
        return replace(s, points=np.asarray(kept.coords))

    return _against(part, change)


@fault("twice as many walls", "walls", "filament", "fill", planned=True)
def _many_walls(part: str) -> bytes | None:
    plan = plan_of(part)
    more = replace(plan.process, wall_lines=2 * plan.process.wall_lines)
    if not _has(part, "fill", 1000.0):
        return None
    return planned_bytes(planted.levels_of_plan(replace(plan, process=more)), part)


@quietly
def _across(strokes: list[Stroke]) -> list[Stroke]:
    """The bridging strokes of a layer laid the other way."""
    out = []
    ground = shapely.union_all([shapely.LineString(s.points).buffer(0.25) for s in strokes])
    for piece in polygons(ground.buffer(-0.1)):
        mine = next(s for s in strokes if piece.buffer(0.3).contains(shapely.LineString(s.points)))
        d = mine.points[-1] - mine.points[0]
        turned = math.degrees(math.atan2(d[1], d[0])) + 90.0
        out += [replace(mine, points=line) for line in hatch(piece, turned, 0.42)]
    return out


@fault("bridges laid the long way", "bridge direction", "long bridge", *_AIR, planned=True)
def _long_way(part: str) -> bytes | None:
    if not _has(part, "bridge"):
        return None
    levels = []
    for v in planned_levels(part):
        own = [s for s in v.strokes if s.role == "bridge"]
        rest = [s for s in v.strokes if s.role != "bridge"]
        levels.append(replace(v, strokes=[*rest, *(_across(own) if own else [])]))
    return planned_bytes(levels, part)


@fault("bridges fed a third", *_LESS, *_AIR, "bridge", planned=True)
def _thin_bridges(part: str) -> bytes | None:
    if not _has(part, "bridge"):
        return None
    return _against(part, lambda s, v, k: replace(s, flow=0.33 * s.flow) if s.role == "bridge" else s)


@fault("sparse fill at a third from half way up", "fill", "filament", *_AIR, planned=True)
def _thinner_fill(part: str) -> bytes | None:
    levels = planned_levels(part)
    at, count = len(levels) // 2, [0]
    long = sum(
        float(np.hypot(*np.diff(s.points, axis=0).T).sum())
        for v in levels[at:] for s in v.strokes if s.role == "fill"
    )  # fmt: skip
    if long < 1000.0:
        return None

    def change(s: Stroke, v: Level, k: int) -> Stroke | None:
        if s.role != "fill" or k < at:
            return s
        count[0] += 1
        return s if count[0] % 3 == 0 else None

    return _against(part, change)


@fault("every second strand of the skins missing", "skin", *_LESS, *_AIR, "filament", planned=True)
def _thin_skins(part: str) -> bytes:
    """Zigzags lose every second of their lines."""

    levels = []
    for v in planned_levels(part):
        strokes: list[Stroke] = []
        for s in v.strokes:
            if s.role != "skin":
                strokes.append(s)
                continue
            long = np.hypot(*np.diff(s.points, axis=0).T)
            rows = [k for k in range(len(long)) if long[k] > 1.0]
            strokes += [replace(s, points=s.points[k : k + 2]) for k in rows[::2]]
        levels.append(replace(v, strokes=strokes))
    return planned_bytes(levels, part)


@fault("fed half on one side of the bed", *_LESS)
def _half_side(part: str) -> bytes:
    x = outline(plain_levels(part)).centroid.x
    return _alone(
        part, lambda s, v, k: replace(s, flow=0.5 * s.flow) if s.points[:, 0].mean() < x - 4.0 else s
    )


@fault("the last layer missing", "too low", "skin", "not printed", "layer missing", planned=True)
def _no_last(part: str) -> bytes:
    return planned_bytes(planned_levels(part)[:-1], part)


@fault("first layer drawn in by a millimetre", "outline", "first layer", *_AIR, planned=True)
def _drawn_in_first(part: str) -> bytes | None:
    first = float(plan_of(part).geometry.stack.z_mm[1])

    def change(r: shapely.Geometry, z: float) -> shapely.Geometry:
        inner = r.buffer(-1.0, join_style="mitre")
        return inner if z <= first + 1e-6 and inner.area > 0.4 * r.area else r

    return _of_regions(part, change)


@fault("thin walls dropped", "outline", "not printed", "other part", "walls", *_AIR, planned=True)
def _no_thin(part: str) -> bytes | None:
    def change(r: shapely.Geometry, z: float) -> shapely.Geometry:
        opened = r.buffer(-1.3, join_style="mitre").buffer(1.3, join_style="mitre").intersection(r)
        return opened if opened.area > 0.4 * r.area else r

    return _of_regions(part, change, 8.0)


@fault("walls waver by seven tenths", "outline", *_LESS, *_TWICE, planned=True)
def _rough(part: str) -> bytes:
    return planned_bytes(fuzzy(planned_levels(part), 0.7, np.random.default_rng(8)), part)


@fault("thicker layers from half way on", "layer height", "thick layer", "gap", planned=True)
def _thicker_above(part: str) -> bytes:
    """Of every three layers from half way on two are laid, half as high again."""
    levels = list(planned_levels(part))
    at = len(levels) // 2
    above = levels[at:]
    out = []
    for k in range(0, len(above) - 2, 3):
        for j, z in ((k, above[k].z + 0.5 * above[k].height), (k + 2, above[k + 2].z)):
            h = 1.5 * above[j].height
            strokes = [replace(s, height=h) for s in above[j].strokes]
            out.append(replace(above[j], z=round(z, 6), height=h, strokes=strokes))
    rest = above[3 * ((len(above)) // 3) :]
    return planned_bytes([*levels[:at], *out, *rest], part)


@fault("the upper half of another part", "outline", "other part", *_AIR, "too low", "not printed", "floats",
       "overlap", planned=True)  # fmt: skip
def _two_programs(part: str) -> bytes:
    levels = planned_levels(part)
    other = planned_levels(planted.PARTS[(planted.PARTS.index(part) + 3) % len(planted.PARTS)])
    at = len(levels) // 2
    x, y = outline(levels).centroid.coords[0]
    a, b = outline(other).centroid.coords[0]
    return planned_bytes([*levels[:at], *moved(other[at:], x - a, y - b)], part)


@fault("cut in two, both halves on the bed", "too low", "not printed", "stray", "other part", "outline",
       planned=True)  # fmt: skip
def _in_two(part: str) -> bytes:
    levels = list(planned_levels(part))
    at = len(levels) // 2
    by = levels[at - 1].z
    upper = [replace(v, z=round(v.z - by, 6)) for v in moved(levels[at:], 60.0, 5.0)]
    return planned_bytes(beside(levels[:at], upper), part)


@fault("second copy of 95 per cent", "scale", "outline", "other part", "stray", "too low", "not printed",
       planned=True)  # fmt: skip
def _small_copy(part: str) -> bytes:
    levels = list(planned_levels(part))
    small = _changed(levels, lambda s, v, k: replace(s, points=0.95 * s.points + [62.0, 8.0]))
    return planned_bytes(beside(levels, small), part)


# supports


@fault("roof of the supports missing on one side", "interface", "barely supported", "support amount", *_AIR,
       "spacing", "gap", "unsupported", planned=True)  # fmt: skip
def _half_roof(part: str) -> bytes | None:
    if not planted._supported(part) or not plan_of(part).process.structure.interface_layers:
        return None
    ends = plan_of(part).geometry.scheme.strands.ends_mm
    x = float(np.median(ends[:, 0]))
    return _support(part, lambda s, v, k: None if s.role == "interface" and s.points[:, 0].mean() < x else s)


@fault("a line of support right beside the part", "side gap", "stray", "outline", "support amount", "spacing",
       planned=True)  # fmt: skip
def _beside_part(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    regions, levels = plan_of(part).geometry.stack.regions, []
    for k, v in enumerate(planned_levels(part)):
        if not any(planted._is_support(s) for s in v.strokes) or k == 0 or regions[k].is_empty:
            levels.append(v)
            continue
        lines = [
            Stroke("support", np.asarray(p.exterior.coords)[:-1], True, 0.45, v.height, speed=60.0)
            for p in polygons(regions[k].buffer(0.3))
        ]
        levels.append(replace(v, strokes=[*lines, *v.strokes]))
    return planned_bytes(levels, part)


@fault("supports too small all round", *_MOVED, "interface", "spacing", "overhang", planned=True)
def _small_supports(part: str) -> bytes | None:
    """What of them stands within three millimetres of their own border is not there."""
    if not planted._supported(part):
        return None
    scheme, levels, kept = plan_of(part).geometry.scheme, [], 0
    for k, v in enumerate(planned_levels(part)):
        ground = shapely.union_all([scheme.body[k], scheme.cap[k]])
        inner = shapely.union_all([p.buffer(-3.0) for p in polygons(ground)])
        strokes: list[Stroke] = []
        for s in v.strokes:
            if not planted._is_support(s):
                strokes.append(s)
                continue
            for piece in shapely.get_parts(shapely.LineString(s.points).intersection(inner)):
                if piece.geom_type == "LineString" and piece.length > 0.5:
                    strokes.append(replace(s, points=np.asarray(piece.coords), closed=False))
                    kept += 1
        levels.append(replace(v, strokes=strokes))
    return planned_bytes(levels, part) if kept > 40 else None


@fault("support laid twice over itself", "laid twice", *_MORE, "support amount", "spacing", planned=True)
def _twice_over(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    levels = [
        replace(v, strokes=[*(s for s in v.strokes if planted._is_support(s)), *v.strokes])
        for v in planned_levels(part)
    ]
    return planned_bytes(levels, part)


@fault("supports at a rush", "too fast", "fast walls", "fast support", "fast", planned=True)
def _rushed(part: str) -> bytes | None:
    return _support(part, lambda s, v, k: replace(s, speed=300.0))


# heat and fan


def _around_bridges(part: str, before: str, after: str) -> bytes:
    writer = planted._writer(plan_of(part).process)
    for level in planned_levels(part):
        own = [s for s in level.strokes if s.role == "bridge"]
        written([replace(level, strokes=[s for s in level.strokes if s.role != "bridge"])], writer)
        if own:
            writer.say(before)
            for s in own:
                writer.height = s.height
                full = section_mm2(s.width, s.height)
                writer.flow = s.flow * (full if s.section is None else s.section) / full
                writer.path([tuple(p) for p in s.points], width=s.width, speed=s.speed)
            writer.flow = 1.0
            writer.say(after)
    return writer.end().bytes()


@fault("fan off over bridges", "fan over air", "fan", planned=True)
def _still_bridges(part: str) -> bytes | None:
    return _around_bridges(part, "M107", "M106 S255") if _has(part, "bridge") else None


@fault("fan off in every second layer", "fan", "fan over air", planned=True)
def _flickers(part: str) -> bytes:
    return planned_bytes(
        [replace(v, fan=0.0) if k % 2 else v for k, v in enumerate(planned_levels(part))], part
    )


@fault("bed heated only when three layers lie", "bed heat", planned=True)
def _late_bed(part: str) -> bytes:
    lines = _plain_plan(part).split(b"\n")
    word = lines.pop(next(k for k, line in enumerate(lines) if line.startswith(b"M140")))
    at = _rises(lines)[3]
    return b"\n".join([*lines[:at], word, *lines[at:]])


TUNED_ON, SEALED = planted.parted(FAULTS, 3111_17)
