"""Programs for tests of the audit: fifty sound ones, and one for each kind of fault, made by ``programs``."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from falsework.part.demo import table
from falsework.part.part import Part
from falsework.planning import plan as make_plan
from falsework.planning.value import Plan
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.support.scheme import Role
from programs import Writer, block, heights, of_plan, section_mm2

SQUARE = shapely.box(50, 50, 66, 62)
DIALECTS: list[dict] = [
    {},
    {"relative": False},
    {"inch": True},
    {"inch": True, "relative": False},
    {"numbered": True},
    {"words": True},
    {"relative_moves": True},
    {"hop": 0.4},
    {"spaces": False},
    {"relative": False, "numbered": True, "hop": 0.3},
]


@functools.cache
def solid_process(**structure) -> Process:
    """Solid all through, so that what the writer makes is what the plan reckons with."""
    process = load_process("pla-0.4")
    return replace(
        process,
        fill=1.0,
        wall_speed_mm_s=45.0,
        fill_speed_mm_s=45.0,
        structure=replace(process.structure, **{"form": "curtain", **structure}),
    )


@functools.cache
def table_plan(**structure) -> Plan:
    """A small table on two legs with support from the bed beneath its top."""
    return make_plan(table(30.0, 12.0, 6.0), solid_process(**structure), standing="bed", release=False)


def box_part(*boxes: tuple[tuple[float, float, float], tuple[float, float, float]]) -> Part:
    from manifold3d import Manifold, OpType

    solids = [
        Manifold.cube([b - a for a, b in zip(low, high, strict=True)]).translate(low) for low, high in boxes
    ]
    mesh = Manifold.batch_boolean(solids, OpType.Add).to_mesh64()
    vertices = np.ascontiguousarray(np.asarray(mesh.vert_properties)[:, :3])
    return Part("blocks", vertices, np.asarray(mesh.tri_verts).astype(np.int32))


@functools.cache
def bridge_plan() -> Plan:
    """Two long walls with a short bridge between them that is left to itself."""
    part = box_part(((0, 0, 0), (4, 30, 3)), ((10, 0, 0), (14, 30, 3)), ((0, 0, 2.4), (14, 30, 3)))
    return make_plan(part, solid_process(), standing="leave", release=False)


@functools.cache
def shelf_plan(standing: str = "bed-or-part") -> Plan:
    """A plate with a post and an arm over the plate: support can only stand on the part."""
    part = box_part(((0, 0, 0), (24, 12, 1)), ((0, 0, 0), (5, 12, 5)), ((0, 0, 4), (18, 12, 5)))
    return make_plan(part, solid_process(), standing=standing, release=False)


def ring(writer: Writer, radius: float, *, centre=(60.0, 60.0), radius_word: bool = False, left: bool = True):
    """A closed circle as two arcs."""
    x, y = centre
    writer.travel(x + radius, y)
    writer.arc(x - radius, y, centre, left=left, radius_word=False)
    writer.arc(x + radius, y, centre, left=left, radius_word=False)


def tube(writer: Writer, top: float = 2.0, *, left: bool = True) -> Writer:
    for z, h in heights(top):
        writer.layer(z, h)
        for k in range(3):
            ring(writer, 10.0 - 0.45 * k, left=left)
    return writer


def cone(writer: Writer, lean_deg: float, top: float = 3.0) -> Writer:
    """Walls that lean outwards, round, of straight pieces."""
    for z, h in heights(top):
        writer.layer(z, h)
        for k in range(3):
            r = 10.0 - 0.45 * k + math.tan(math.radians(lean_deg)) * z
            angle = np.linspace(0, 2 * math.pi, 90)[:-1]
            writer.path([(60 + r * math.cos(a), 60 + r * math.sin(a)) for a in angle], closed=True)
    return writer


def rings(writer: Writer, radii: Sequence[float], sides: int, z: float, height: float = 0.2) -> None:
    """Closed walls of as many sides in one layer."""
    writer.layer(z, height)
    angle = 2 * math.pi * np.arange(sides) / sides
    for r in radii:
        writer.path([(56 + r * math.cos(a), 56 + r * math.sin(a)) for a in angle], closed=True)


def vessel(writer: Writer) -> Writer:
    """Three round walls side by side, of strands hardly longer than they are wide."""
    for k in range(6):
        rings(writer, [39.775, 39.325, 38.875], 312, round(0.2 * (k + 1), 6))
    return writer


def vase(writer: Writer, turns: int = 12, pitch: float = 0.2, r: float = 5.775, steps: int = 80) -> Writer:
    """A solid floor, then one wall that climbs without end."""
    if r < 10.0:
        square = shapely.box(50, 50, 62, 62)
        for k in range(3):
            writer.slab(square, round(0.2 * (k + 1), 6), 0.2, angle_deg=90.0 * (k % 2))
        z0 = 0.6
    else:
        rings(writer, [r], steps, 0.2)
        z0 = 0.2
    writer.travel(56 + r, 56.0)
    writer.height = pitch
    writer.travel(56 + r, 56)
    for k in range(turns * steps):
        a = 2 * math.pi * (k + 1) / steps
        z = z0 + pitch * (k + 1) / steps
        x, y = 56 + r * math.cos(a), 56 + r * math.sin(a)
        long = math.hypot(x - writer.x, y - writer.y)
        share = min(1.0, (k + 1) / steps)  # the first turn grows from nothing
        volume = section_mm2(0.45, pitch) * long * share
        writer.volume += volume
        words = [*writer._xy(x, y), writer._rise(z), writer._e(volume / (math.pi / 4 * 1.75**2))]
        writer._go("G1", words, 45.0)
    return writer


def bridged(writer: Writer, gap: float = 7.3, *, along: bool = False, **how) -> Writer:
    """Two blocks with a slab across the air between them."""
    x = 60.0 + gap
    for k, (z, h) in enumerate(heights(1.0)):
        for region in (shapely.box(50, 50, 60, 60), shapely.box(x, 50, x + 10, 60)):
            writer.slab(region, z, h, angle_deg=90.0 * (k % 2))
    for k in range(3):
        angle = 90.0 * ((k + along) % 2)
        writer.slab(shapely.box(50, 50, x + 10, 60), round(1.2 + 0.2 * k, 6), 0.2, angle_deg=angle, **how)
    return writer


def variable(writer: Writer) -> Writer:
    tops, z = [], 0.0
    for h in (0.2, 0.12, 0.2, 0.28, 0.08, 0.2, 0.3, 0.16):
        z = round(z + h, 6)
        tops.append((z, h))
    return block(writer, SQUARE, tops)


def sparse(writer: Writer, spacing: float = 3.0) -> Writer:
    for k, (z, h) in enumerate(heights(4.0)):
        solid = k < 3 or k > 16
        writer.slab(SQUARE, z, h, angle_deg=90.0 * (k % 2), spacing=None if solid else spacing)
    return writer


def combined_fill(writer: Writer) -> Writer:
    """Walls in every layer, fill in every second layer, twice as high."""
    for k, (z, h) in enumerate(heights(3.0)):
        writer.layer(z, h)
        inside = writer.walls(SQUARE).buffer(-0.4 * writer.width, join_style="mitre")
        if k < 3:
            writer.fill(inside, 90.0 * (k % 2), section_mm2(0.45, h) / h)
        elif k % 2 == 0:
            writer.height = 0.4
            writer.fill(inside, 90.0 * (k % 4 == 0), 2.5)
    return writer


def two_parts(writer: Writer) -> Writer:
    """One part after the other, far apart, the head lifted in between."""
    block(writer, SQUARE, heights(2.0))
    writer.layer(12.0, 0.2)
    writer.travel(120, 50)
    return block(writer, shapely.box(120, 50, 134, 60), heights(2.0))


def with_purge_and_outline(writer: Writer) -> Writer:
    writer.layer(0.3, 0.3)
    writer.path([(10, 5), (110, 5)])
    writer.layer(0.2, 0.2)
    writer.path(list(SQUARE.buffer(5, join_style="mitre").exterior.coords)[:-1], closed=True)
    return block(writer, SQUARE, heights(2.0))


SCENES: dict[str, Callable[[Writer], Writer]] = {
    "block": lambda w: block(w, SQUARE, heights(2.0)),
    "tube": tube,
    "tube the other way": functools.partial(tube, left=False),
    "cone": functools.partial(cone, lean_deg=35.0),
    "vase": vase,
    "large vase": functools.partial(vase, turns=4, r=40.0, steps=640),
    "vessel": vessel,
    "bridge": bridged,
    "variable": variable,
    "sparse": sparse,
    "combined": combined_fill,
    "two": two_parts,
    "purge": with_purge_and_outline,
}


def sound_alone() -> Iterator[tuple[str, Callable[[], bytes]]]:
    """Sound programs to be judged by themselves: every scene, every dialect; each made when it is wanted."""

    def made(name: str, ends: str = "\n", **dialect: Any) -> bytes:
        return SCENES[name](Writer(**dialect)).end().bytes(ends)

    names = list(SCENES)
    for k, dialect in enumerate(DIALECTS):
        for j in range(3):
            name = names[(3 * k + j) % len(names)]
            if "vase" in name and dialect.get("relative_moves"):
                name = "block"
            yield f"{name} {dialect}", functools.partial(made, name, **dialect)
    for name in names:
        yield name, functools.partial(made, name, "\r\n")


def sound_with_plan() -> Iterator[tuple[str, bytes, Plan]]:
    """Sound programs held against the plan they print, in many places on the bed."""
    for k, (turn, shift) in enumerate(
        [(0.0, (0.0, 0.0)), (90.0, (200.0, 0.0)), (17.0, (60.0, -30.0)), (180.0, (210.0, 215.0))]
    ):
        dialect = DIALECTS[k % 4]
        yield (
            f"table {turn}",
            of_plan(table_plan(), Writer(**dialect), turn_deg=turn, shift=shift).end().bytes(),
            table_plan(),
        )
    loose = table_plan(interface_layers=0, perimeter_lines=1, spacing_mm=2.5)
    yield "table with closed lines", of_plan(loose).end().bytes(), loose
    grid = table_plan(weave="crossed", spacing_mm=3.0)
    yield "table on a grid", of_plan(grid).end().bytes(), grid
    far = table_plan(air_gap_layers=3.0)
    yield "table with a wide gap", of_plan(far).end().bytes(), far
    yield "shelf", of_plan(shelf_plan()).end().bytes(), shelf_plan()
    bridge = bridge_plan()
    span = next(u for u in bridge.undersides if u.span_mm > 0)
    across = span.span_direction_deg
    yield (
        "bridge",
        of_plan(bridge, angle_of=lambda k: across if k == span.layers[0] else 90.0 * (k % 2)).end().bytes(),
        bridge,
    )


def _slab_fault(change: Callable[[Writer, int], None], top: float = 2.4) -> bytes:
    """A block in which something happens in each layer before it is filled."""
    writer = Writer()
    for k, (z, h) in enumerate(heights(top)):
        writer.layer(z, h)
        change(writer, k)
        writer.slab(SQUARE, writer.z, writer.height, angle_deg=90.0 * (k % 2))
        writer.flow = 1.0
    return writer.end().bytes()


def _lines(writer: Writer, at: int, *said: str) -> bytes:
    """The program with lines put in before line ``at`` (from 1)."""
    lines = writer.lines[: at - 1] + list(said) + writer.lines[at - 1 :]
    return ("\n".join(lines) + "\n").encode()


def _tower(top: float = 2.0, **dialect) -> Writer:
    return block(Writer(**dialect), SQUARE, heights(top))


def _raised(by: float) -> bytes:
    return block(Writer(), SQUARE, [(round(z + by, 6), h) for z, h in heights(2.0)]).end().bytes()


def _overlapping() -> bytes:
    """Two blocks, one of them a third into the other."""
    writer = Writer()
    for k, (z, height) in enumerate(heights(2.4)):
        for region in (SQUARE, shapely.box(60, 54, 76, 66)):
            writer.slab(region, z, height, angle_deg=90.0 * (k % 2))
    return writer.end().bytes()


def _crossed() -> bytes:
    """A line for filling the nozzle through the place of the block."""
    writer = Writer()
    writer.layer(0.2, 0.2)
    writer.path([(58.0, 40.0), (58.0, 70.0)])
    return block(writer, SQUARE, heights(2.4)).end().bytes()


def _skipped() -> bytes:
    return block(Writer(), SQUARE, [(z, h) for k, (z, h) in enumerate(heights(2.4)) if k != 5]).end().bytes()


def _island() -> bytes:
    writer = _tower()
    writer.layer(2.2, 0.2)
    writer.path([(80, 50), (80, 60), (81, 60), (81, 50)])
    return writer.end().bytes()


def _free(start: bool) -> bytes:
    writer = _tower()
    writer.slab(SQUARE, 2.2, 0.2)
    for k in range(4):
        y = 54 + 0.45 * k
        inner, outer = (62.0, y), (75.0, y)
        writer.layer(2.4, 0.2)
        writer.path([outer, inner] if start else [inner, outer])
    return writer.end().bytes()


def _twice() -> bytes:
    writer = _tower()
    writer.slab(SQUARE, 2.2, 0.2)
    writer.fill(SQUARE.buffer(-2), 0.0, 0.45)
    return writer.end().bytes()


def _ploughs() -> bytes:
    writer = _tower()
    writer.layer(1.4, 0.2)
    writer.fill(shapely.box(52, 52, 64, 60), 45.0, 0.45)
    return writer.end().bytes()


def _strikes() -> bytes:
    writer = _tower(4.0)
    writer.layer(6.0, 0.2)
    writer.travel(90, 56)
    writer.layer(0.2, 0.2)
    writer.travel(40, 56)
    block(writer, shapely.box(30, 50, 40, 60), heights(1.0))
    return writer.end().bytes()


def _blob() -> bytes:
    writer = _tower()
    at = next(k for k, line in enumerate(writer.lines) if line.startswith("G0 Z1.2")) + 30
    return _lines(writer.end(), at, "G1 E3 F300")


def _overhanging() -> bytes:
    return cone(Writer(), 74.0, 2.0).end().bytes()


def _left_hot() -> bytes:
    return _tower().bytes()


def _cold() -> bytes:
    writer = Writer(head=False)
    writer.say("M104 S0")
    return block(writer, SQUARE, heights(1.0)).end().bytes()


def _held_back() -> bytes:
    writer = _tower(words=True)
    at = [k for k, line in enumerate(writer.lines) if line == "G11"][40]
    del writer.lines[at]
    return writer.end().bytes()


def _planned(**how) -> tuple[bytes, Plan]:
    plan = how.pop("plan", None) or table_plan()
    return of_plan(plan, **how).end().bytes(), plan


def _fan(writer: Writer, k: int, z: float, h: float) -> None:
    writer.fan(0.2)


def _strands_at(plan: Plan, spacing: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The plan's strands of support with only every so many lines of the body."""
    own = plan.geometry.scheme.strands
    body = own.role == int(Role.LINE)
    y = own.ends_mm[:, 1]
    low = y[body].min()
    every = round(spacing / plan.process.structure.spacing_mm)
    keep = ~body | (np.round((y - low) / plan.process.structure.spacing_mm).astype(int) % every == 0)
    return own.ends_mm[keep], own.layer[keep], own.role[keep]


def _with_loops(writer: Writer, k: int, z: float, h: float) -> None:
    bottom = int(table_plan().geometry.need.region_layer.min())
    if k < bottom - 3:
        region = shapely.unary_union(list(table_plan().geometry.scheme.body[: bottom - 3])).buffer(-0.2)
        for polygon in getattr(region, "geoms", [region]):
            writer.path(list(polygon.exterior.coords)[:-1], closed=True)


def _beside_part(writer: Writer, k: int, z: float, h: float) -> None:
    """A line of support along the part's flank, 0.05 mm off it."""
    if k < 6:
        _, y0, _, y1 = table_plan().geometry.stack.regions[0].bounds
        legs = [g.bounds for g in table_plan().geometry.stack.regions[0].geoms]
        inner = min(b[2] for b in legs)
        writer.path([(inner + 0.05 + 0.225, y0 + 1), (inner + 0.05 + 0.225, y1 - 1)])


def _scheme_everywhere() -> tuple[bytes, Plan]:
    """The shelf planned with support from the bed only, printed with support that stands on the part."""
    bed = shelf_plan("bed")
    other = shelf_plan().geometry.scheme.strands
    bed = replace(bed, choices=tuple(replace(c, chosen=type(c.chosen)("bed")) for c in bed.choices))
    return _planned(plan=bed, strands=(other.ends_mm, other.layer, other.role))


def _unwanted() -> tuple[bytes, Plan]:
    plan = table_plan()
    none = replace(plan, choices=tuple(replace(c, chosen=type(c.chosen)("leave")) for c in plan.choices))
    return of_plan(plan).end().bytes(), none


def _wrong_way() -> tuple[bytes, Plan]:
    bridge = bridge_plan()
    span = next(u for u in bridge.undersides if u.span_mm > 0)
    along = span.span_direction_deg + 90.0
    return _planned(plan=bridge, angle_of=lambda k: along if k >= span.layers[0] else 90.0 * (k % 2))


def _arc(text: str) -> bytes:
    writer = tube(Writer())
    at = next(k for k, line in enumerate(writer.lines) if line.startswith("G3") and k > 60)
    writer.lines[at] = text.format(line=writer.lines[at])
    return writer.end().bytes()


def _swap(old: str, new: str, **dialect) -> bytes:
    return _tower(**dialect).end().bytes().replace(old.encode(), new.encode(), 1)


def _without_a_leg() -> tuple[bytes, Plan]:
    low = table_plan().geometry.stack.regions[-1].bounds[:2]
    gone = shapely.box(low[0] - 1, low[1] - 1, low[0] + 9, low[1] + 9)
    return _planned(clip=lambda region: region.difference(gone))


def faults() -> dict[str, tuple[str, Callable[[], bytes | tuple[bytes, Plan]]]]:
    """By name: the kind of finding that must be there, and what makes the program (and its plan)."""
    return {
        # how it is written
        "word without sense": ("garbled", lambda: _swap("G1 X", "G1 X--")),
        "number with two points": ("garbled", lambda: _lines(_tower().end(), 60, "G1 X60.1.2 Y60 E0.1")),
        "checksum": ("checksum", lambda: _swap("*9", "*8", numbered=True)),
        "line lost": ("line numbers", lambda: b"\n".join(
            line for line in _tower(numbered=True).end().bytes().split(b"\n") if line[:4] != b"N55 ")),
        "arc without centre": ("arc", lambda: _arc("G3 X60 Y60 E1")),
        "arc off its circle": ("arc", lambda: _arc("{line}").replace(b"I-", b"I-1", 1)),
        "curve": ("curve", lambda: _lines(_tower().end(), 60, "G5 X60 Y60 I1 J1 P1 Q1 E0.5")),
        "tool change": ("tool change", lambda: _lines(_tower().end(), 60, "T1")),
        "unknown motion": ("unfollowed", lambda: _lines(_tower().end(), 60, "G99.7 X5")),
        "unknown word": ("unknown", lambda: _lines(_tower().end(), 60, "M4242 S1")),
        "command of letters": (
            "the machine's own text commands",
            lambda: _lines(_tower().end(), 3, "START BED=60"),
        ),
        "pause": ("pause", lambda: _lines(_tower().end(), 60, "M600")),
        "units in between": ("units", lambda: _lines(_tower().end(), 60, "G20", "G21", "G20", "G21")),
        "after the end": ("after the end", lambda: _tower().end().bytes() + b"G1 X5 Y5\n"),
        "far away": ("wild", lambda: _lines(_tower().end(), 60, "G1 X98765432 Y5")),
        "no speed": ("no speed", lambda: _lines(_tower().end(), 60, "G1 X60 Y60 F0")),
        "speed unset": ("speed unset", lambda: _lines(_tower().end(), 8, "G1 X5 Y5")),
        # heat, filament, machine
        "cold": ("cold", _cold),
        "left hot": ("left hot", _left_hot),
        "held back": ("held back", _held_back),
        "homes in between": ("homes in between", lambda: _lines(_tower().end(), 200, "G28 X")),
        "off the plate": ("outside", lambda: _planned(shift=(130.0, 0.0))),
        "below the bed": ("below the bed", lambda: _raised(-0.5)),
        "inch for mm": ("unit", lambda: _swap("G21", "G20")),
        "relative for absolute": ("overfed throughout", lambda: _swap("M82", "M83", relative=False)),
        # strands and what lies beneath
        "first layer high": ("off the bed", lambda: _raised(0.3)),
        "layer missing": ("floats", _skipped),
        "island": ("on nothing", _island),
        "starts in air": ("starts in air", lambda: _free(True)),
        "ends in air": ("ends in air", lambda: _free(False)),
        "long bridge": ("long bridge", lambda: bridged(Writer(), 45.0).end().bytes()),
        "steep": ("overhang", _overhanging),
        "laid twice": ("laid twice", _twice),
        "overlap": ("overlap", _overlapping),
        "crossed": ("crossed", _crossed),
        "ploughs": ("ploughs", _ploughs),
        "strikes": ("strikes", _strikes),
        "blob": ("blob", _blob),
        "starved": ("starved", lambda: _slab_fault(lambda w, k: setattr(w, "flow", 0.4 if k == 6 else 1.0))),
        "overfed": ("overfed", lambda: _slab_fault(lambda w, k: setattr(w, "flow", 2.5 if k == 6 else 1.0))),
        "thick layer": ("thick layer", lambda: block(Writer(width=0.7), SQUARE, [
            *heights(1.0), *((round(1.0 + 0.7 * k, 6), 0.7) for k in range(1, 3)),
            *((round(2.4 + 0.2 * k, 6), 0.2) for k in range(1, 9))]).end().bytes()),
        # against the plan
        "no support": ("unsupported", lambda: _planned(keep_support=lambda e, l, r: r < 0)),
        "half a support": ("barely supported", lambda: _planned(
            keep_support=lambda e, l, r: 0.5 * (e[:, 0] + e[:, 2]) < 108.5)),
        "gap too wide": ("gap", lambda: _planned(support_shift=-1)),
        "gap too narrow": ("gap", lambda: _planned(support_shift=1)),
        "no gap": ("no gap", lambda: _planned(support_shift=2)),
        "fused": ("fused on top", lambda: _planned(support_shift=2)),
        "no interface": ("interface", lambda: (
            of_plan(table_plan(interface_layers=0)).end().bytes(), table_plan())),
        "too much interface": ("interface", lambda: (
            of_plan(table_plan(interface_layers=4)).end().bytes(), table_plan())),
        "wide spacing": ("spacing", lambda: _planned(strands=_strands_at(table_plan(), 4.0))),
        "closed lines": ("perimeter", lambda: _planned(extra=_with_loops)),
        "unwanted": ("unwanted", _unwanted),
        "stands on part": ("stands on part", _scheme_everywhere),
        "fused below": ("fused below", lambda: _planned(plan=shelf_plan(), support_shift=-1)),
        "too near beside": ("side gap", lambda: _planned(extra=_beside_part)),
        "bridge the wrong way": ("bridge direction", _wrong_way),
        "fan": ("fan", lambda: _planned(extra=_fan)),
        "cold nozzle": ("nozzle heat", lambda: _planned(writer=Writer(nozzle=185.0))),
        "cold bed": ("bed heat", lambda: _planned(writer=Writer(bed=20.0))),
        "fast over air": ("fast over air", lambda: _fast_bridge()),
        "other layers": ("layer height", lambda: (
            of_plan(make_plan(table(30.0, 12.0, 6.0), replace(
                solid_process(), layer_height_mm=0.3, first_layer_height_mm=0.3),
                standing="bed", release=False)).end().bytes(), table_plan())),
        "stray": ("stray", lambda: _planned(extra=_stray)),
        "fan over air": ("fan over air", lambda: _still_bridge()),
        "cut short": ("too low", lambda: _planned(stop_at=12)),
        "another part": ("other part", lambda: (_tower(6.0).end().bytes(), bridge_plan())),
        "a leg missing": ("outline", _without_a_leg),
    }  # fmt: skip


def _stray(writer: Writer, k: int, z: float, h: float) -> None:
    if k == 15:
        writer.path([(60.0, 60.0), (72.0, 60.0)])


def _still_bridge() -> tuple[bytes, Plan]:
    """The fan goes down for the layer that bridges, and up again."""
    bridge = bridge_plan()
    span = next(u for u in bridge.undersides if u.span_mm > 0)
    at = span.layers[0]

    def fan(writer: Writer, k: int, z: float, h: float) -> None:
        writer.fan(0.3 if k == at - 1 else 1.0)

    across = span.span_direction_deg
    return _planned(plan=bridge, extra=fan, angle_of=lambda k: across if k == at else 90.0 * (k % 2))


def _fast_bridge() -> tuple[bytes, Plan]:
    bridge = bridge_plan()
    span = next(u for u in bridge.undersides if u.span_mm > 0)
    writer = Writer()
    writer.speed = 90.0
    return _planned(
        plan=bridge,
        writer=writer,
        angle_of=lambda k: span.span_direction_deg if k == span.layers[0] else 90.0 * (k % 2),
    )
