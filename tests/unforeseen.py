"""Faults that nobody had in mind while the audit was made: half of them looked at since, half only counted.

All were written down, with the findings that name them right, before any was run; then the draw below parted
them. ``LOOKED_AT`` may be looked into; ``HELD_BACK`` is counted and reported, and nothing is changed for it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely

import planted
from planted import Case, Fault, plain_levels, plan_of, planned_bytes, planned_levels, solid_of
from primitives import Solid
from programs import Writer
from sliced import Level, Recipe, Stroke, beside, levels_of, moved, one_by_one, sliced, written

FAULTS: dict[str, Fault] = {}
_AIR = ("on nothing", "starts in air", "ends in air", "overhang", "long bridge")


def fault(name: str, *kinds: str, planned: bool = False):
    def keep(make: Callable[[str], bytes | None]):
        FAULTS[name] = Fault(frozenset(kinds), make, planned)
        return make

    return keep


def _text(part: str, **dialect) -> bytes:
    return written(plain_levels(part), Writer(**dialect)).end().bytes()


def _rises(lines: Sequence[bytes]) -> list[int]:
    return [k for k, line in enumerate(lines) if line.startswith((b"G0 Z", b"G1 Z"))]


def _amid(program: bytes, *words: str) -> bytes:
    """Lines of words put in half way through, between two layers."""
    lines = program.split(b"\n")
    rises = _rises(lines)
    at = rises[len(rises) // 2]
    return b"\n".join([*lines[:at], *(word.encode() for word in words), *lines[at:]])


def _changed(levels: Sequence[Level], change: Callable[[Stroke, int], Stroke | None]) -> list[Level]:
    out = []
    for k, level in enumerate(levels):
        strokes = [s for s in (change(one, k) for one in level.strokes) if s is not None]
        out.append(replace(level, strokes=strokes))
    return out


def _support(part: str, change: Callable[[Stroke, int], Stroke | None]) -> bytes | None:
    """The plan's program with its strands of support changed."""
    if not planted._supported(part):
        return None
    levels = planned_levels(part)
    return planned_bytes(_changed(levels, lambda s, k: change(s, k) if planted._is_support(s) else s), part)


# the text of the program


@fault("lines lost in the middle", "floats", "on nothing", "off the bed")
def _lines_lost(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    n = len(lines)
    return b"\n".join([*lines[: int(0.45 * n)], *lines[int(0.55 * n) :]])


@fault("a digit lost", *_AIR, "ploughs", "laid twice", "outside", "starved", "wild")
def _digit(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    at = next(
        k
        for k in range(len(lines) // 2, len(lines))
        if re.match(rb"G1 X1\d\d\.\d+ Y\S+ E0\.0[2-9]", lines[k])
    )
    lines[at] = re.sub(rb"X1", b"X", lines[at], count=1)
    return b"\n".join(lines)


@fault("decimal commas", "garbled", "unit", "underfed")
def _commas(part: str) -> bytes:
    return _text(part).replace(b".", b",")


@fault("amounts with an exponent", "garbled", "underfed", "starved")
def _exponent(part: str) -> bytes:
    return re.sub(rb"E(0\.\d+)", lambda m: b"E%.4e" % float(m[1]), _text(part))


@fault("no speed in the program", "speed unset")
def _no_speeds(part: str) -> bytes:
    return re.sub(rb" F[\d.]+", b"", _text(part))


@fault("speeds by the second", "too slow", "slow", "time")
def _per_second(part: str) -> bytes:
    return re.sub(rb"F([\d.]+)", lambda m: b"F%.3f" % (float(m[1]) / 60.0), _text(part))


@fault("speeds ten times as high", "too fast", "fast walls")
def _ten_times(part: str) -> bytes:
    return re.sub(rb"F([\d.]+)", lambda m: b"F%.0f" % (float(m[1]) * 10.0), _text(part))


@fault("inches from half way on", "units", "unit")
def _inches(part: str) -> bytes:
    return _amid(_text(part), "G20")


@fault("by steps from half way on", "wild", *_AIR, "floats", "ploughs")
def _by_steps(part: str) -> bytes:
    return _amid(_text(part), "G91")


@fault("count moved half way", *_AIR)
def _count_moved(part: str) -> bytes:
    lines = _text(part).split(b"\n")
    rises = _rises(lines)
    before = b"\n".join(lines[: rises[len(rises) // 2]])
    x = float(re.findall(rb"X([\d.]+)", before)[-1])
    return _amid(b"\n".join(lines), f"G92 X{x + 4.0:.3f}")


@fault("steps a millimetre changed half way", "command")
def _steps(part: str) -> bytes:
    return _amid(_text(part), "M92 E200")


# heat, fan, filament


@fault("nozzle off half way", "cold")
def _cooled(part: str) -> bytes:
    return _amid(_text(part), "M104 S0")


@fault("bed off half way", "bed heat", planned=True)
def _bed_off(part: str) -> bytes:
    return _amid(planned_bytes(planned_levels(part), part), "M140 S0")


@fault("nozzle 40 degrees hotter from half way on", "nozzle heat", planned=True)
def _hotter(part: str) -> bytes:
    heat = plan_of(part).process.material.nozzle_temperature_c + 40.0
    return _amid(planned_bytes(planned_levels(part), part), f"M104 S{heat:g}")


@fault("fan off half way", "fan", "fan over air", planned=True)
def _fan_off(part: str) -> bytes:
    return _amid(planned_bytes(planned_levels(part), part), "M107")


@fault("bed 40 degrees too hot", "bed heat", "bed too hot", planned=True)
def _hot_bed(part: str) -> bytes:
    material = plan_of(part).process.material
    writer = Writer(nozzle=material.nozzle_temperature_c, bed=material.bed_temperature_c + 40.0)
    return written(planned_levels(part), writer).end().bytes()


@fault("half the filament from half way on", "starved", "underfed")
def _half_from(part: str) -> bytes:
    return _amid(_text(part), "M221 S50")


@fault("twice the filament from half way on", "overfed", "overfed throughout")
def _twice_from(part: str) -> bytes:
    return _amid(_text(part), "M221 S200")


@fault("amounts as volumes", "overfed throughout")
def _volumes(part: str) -> bytes:
    levels = _changed(plain_levels(part), lambda s, k: replace(s, flow=2.405 * s.flow))
    return written(levels).end().bytes()


@fault("drawn back and not fed again", "underfed", "starved", "held back")
def _not_fed(part: str) -> bytes:
    return re.sub(rb"\nG1 E0\.80000[^\n]*", b"", _text(part))


@fault("fed too much after travels", "blob")
def _fed_too_much(part: str) -> bytes:
    return re.sub(rb"\nG1 E0\.80000", b"\nG1 E2.80000", _text(part))


# heights


@fault("rises twice as far from half way on", "floats", "layer height", "thick layer", "starved", "underfed")
def _twice_as_far(part: str) -> bytes:
    levels = plain_levels(part)
    at = len(levels) // 2
    z = levels[at - 1].z
    return written([*levels[:at], *(replace(v, z=z + 2.0 * (v.z - z)) for v in levels[at:])]).end().bytes()


@fault("two layers at one height", "laid twice", "overfed", "ploughs")
def _one_height(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    levels[at] = replace(levels[at], z=levels[at - 1].z)
    return written(levels).end().bytes()


@fault("heights halved", "overfed throughout")
def _halved(part: str) -> bytes:
    return written([replace(v, z=0.5 * v.z) for v in plain_levels(part)]).end().bytes()


@fault("sunk into the bed", "too low", "other part", "outline", planned=True)
def _sunk(part: str) -> bytes:
    levels = planned_levels(part)
    return planned_bytes([replace(v, z=v.z - levels[5].z) for v in levels[6:]], part)


@fault("a twentieth too high", "scale", "layer height", "other part", planned=True)
def _too_high(part: str) -> bytes:
    levels = [
        replace(
            v,
            z=1.05 * v.z,
            height=1.05 * v.height,
            strokes=[replace(s, height=1.05 * s.height) for s in v.strokes],
        )
        for v in planned_levels(part)
    ]
    return planned_bytes(levels, part)


# the plate


@fault("travels through what stands", "strikes")
def _low_travels(part: str) -> bytes:
    levels = plain_levels(part)
    return one_by_one([moved(levels, -60.0, 0.0), moved(levels, 20.0, 0.0)], clear=1.0).end().bytes()


@fault("two parts into each other", "overlap", "laid twice", "overfed", "ploughs")
def _into(part: str) -> bytes:
    levels = list(plain_levels(part))
    return written(beside(levels, moved(levels, 11.0, 3.0))).end().bytes()


@fault("a layer missing in one of two", "floats")
def _one_of_two(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 3
    return written(beside([*levels[:at], *levels[at + 1 :]], moved(levels, 55.0, 0.0))).end().bytes()


@fault("a prime line through the part", "crossed", "laid twice", "overfed", "ploughs", "strikes")
def _prime_through(part: str) -> bytes:
    levels = list(plain_levels(part))
    first = levels[0]
    x0, y0, x1, y1 = shapely.union_all([shapely.LineString(s.points) for s in first.strokes]).bounds
    y = y0 + 0.3 * (y1 - y0)
    line = Stroke("prime", np.array([[x0 - 30.0, y], [x1 + 10.0, y]]), section=0.3, height=first.height)
    levels[0] = replace(first, strokes=[line, *first.strokes])
    return written(levels).end().bytes()


@fault("one layer moved aside", *_AIR)
def _one_aside(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    levels[at] = moved([levels[at]], 3.0, 1.0)[0]
    return written(levels).end().bytes()


# the part


def _of_regions(part: str, change: Callable[[shapely.Geometry, float], shapely.Geometry]) -> bytes:
    """The plan's supports with another part: each section changed, at its height."""
    plan = plan_of(part)
    stack = plan.geometry.stack
    regions = [change(r, float(z)) for r, z in zip(stack.regions, stack.z_mm[1:], strict=True)]
    return planned_bytes(planted.levels_of_plan(plan, regions=regions), part)


def _box_of(part: str) -> tuple[float, float, float, float]:
    return tuple(float(v) for v in shapely.union_all(list(plan_of(part).geometry.stack.regions)).bounds)


@fault("a wider drawing", "outline", "scale", "other part", planned=True)
def _wider(part: str) -> bytes:
    return _of_regions(part, lambda r, z: r.union(shapely.transform(r, lambda xy: xy + np.array([2.5, 0.0]))))


@fault("bores filled", "outline", "other part", planned=True)
def _bores(part: str) -> bytes | None:
    if part not in ("cleat", "flange", "pulley", "cowl"):
        return None
    return _of_regions(
        part, lambda r, z: shapely.union_all([shapely.Polygon(p.exterior) for p in shapely.get_parts(r)])
    )


@fault("an end cut off", "outline", "not printed", "other part", planned=True)
def _end_off(part: str) -> bytes:
    x0, y0, x1, y1 = _box_of(part)
    kept = shapely.box(x0 - 1.0, y0 - 1.0, x0 + 0.8 * (x1 - x0), y1 + 1.0)
    return _of_regions(part, lambda r, z: r.intersection(kept))


@fault("upside down", "other position", planned=True)
def _upside_down(part: str) -> bytes | None:
    if part in ("pulley", "boat", "buoy", "slotted"):
        return None  # their own like, or no position for them
    solid = solid_of(part)
    recipe = Recipe(height=0.2, first=0.2)

    class _Turned(Solid):
        def section(self, z: float) -> shapely.Geometry:
            region = solid.section(max(0.0, solid.height - z - 1e-6))
            return shapely.transform(region, lambda xy: xy * [1.0, -1.0])

    turned = _Turned(solid.name, solid.height, solid.added, solid.removed)
    return planned_bytes(moved(levels_of(sliced(turned, recipe)), 90.0, 90.0), part)


@fault("stretched along x", "scale", "outline", planned=True)
def _stretched(part: str) -> bytes:
    levels = _changed(planned_levels(part), lambda s, k: replace(s, points=s.points * [1.03, 1.0]))
    return planned_bytes(levels, part)


@fault("outer walls left out", "outline", "scale", planned=True)
def _no_outer(part: str) -> bytes:
    half = 0.6 * plan_of(part).process.line_width_mm
    regions = plan_of(part).geometry.stack.regions

    def change(s: Stroke, k: int) -> Stroke | None:
        if s.role != "wall" or regions[k].is_empty:
            return s
        return None if shapely.LinearRing(s.points).distance(regions[k].boundary) < half else s

    return planned_bytes(_changed(planned_levels(part), change), part)


@fault("thicker layers than planned", "layer height", planned=True)
def _thicker(part: str) -> bytes:
    recipe = Recipe(height=0.3, first=0.3)
    return planned_bytes(moved(levels_of(sliced(solid_of(part), recipe)), 100.0, 100.0), part)


@fault("strands of twice the width", "line width", "overfed", planned=True)
def _wide(part: str) -> bytes:
    recipe = Recipe(height=0.2, first=0.2, width=0.9, walls=1, fill=0.3)
    return planned_bytes(moved(levels_of(sliced(solid_of(part), recipe)), 100.0, 100.0), part)


# supports


@fault("second copy without support", "unsupported", planned=True)
def _bare_copy(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    levels = list(planned_levels(part))
    bare = _changed(levels, lambda s, k: None if planted._is_support(s) else s)
    return planned_bytes(beside(levels, moved(bare, 55.0, 4.0)), part)


@fault(
    "every second line of support", "spacing", "barely supported", "unsupported", "support off the bed",
    "support layers missing", planned=True,
)  # fmt: skip
def _every_second(part: str) -> bytes | None:
    def change(s: Stroke, k: int) -> Stroke | None:
        if s.role != "support":
            return s
        return None if round(float(s.points[0].sum() + s.points[-1].sum()) / 2.0) % 4 < 2 else s

    return _support(part, change)


@fault("support fed half", "starved", planned=True)
def _half_support(part: str) -> bytes | None:
    return _support(part, lambda s, k: replace(s, flow=0.45 * s.flow))


@fault("support turned by a right angle", "support shifted", "unsupported", "barely supported", planned=True)
def _turned(part: str) -> bytes | None:
    if not planted._supported(part):
        return None
    x, y = plan_of(part).geometry.scheme.strands.ends_mm.reshape(-1, 2).mean(axis=0)
    return _support(part, lambda s, k: replace(s, points=(s.points - [x, y])[:, ::-1] * [1.0, -1.0] + [x, y]))


@fault("support far from the part", "unsupported", "support shifted", planned=True)
def _far(part: str) -> bytes | None:
    return _support(part, lambda s, k: replace(s, points=s.points + np.array([0.0, 55.0])))


@fault("support of one place left out", "unsupported", "barely supported", planned=True)
def _one_place(part: str) -> bytes | None:
    """Of supports that stand apart the largest is not there."""
    if not planted._supported(part):
        return None
    scheme = plan_of(part).geometry.scheme
    places = shapely.get_parts(shapely.union_all([r for r in scheme.body if not r.is_empty]).buffer(0.5))
    if len(places) < 2:
        return None
    gone = max(places, key=lambda p: p.area)
    shapely.prepare(gone)

    def change(s: Stroke, k: int) -> Stroke | None:
        return None if gone.contains(shapely.Point(s.points.mean(axis=0))) else s

    return _support(part, change)


LOOKED_AT, HELD_BACK = planted.parted(FAULTS, 2611)


def cases_of(names: Sequence[str], parts: Sequence[str] = planted.PARTS) -> Iterator[Case]:
    """As ``planted.cases_of``, of these faults."""
    yield from planted.cases_of(tuple(names), tuple(parts), FAULTS)
