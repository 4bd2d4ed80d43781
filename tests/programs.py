"""A small writer of machine programs whose truth is known: walls, fills, arcs, spirals, in every dialect.

``Writer`` turns strands into RS-274 text; what it is told is what should be found again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
import shapely

FILAMENT_MM2 = math.pi / 4 * 1.75**2

Point = tuple[float, float]


def section_mm2(width: float, height: float) -> float:
    return height * (width - height) + math.pi / 4 * height * height


class Writer:
    """Strands in, program out.

    ``relative``: M83; ``inch``: G20; ``numbered``: N words and checksums; ``words``: retraction by G10/G11;
    ``relative_moves``: G91; ``hop``: how far travels are lifted; ``retract``: mm of filament drawn back.
    """

    def __init__(
        self,
        *,
        relative: bool = True,
        inch: bool = False,
        numbered: bool = False,
        words: bool = False,
        relative_moves: bool = False,
        hop: float = 0.0,
        retract: float = 0.8,
        width: float = 0.45,
        fan: float = 1.0,
        nozzle: float = 210.0,
        bed: float = 60.0,
        head: bool = True,
        spaces: bool = True,
    ) -> None:
        self.lines: list[str] = []
        self.relative, self.inch, self.numbered, self.words = relative, inch, numbered, words
        self.relative_moves, self.hop, self.retract_mm = relative_moves, hop, retract
        self.width, self.height = width, 0.2
        self.x = self.y = self.z = 0.0
        self.e = 0.0  # what the program last said of E, mm
        self.flow = 1.0
        self.speed, self.travel_speed = 45.0, 120.0
        self.said_speed = 0.0
        self.volume = 0.0  # truth, mm³
        self.unit = 25.4 if inch else 1.0
        self.digits = 7 if inch else 5
        self.gap_word = " " if spaces else ""
        if head:
            self.say(f"M140 S{bed:g}")
            self.say(f"M109 S{nozzle:g}")
            self.say("G28")
        self.say("G20" if inch else "G21")
        self.say("G90")
        self.say("M83" if relative else "M82")
        if relative_moves:
            self.say("G91")
            self.say("M83" if relative else "M82")
        if not relative:
            self.say("G92 E0")
        self.fan(fan)

    def say(self, line: str) -> int:
        """A line as it stands; returns its number from 1."""
        if self.numbered:
            line = f"N{len(self.lines) + 1} {line}"
            total = 0
            for byte in line.encode():
                total ^= byte
            line = f"{line}*{total}"
        self.lines.append(line)
        return len(self.lines)

    @property
    def line(self) -> int:
        """Number of the last line."""
        return len(self.lines)

    def fan(self, share: float) -> None:
        self.say(f"M106 S{255 * share:g}" if share else "M107")

    def end(self) -> Writer:
        self.say("M104 S0")
        self.say("M140 S0")
        self.say("M107")
        self.say("M2")
        return self

    def bytes(self, newline: str = "\n") -> bytes:
        return (newline.join(self.lines) + newline).encode()

    def _number(self, letter: str, mm: float) -> str:
        return f"{letter}{mm / self.unit:.{self.digits}f}"

    def _feed(self, speed: float) -> str:
        if speed == self.said_speed:
            return ""
        self.said_speed = speed
        return f"{self.gap_word}F{60 * speed / self.unit:.4f}"

    def _go(self, code: str, words: Iterable[str], speed: float) -> int:
        return self.say(self.gap_word.join((code, *words)) + self._feed(speed))

    def _xy(self, x: float, y: float) -> list[str]:
        before = self.x, self.y
        self.x, self.y = x, y
        if self.relative_moves:
            # what was written, not what was meant, adds up
            dx = round((x - before[0]) / self.unit, self.digits)
            dy = round((y - before[1]) / self.unit, self.digits)
            self.x, self.y = before[0] + dx * self.unit, before[1] + dy * self.unit
            return [f"X{dx:.{self.digits}f}", f"Y{dy:.{self.digits}f}"]
        return [self._number("X", x), self._number("Y", y)]

    def _rise(self, z: float) -> str:
        by = z - self.z
        self.z = z
        return self._number("Z", by if self.relative_moves else z)

    def _e(self, filament: float) -> str:
        if self.relative:
            return self._number("E", filament)
        self.e += filament
        return self._number("E", self.e)

    def layer(self, z: float, height: float = 0.2) -> None:
        """The head goes up (or down) to ``z``, strands are ``height`` high from now on."""
        self._go("G0", [self._rise(z)], self.travel_speed)
        self.height = height

    def travel(self, x: float, y: float) -> None:
        if math.hypot(x - self.x, y - self.y) < 1e-9:
            return
        z = self.z
        if self.words:
            self.say("G10")
        elif self.retract_mm:
            self._go("G1", [self._e(-self.retract_mm)], 30.0)
        if self.hop:
            self._go("G0", [self._rise(z + self.hop)], self.travel_speed)
        self._go("G0", self._xy(x, y), self.travel_speed)
        if self.hop:
            self._go("G0", [self._rise(z)], self.travel_speed)
        if self.words:
            self.say("G11")
        elif self.retract_mm:
            self._go("G1", [self._e(self.retract_mm)], 30.0)

    def to(self, x: float, y: float, *, width: float | None = None, speed: float | None = None) -> int:
        """One strand from here; returns its line."""
        long = math.hypot(x - self.x, y - self.y)
        volume = section_mm2(width or self.width, self.height) * long * self.flow
        self.volume += volume
        words = [*self._xy(x, y), self._e(volume / FILAMENT_MM2)]
        return self._go("G1", words, speed or self.speed)

    def path(self, points: Sequence[Point], *, closed: bool = False, **how: float) -> int:
        """A travel to the first point, then strands; returns the line of the first strand."""
        self.travel(*points[0])
        begin = self.line + 1
        for x, y in [*points[1:], *([points[0]] if closed else [])]:
            self.to(x, y, **how)
        return begin

    def arc(self, x: float, y: float, centre: Point, *, left: bool, radius_word: bool = False) -> int:
        """An arc from here, counter-clockwise if ``left``."""
        r = math.hypot(self.x - centre[0], self.y - centre[1])
        a = math.atan2(self.y - centre[1], self.x - centre[0])
        b = math.atan2(y - centre[1], x - centre[0])
        sweep = (b - a) % (2 * math.pi) if left else (a - b) % (2 * math.pi)
        sweep = sweep or 2 * math.pi
        volume = section_mm2(self.width, self.height) * r * sweep * self.flow
        self.volume += volume
        i, j = centre[0] - self.x, centre[1] - self.y
        words = self._xy(x, y)
        if radius_word:
            words.append(self._number("R", r if sweep < math.pi else -r))
        else:
            words += [self._number("I", i), self._number("J", j)]
        return self._go("G3" if left else "G2", [*words, self._e(volume / FILAMENT_MM2)], self.speed)

    # whole regions

    def walls(self, region: shapely.Geometry, lines: int = 2) -> shapely.Geometry:
        """Closed lines along a region's outline, inwards; returns what is left inside them."""
        for k in range(lines):
            inner = region.buffer(-(k + 0.5) * self.width, join_style="mitre")
            for polygon in getattr(inner, "geoms", [inner]):
                if polygon.is_empty:
                    continue
                for ring in (polygon.exterior, *polygon.interiors):
                    self.path(list(ring.coords)[:-1], closed=True)
        return region.buffer(-lines * self.width, join_style="mitre")

    def fill(
        self, region: shapely.Geometry, angle_deg: float, spacing: float, *, speed: float | None = None
    ) -> None:
        """Parallel lines over a region, each a path of its own, there and back by turns."""
        if region.is_empty:
            return
        angle = math.radians(angle_deg)
        u = np.array([math.cos(angle), math.sin(angle)])
        v = np.array([-u[1], u[0]])
        centre = np.array([region.centroid.x, region.centroid.y])
        low_x, low_y, high_x, high_y = region.bounds
        far = math.hypot(high_x - low_x, high_y - low_y)
        count = int(far / spacing) + 1
        back = False
        for k in range(-count, count + 1):
            middle = centre + v * k * spacing
            line = shapely.LineString([middle - u * far, middle + u * far])
            cut = shapely.intersection(line, region)
            for piece in getattr(cut, "geoms", [cut]):
                if piece.geom_type != "LineString" or piece.length < 0.3:
                    continue
                points = list(piece.coords)
                self.path(points[::-1] if back else points, **({"speed": speed} if speed else {}))
                back = not back

    def slab(
        self,
        region: shapely.Geometry,
        z: float,
        height: float,
        *,
        walls: int = 2,
        angle_deg: float = 0.0,
        spacing: float | None = None,
    ) -> None:
        """One layer of a region: walls and fill that overlaps them a little."""
        self.layer(z, height)
        inside = self.walls(region, walls)
        pitch = section_mm2(self.width, height) / height if spacing is None else spacing
        self.fill(inside.buffer(-0.4 * self.width, join_style="mitre"), angle_deg, pitch)


def heights(top: float, first: float = 0.2, height: float = 0.2) -> list[tuple[float, float]]:
    """(top, height) of each layer up to ``top``."""
    out = [(first, first)]
    while out[-1][0] + height < top + 1e-6:
        out.append((round(out[-1][0] + height, 6), height))
    return out


def block(writer: Writer, region: shapely.Geometry, layers: Sequence[tuple[float, float]]) -> Writer:
    """A solid of one section, its fill turned by a right angle from layer to layer."""
    for k, (z, height) in enumerate(layers):
        writer.slab(region, z, height, angle_deg=90.0 * (k % 2))
    return writer


def turned(points: np.ndarray, deg: float, shift: Point) -> np.ndarray:
    angle = math.radians(deg)
    c, s = math.cos(angle), math.sin(angle)
    return points @ np.array([[c, s], [-s, c]]) + np.array(shift)


def of_plan(
    plan,
    writer: Writer | None = None,
    *,
    turn_deg: float = 0.0,
    shift: Point = (0.0, 0.0),
    spacing: float | None = None,
    angle_of=None,
    keep_support=None,
    support_shift: int = 0,
    skip_layers: Sequence[int] = (),
    lift: float = 0.0,
    stop_at: int | None = None,
    extra=None,
    clip=None,
    strands: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None,
) -> Writer:
    """The program that prints a plan as it stands, layer by layer: supports, then walls and fill of the part.

    ``angle_of(layer)``: direction of the fill; ``keep_support(ends, layer, role)``: which strands of support
    are laid; ``support_shift``: layers by which all supports are moved up; ``lift``: mm by which all is
    raised; ``stop_at``: the last layer but one; ``extra(writer, layer, z, h)``: more, at each layer's end;
    ``clip(region)``: what of the part is printed; ``strands``: ends, layer and role instead of the plan's
    own.
    """
    writer = writer or Writer()
    stack, own = plan.geometry.stack, plan.geometry.scheme.strands
    ends, of_layer, role = strands or (own.ends_mm, own.layer, own.role)
    writer.width = plan.process.line_width_mm
    wide = writer.width
    for k in range(stack.count if stop_at is None else stop_at):
        if k in skip_layers:
            continue
        z, h = float(stack.z_mm[k + 1]) + lift, float(stack.heights_mm[k])
        writer.layer(round(z, 6), round(h, 6))
        mine = of_layer == k - support_shift
        if keep_support is not None:
            mine &= keep_support(ends, of_layer, role)
        for x0, y0, x1, y1 in ends[mine]:
            (xa, ya), (xb, yb) = turned(np.array([[x0, y0], [x1, y1]]), turn_deg, shift)
            writer.path([(xa, ya), (xb, yb)])
        section = stack.regions[k] if clip is None else clip(stack.regions[k])
        region = shapely.transform(section, lambda xy: turned(xy, turn_deg, shift))
        if not region.is_empty:
            inside = writer.walls(region)
            pitch = section_mm2(wide, h) / h if spacing is None or k < 3 else spacing
            angle = 90.0 * (k % 2) if angle_of is None else angle_of(k)
            writer.fill(inside.buffer(-0.4 * wide, join_style="mitre"), angle + turn_deg, pitch)
        if extra is not None:
            extra(writer, k, z, h)
    return writer
