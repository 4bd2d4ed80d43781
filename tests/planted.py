"""Sound programs as people's slicing programs write them, and the same with one fault each.

The kinds of fault in ``OPEN`` were looked at while the audit was made; those in ``SEALED`` were set aside and
counted at its end, then looked at; those in ``LATER`` were thought of after that. Each says which finding
names it right.
"""

from __future__ import annotations

import functools
import random
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from falsework.planning import plan as make_plan
from falsework.planning.value import Plan
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.support.scheme import Role
from primitives import SOLIDS, Solid
from programs import Writer
from sliced import (
    Level,
    Recipe,
    Stroke,
    beside,
    fuzzy,
    levels_of,
    moved,
    one_by_one,
    part_strokes,
    slice_regions,
    sliced,
    with_brim,
    with_prime,
    with_raft,
    with_skirt,
    with_tower,
    written,
)

PARTS = tuple(SOLIDS)
SHORED = tuple(f"{part} on shores" for part in PARTS)  # the same with the supports that are designed
AT = (100.0, 100.0)
PLAIN = Recipe()


@dataclass(frozen=True)
class Case:
    """A program, what it is held against, and which kinds of finding name its fault (none: it is sound)."""

    name: str
    program: bytes
    plan: Plan | None = None
    process: Process | None = None
    kinds: frozenset[str] = frozenset()


# sound programs by themselves


def parted(names: Iterable[str], seed: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names drawn into two halves by lot: one may be looked into, the other is held back."""
    drawn = sorted(names)
    random.Random(seed).shuffle(drawn)
    half = len(drawn) // 2
    return tuple(sorted(drawn[:half])), tuple(sorted(drawn[half:]))


@functools.cache
def plain_levels(part: str, recipe: Recipe = PLAIN) -> tuple[Level, ...]:
    return tuple(moved(levels_of(sliced(solid_of(part), recipe)), *AT))


RECIPES = {
    "plain": Recipe(),
    "thin layers": Recipe(height=0.15, first=0.2, width=0.42, skins=5),
    "thick layers": Recipe(height=0.3, first=0.3, width=0.55, walls=3, fill=0.2),
    "grid": Recipe(pattern="grid", fill=0.1, angle=0.0),
    "zigzag": Recipe(pattern="zigzag", fill=0.25, overlap=0.15),
    "one wall": Recipe(walls=1, fill=0.3),
    "no threads": Recipe(threads=False, walls=3),
    "outer first": Recipe(inner_first=False, gap_fill=False, overlap=0.35),
    "closed supports": Recipe(closed_support=True, spacing=3.0, gap_layers=2),
    "tall supports": Recipe(tall_support=True, height=0.2, first=0.2),
    "no interface": Recipe(interface=0, spacing=2.0, closed_support=True),
    "solid": Recipe(fill=1.0, skins=2, walls=2),
    "very sparse": Recipe(fill=0.06, skins=4),
}
PLATES: dict[str, Callable[[list[Level]], list[Level]]] = {
    "bare": lambda levels: levels,
    "skirt": with_skirt,
    "brim": with_brim,
    "prime there and back": lambda levels: with_prime(with_skirt(levels), 0),
    "prime thick": lambda levels: with_prime(levels, 1),
    "prime over itself": lambda levels: with_prime(levels, 2),
    "tower": with_tower,
    "raft": with_raft,
    "raft without gap": lambda levels: with_raft(levels, 0.0),
    "two": lambda levels: beside(levels, moved(levels, 55.0, 0.0)),
    "four": lambda levels: beside(*(moved(levels, x, y) for x in (0, 55) for y in (0, 45))),
    "fuzzy": lambda levels: fuzzy(levels, 0.1, np.random.default_rng(5)),
}
DIALECTS: dict[str, dict] = {
    "by the move": {},
    "from the start": {"relative": False},
    "lifted": {"hop": 0.3},
    "words": {"words": True},
    "numbered": {"numbered": True, "relative": False},
}


def sound_one(part: str, recipe: str, plate: str, dialect: str) -> Case:
    """A part by names of a recipe, a plate and a dialect."""
    levels = PLATES[plate](list(plain_levels(part, RECIPES[recipe])))
    program = written(levels, Writer(**DIALECTS[dialect])).end().bytes()
    return Case(f"{part}, {recipe}, {plate}, {dialect}", program)


def sound_alone(every: int = 1, offset: int = 0) -> Iterator[Case]:
    """Every part in recipes, plates and dialects that go round; ``every``: only each so-manieth, from
    ``offset`` (less than it) on.
    """
    recipes, plates, dialects = list(RECIPES), list(PLATES), list(DIALECTS)
    count = 0
    for p, part in enumerate(PARTS):
        for k in range(18):
            count += 1
            if count % every != offset:
                continue
            recipe = recipes[(k + 3 * p) % len(recipes)]
            plate = plates[(k + 5 * p) % len(plates)]
            dialect = dialects[(k + p) % len(dialects)]
            yield sound_one(part, recipe, plate, dialect)
        count += 1
        if count % every == offset:
            levels = list(plain_levels(part))
            far = [moved(levels, x, 0.0) for x in (-60.0, 20.0)]
            yield Case(f"{part}, one by one", one_by_one(far).end().bytes())


# programs that print a plan


def solid_of(part: str) -> Solid:
    return SOLIDS[part.removesuffix(" on shores")]()


@functools.cache
def process_of(form: str) -> Process:
    process = load_process("pla-0.4")
    structure = replace(process.structure, form=form)
    return replace(process, layer_height_mm=0.2, first_layer_height_mm=0.2, structure=structure)


@functools.cache
def plan_of(part: str) -> Plan:
    """The part planned as it stands, each underside that needs it with support: upright walls, or what is
    designed.
    """
    form = "designed" if part in SHORED else "curtain"
    return make_plan(solid_of(part).part(), process_of(form), release=False)


def levels_of_plan(plan: Plan, *, regions=None, fill: float | None = None) -> list[Level]:
    """The plan's part sliced here with its sparse fill, or another, and the plan's own strands of support."""
    stack, process = plan.geometry.stack, plan.process
    heights = [(float(z), float(h)) for z, h in zip(stack.z_mm[1:], stack.heights_mm, strict=True)]
    recipe = Recipe(
        height=process.layer_height_mm,
        first=process.first_layer_height_mm,
        width=process.line_width_mm,
        walls=process.wall_lines,
        skins=process.solid_layers,
        fill=process.fill if fill is None else fill,
        supports=False,
    )
    cut = slice_regions(list(stack.regions) if regions is None else regions, heights, recipe)
    scheme = plan.geometry.scheme
    for k in range(len(heights)):
        below = k - 1 - plan.gap.layers
        if below >= 0:
            cut.carried[k] = shapely.union_all([scheme.body[below], scheme.cap[below]]).buffer(0.3)
    strands = scheme.strands
    levels = []
    for k, (z, h) in enumerate(heights):
        mine = strands.layer == k
        own = [
            Stroke(_ROLES[Role(int(role))], ends.reshape(2, 2), False, recipe.width, h, speed=60.0)
            for ends, role in zip(strands.ends_mm[mine], strands.role[mine], strict=True)
        ]
        levels.append(Level(z, h, [*own, *part_strokes(cut, k)], 0.0 if k == 0 else process.fan))
    return levels


_ROLES = {
    Role.LINE: "support",
    Role.CROSS: "support",
    Role.PERIMETER: "support",
    Role.CAP: "interface",
    Role.SOLE: "floor",
    Role.FOOT: "foot",
}
_SUPPORT = ("support", "interface", "floor", "foot")


@functools.cache
def planned_levels(part: str) -> tuple[Level, ...]:
    return tuple(levels_of_plan(plan_of(part)))


def _writer(process: Process, **dialect) -> Writer:
    return Writer(
        nozzle=process.material.nozzle_temperature_c, bed=process.material.bed_temperature_c, **dialect
    )


def planned_bytes(levels, part: str, **how) -> bytes:
    return written(levels, _writer(plan_of(part).process), **how).end().bytes()


PLANNED_WAYS: dict[str, Callable[[list[Level]], list[Level]]] = {
    "as it stands": lambda levels: levels,
    "moved": lambda levels: moved(levels, 13.0, -7.0),
    "with skirt and prime line": lambda levels: with_prime(with_skirt(levels), 1),
    "two": lambda levels: beside(levels, moved(levels, 52.0, 3.0)),
    "on a brim": with_brim,
}


def sound_planned(every: int = 1, offset: int = 0) -> Iterator[Case]:
    """Every part as planned: as it stands, moved, twice on the plate, with lines beside it; as above."""
    count = 0
    for part in (*PARTS, *SHORED):
        for name, way in PLANNED_WAYS.items():
            count += 1
            if count % every == offset:
                these = way(list(planned_levels(part)))
                yield Case(f"{part} planned, {name}", planned_bytes(these, part), plan_of(part))


# faults


def _strokes(levels, change: Callable[[Level, Stroke, int], Stroke | None]) -> list[Level]:
    out = []
    for k, level in enumerate(levels):
        kept = [s for s in (change(level, s, k) for s in level.strokes) if s is not None]
        out.append(replace(level, strokes=kept))
    return out


def _is_support(s: Stroke) -> bool:
    return s.role in _SUPPORT


def _supported(part: str) -> bool:
    return len(plan_of(part).geometry.scheme.strands.layer) > 40


def _with_lines(program: bytes, *lines: str, at: int = 4) -> bytes:
    text = program.split(b"\n")
    return b"\n".join([*text[:at], *(line.encode() for line in lines), *text[at:]])


@dataclass(frozen=True)
class Fault:
    """``make`` gives the program of a part, or None where the part does not lend itself to it."""

    kinds: frozenset[str]
    make: Callable[[str], bytes | None]
    planned: bool


FAULTS: dict[str, Fault] = {}


def fault(name: str, *kinds: str, planned: bool = False):
    def keep(make: Callable[[str], bytes | None]):
        FAULTS[name] = Fault(frozenset(kinds), make, planned)
        return make

    return keep


def _flow(part: str, share: float) -> bytes:
    levels = _strokes(plain_levels(part), lambda level, s, k: replace(s, flow=s.flow * share))
    return written(levels).end().bytes()


@fault("half the filament", "underfed")
def _half(part: str) -> bytes:
    return _flow(part, 0.5)


@fault("twice the filament", "overfed throughout")
def _double(part: str) -> bytes:
    return _flow(part, 2.0)


def _lifted(part: str, by: float) -> bytes:
    return written(plain_levels(part), lift=by).end().bytes()


@fault("nozzle into the bed", "z offset")
def _low(part: str) -> bytes:
    return _lifted(part, -0.1)


@fault("nozzle a little into the bed", "z offset")
def _a_little_low(part: str) -> bytes:
    return _lifted(part, -0.06)


@fault("first layer too high", "z offset", "off the bed")
def _high(part: str) -> bytes:
    return _lifted(part, 0.14)


@fault("no first layer", "first layer missing", "off the bed")
def _no_first(part: str) -> bytes:
    return written(plain_levels(part)[1:]).end().bytes()


@fault("a layer missing", "floats")
def _no_layer(part: str) -> bytes:
    levels = plain_levels(part)
    at = len(levels) // 3
    return written([*levels[:at], *levels[at + 1 :]]).end().bytes()


@fault("a layer twice", "laid twice")
def _twice(part: str) -> bytes:
    levels = plain_levels(part)
    at = len(levels) // 2
    again = replace(levels[at], strokes=levels[at].strokes * 2)
    return written([*levels[:at], again, *levels[at + 1 :]]).end().bytes()


@fault("an island in the air", "on nothing")
def _island(part: str) -> bytes:
    levels = list(plain_levels(part))
    _, y0, x1, _ = shapely.union_all([shapely.LineString(s.points) for s in levels[0].strokes]).bounds
    block = shapely.box(x1 + 12, y0, x1 + 18, y0 + 6)
    extra = [
        Stroke("wall", np.asarray(block.buffer(-0.3 - 0.4 * k).exterior.coords)[:-1], True) for k in range(4)
    ]
    at = len(levels) // 2
    for k in range(at, at + 3):
        levels[k] = replace(levels[k], strokes=[*levels[k].strokes, *(replace(s) for s in extra)])
    return written(levels).end().bytes()


@fault("some layers starved", "starved")
def _starved(part: str) -> bytes:
    n = len(plain_levels(part))

    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, flow=0.45 * s.flow) if n // 2 <= k < n // 2 + 4 else s

    return written(_strokes(plain_levels(part), change)).end().bytes()


@fault("some layers overfed", "overfed")
def _overfed(part: str) -> bytes:
    n = len(plain_levels(part))

    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, flow=2.3 * s.flow) if n // 2 <= k < n // 2 + 4 else s

    return written(_strokes(plain_levels(part), change)).end().bytes()


@fault("into what is printed", "ploughs")
def _ploughs(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    return written([*levels[: at + 1], levels[at - 4], *levels[at + 1 :]]).end().bytes()


@fault("450 degrees", "nozzle too hot")
def _too_hot(part: str) -> bytes:
    return written(plain_levels(part), Writer(nozzle=450.0)).end().bytes()


@fault("bed at 200 degrees", "bed too hot")
def _bed_too_hot(part: str) -> bytes:
    return written(plain_levels(part), Writer(bed=200.0)).end().bytes()


@fault("heater left on", "left hot")
def _left_hot(part: str) -> bytes:
    return written(plain_levels(part)).bytes()


@fault("cold feed allowed", "cold allowed")
def _cold_allowed(part: str) -> bytes:
    return _with_lines(written(plain_levels(part)).end().bytes(), "M302 P1")


@fault("soft limits off", "limits off")
def _limits_off(part: str) -> bytes:
    return _with_lines(written(plain_levels(part)).end().bytes(), "M211 S0")


@fault("never heated", "cold")
def _cold(part: str) -> bytes:
    return written(plain_levels(part), Writer(nozzle=0.0)).end().bytes()


@fault("count by the move taken from the start", "overfed throughout", "wild", "underfed")
def _mixed(part: str) -> bytes:
    program = written(plain_levels(part), Writer(relative=False)).end().bytes()
    return program.replace(b"M82", b"M83", 1)


@fault("off the bed", "outside", planned=True)
def _outside(part: str) -> bytes:
    return planned_bytes(moved(planned_levels(part), 120.0, 0.0), part)


@fault("one per cent too large", "scale", planned=True)
def _scaled(part: str) -> bytes:
    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, points=s.points * 1.01)

    return planned_bytes(_strokes(planned_levels(part), change), part)


_CHIRAL = ("table", "cleat", "bracket", "slotted")


@fault("mirrored", "mirrored", planned=True)
def _mirrored(part: str) -> bytes | None:
    if part not in _CHIRAL:
        return None

    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, points=s.points * np.array([-1.0, 1.0]) + np.array([230.0, 0.0]))

    return planned_bytes(_strokes(planned_levels(part), change), part)


@functools.cache
def _on_its_side(part: str) -> tuple[Level, ...]:
    mesh = solid_of(part).part()
    turned = mesh.vertices[:, [0, 2, 1]] * np.array([1.0, -1.0, 1.0])
    from falsework.layers.slicing import layer_boundaries, stack_layers
    from falsework.part.part import Part

    turned = turned - turned.min(axis=0)
    other = Part(mesh.name, np.ascontiguousarray(turned + np.array([90.0, 90.0, 0.0])), mesh.faces)
    height = float(other.vertices[:, 2].max())
    bounds = layer_boundaries(height, 0.2, 0.2)
    stack = stack_layers(other, bounds)
    recipe = Recipe(height=0.2, first=0.2)
    heights = [(float(z), float(h)) for z, h in zip(stack.z_mm[1:], stack.heights_mm, strict=True)]
    return tuple(levels_of(slice_regions(list(stack.regions), heights, recipe)))


@fault("lying on its side", "other position", planned=True)
def _other_lie(part: str) -> bytes | None:
    if part in ("pulley", "boat", "buoy"):
        return None  # round ones roll; the boat's side is no lie
    return planned_bytes(_on_its_side(part), part)


@fault("another part", "other part", planned=True)
def _other_part(part: str) -> bytes:
    other = PARTS[(PARTS.index(part) + 3) % len(PARTS)]
    return planned_bytes(planned_levels(other), part)


@fault("cut short", "too low", planned=True)
def _cut_short(part: str) -> bytes:
    levels = planned_levels(part)
    return written(levels[: 2 * len(levels) // 3], _writer(plan_of(part).process)).bytes()


@fault("walls too fast", "fast walls", planned=True)
def _fast(part: str) -> bytes:
    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, speed=130.0) if s.role == "wall" else s

    return planned_bytes(_strokes(planned_levels(part), change), part)


def _support_fault(part: str, change: Callable[[Level, Stroke, int], Stroke | None]) -> bytes | None:
    return planned_bytes(_strokes(planned_levels(part), change), part) if _supported(part) else None


def _support_layers(part: str) -> np.ndarray:
    return np.flatnonzero([any(_is_support(s) for s in level.strokes) for level in planned_levels(part)])


@fault("support begins above the bed", "support off the bed", planned=True)
def _off_bed(part: str) -> bytes | None:
    if not _supported(part) or _support_layers(part)[0] > 0 or len(_support_layers(part)) < 10:
        return None
    return _support_fault(part, lambda level, s, k: None if _is_support(s) and k < 3 else s)


@fault("support loses its first layer", "support off the bed", planned=True)
def _off_bed_by_one(part: str) -> bytes | None:
    if not _supported(part) or _support_layers(part)[0] > 0 or len(_support_layers(part)) < 10:
        return None
    return _support_fault(part, lambda level, s, k: None if _is_support(s) and k < 1 else s)


@fault("support loses layers", "support layers missing", planned=True)
def _lost(part: str) -> bytes | None:
    if not _supported(part):
        return None
    layers = _support_layers(part)
    if len(layers) < 16:
        return None
    gone = set(layers[len(layers) // 2 : len(layers) // 2 + 2])
    return _support_fault(part, lambda level, s, k: None if _is_support(s) and k in gone else s)


@fault("support moved aside", "support shifted", planned=True)
def _shifted(part: str) -> bytes | None:
    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, points=s.points + np.array([3.0, 1.0])) if _is_support(s) else s

    return _support_fault(part, change)


@fault("support without interface", "interface", planned=True)
def _bare(part: str) -> bytes | None:
    if not _supported(part) or not plan_of(part).process.structure.interface_layers:
        return None
    levels = planned_levels(part)
    body: list[Stroke] = []  # goes on up through the layers of the interface
    out = []
    for level in levels:
        own = [s for s in level.strokes if s.role == "support"]
        body = own or body
        bare = any(s.role == "interface" for s in level.strokes)
        rest = [s for s in level.strokes if s.role != "interface" and s.role != "support"]
        out.append(replace(level, strokes=[*(body if bare else own), *rest]))
    return planned_bytes(out, part)


@fault("support fused on top", "no gap", "fused on top", planned=True)
def _fused(part: str) -> bytes | None:
    if not _supported(part):
        return None
    return _raised_support(part, plan_of(part).gap.layers)


@fault("gap too wide", "gap", "fused below", planned=True)  # what stands on the part sinks into it
def _wide_gap(part: str) -> bytes | None:
    return _raised_support(part, -1) if _supported(part) else None


def _raised_support(part: str, by: int) -> bytes | None:
    """All support moved up by layers (or down), the place beneath filled with its first layer."""
    levels = list(planned_levels(part))
    own = [[s for s in level.strokes if _is_support(s)] for level in levels]
    out = []
    for k, level in enumerate(levels):
        source = k - by
        if by > 0 and source < 0:
            source = 0
        mine = own[source] if 0 <= source < len(own) else []
        rest = [s for s in level.strokes if not _is_support(s)]
        out.append(replace(level, strokes=[*(replace(s, height=level.height) for s in mine), *rest]))
    return planned_bytes(out, part)


@fault("no support at all", "unsupported", planned=True)
def _none(part: str) -> bytes | None:
    return _support_fault(part, lambda level, s, k: None if _is_support(s) else s)


@fault("support on one side only", "unsupported", "barely supported", planned=True)
def _one_side(part: str) -> bytes | None:
    if not _supported(part):
        return None
    strands = plan_of(part).geometry.scheme.strands.ends_mm
    middle = float(np.median(strands[:, 0]))
    left = shapely.box(-1e3, -1e3, middle, 1e3)

    def change(level: Level, s: Stroke, k: int) -> Stroke | None:
        if not _is_support(s):
            return s
        line = shapely.LineString(s.points).intersection(left)
        return (
            replace(s, points=np.asarray(line.coords))
            if line.geom_type == "LineString" and line.length > 0.5
            else None
        )

    return _support_fault(part, change)


# thought of after the audit was tuned, and only counted


def _amid(program: bytes, line: str) -> bytes:
    """A line of words put in half way through the program, between two layers."""
    text = program.split(b"\n")
    rises = [k for k, one in enumerate(text) if one.startswith((b"G0 Z", b"G1 Z"))]
    at = rises[len(rises) // 2]
    return b"\n".join([*text[:at], line.encode(), *text[at:]])


def _plain(part: str, **dialect) -> bytes:
    return written(plain_levels(part), Writer(**dialect)).end().bytes()


@fault("layers exchanged", "ploughs", "floats")
def _exchanged(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    levels[at], levels[at + 1] = levels[at + 1], levels[at]
    return written(levels).end().bytes()


@fault("slips upwards", "floats", "thick layer", "layer height")
def _slips(part: str) -> bytes:
    levels = plain_levels(part)
    at = len(levels) // 2
    return written([*levels[:at], *(replace(v, z=v.z + 0.2) for v in levels[at:])]).end().bytes()


@fault("slips sideways", "on nothing", "starts in air", "ends in air", "overhang", "long bridge")
def _slips_aside(part: str) -> bytes:
    levels = list(plain_levels(part))
    at = len(levels) // 2
    return written([*levels[:at], *moved(levels[at:], 4.0, 1.0)]).end().bytes()


@fault("motors let go", "stops")
def _let_go(part: str) -> bytes:
    return _amid(_plain(part), "M84")


@fault("homes half way", "homes in between")
def _homes(part: str) -> bytes:
    return _amid(_plain(part), "G28 X Y")


@fault("reference moved", "command")
def _reference(part: str) -> bytes:
    return _amid(_plain(part), "M206 X4")


@fault("flow share of 60 %", "underfed")
def _flow_share(part: str) -> bytes:
    return _with_lines(_plain(part), "M221 S60")


@fault("millimetres as inches", "unit")
def _inches(part: str) -> bytes:
    return _plain(part).replace(b"G21", b"G20", 1)


@fault("drawn back for good", "held back")
def _drawn_back(part: str) -> bytes:
    return _amid(_plain(part), "G10")


@fault("printed twice over", "after the end", "ploughs", "homes in between")
def _again(part: str) -> bytes:
    program = _plain(part)
    return program + program


@fault("cut off by the wire", "left hot")
def _cut_off(part: str) -> bytes:
    program = _plain(part)
    return program[: 3 * len(program) // 5]


@fault("from the middle of the bed", "outside", planned=True)
def _from_middle(part: str) -> bytes:
    return planned_bytes(moved(planned_levels(part), -115.0, -110.0), part)


@fault("one per cent too small", "scale", planned=True)
def _smaller(part: str) -> bytes:
    levels = _strokes(planned_levels(part), lambda level, s, k: replace(s, points=s.points * 0.988))
    return planned_bytes(levels, part)


@fault("a fifth too large", "scale", planned=True)
def _larger(part: str) -> bytes:
    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, points=1.2 * s.points, width=1.2 * s.width, height=1.2 * s.height)

    grown = _strokes(planned_levels(part), change)
    return planned_bytes([replace(v, z=1.2 * v.z, height=1.2 * v.height) for v in grown], part)


@fault("nozzle 35 degrees too cold", "nozzle heat", planned=True)
def _cool(part: str) -> bytes:
    material = plan_of(part).process.material
    writer = Writer(nozzle=material.nozzle_temperature_c - 35.0, bed=material.bed_temperature_c)
    return written(planned_levels(part), writer).end().bytes()


@fault("no fan", "fan", "fan over air", planned=True)
def _no_fan(part: str) -> bytes:
    return planned_bytes([replace(level, fan=0.0) for level in planned_levels(part)], part)


@fault("speed share of 300 %", "fast walls", "too fast", planned=True)
def _speed_share(part: str) -> bytes:
    return _with_lines(planned_bytes(planned_levels(part), part), "M220 S300")


@fault("a wall left out", "outline", "not printed", "on nothing", "floats", planned=True)
def _no_wall(part: str) -> bytes:
    n = len(planned_levels(part))

    def change(level: Level, s: Stroke, k: int) -> Stroke | None:
        return None if s.role == "wall" and n // 3 <= k < n // 3 + 6 else s

    return planned_bytes(_strokes(planned_levels(part), change), part)


@fault("support without its upper part", "unsupported", "barely supported", "gap", planned=True)
def _no_top(part: str) -> bytes | None:
    if not _supported(part):
        return None
    layers = _support_layers(part)
    return _support_fault(
        part, lambda level, s, k: None if _is_support(s) and k > layers[len(layers) // 2] else s
    )


@fault(
    "support moved from half way on", "support shifted", "support off the bed", "support layers missing",
    "unsupported", "barely supported", planned=True,
)  # fmt: skip
def _moved_above(part: str) -> bytes | None:
    if not _supported(part):
        return None
    layers = _support_layers(part)
    middle = layers[len(layers) // 2]

    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, points=s.points + np.array([6.0, 3.0])) if _is_support(s) and k > middle else s

    return _support_fault(part, change)


@fault("support against the part's side", "side gap", "support shifted", "fused below", planned=True)
def _against(part: str) -> bytes | None:
    def change(level: Level, s: Stroke, k: int) -> Stroke:
        return replace(s, points=s.points + np.array([1.0, 0.0])) if _is_support(s) else s

    return _support_fault(part, change)


_KINDS = list(FAULTS)
_TUNED = _KINDS.index("layers exchanged")
OPEN = tuple(_KINDS[:_TUNED:2])
SEALED = tuple(_KINDS[1:_TUNED:2])
LATER = tuple(_KINDS[_TUNED:])


@functools.cache
def _twin(part: str, planned: bool) -> bytes:
    """The same without a fault."""
    return planned_bytes(planned_levels(part), part) if planned else _plain(part)


def cases_of(
    names: tuple[str, ...], parts: tuple[str, ...] = PARTS, faults: Mapping[str, Fault] = FAULTS
) -> Iterator[Case]:
    """The faults of these names over parts; what is planned also with supports that are designed. A program
    that comes out as its sound twin has none.
    """
    for name in names:
        one = faults[name]
        shored = [part for part in SHORED if part.removesuffix(" on shores") in parts]
        for part in (*parts, *(shored if "support" in name or "gap" in name else ())):
            program = one.make(part)
            if program is not None and program != _twin(part, one.planned):
                plan = plan_of(part) if one.planned else None
                yield Case(f"{name}: {part}", program, plan, kinds=one.kinds)
