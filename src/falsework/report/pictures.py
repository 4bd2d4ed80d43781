"""Pictures of a scene as on a drawing sheet: elevations and oblique views, as PNG with a vector overlay."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from falsework.kernels.picture.drawing import blur_depth, draw_triangles, ink_picture, pixel_normals, turned
from falsework.layers.stack import Floats, Indices
from falsework.need.underside import Underside
from falsework.report.colour import BED, HATCH, PAPER, PART, SUPPORT, Rgb, droop_rgb, hatch_rgb
from falsework.report.labels import Anchor, Tag, place_tags
from falsework.report.scene import Scene, Soup, loose
from falsework.support.scheme import SupportPiece

WIDTH = 600.0  # of a picture in drawing units, tag margins included
_MARGIN = 52.0  # for tags, left and right
_HEAD, _FOOT = 14.0, 60.0  # above and below the drawing; the foot holds scale bar and axes
_TALLEST = 430.0  # of the drawing itself
_BORDER = 8  # samples around the drawing, so that outlines have room
_TAG_SPACING = 27.0
_GHOST = 0.28  # how much of a support behind the part shows through
_LEAST_SEEN = 10  # drawn samples of an underside that make it worth a tag
_LIGHT = np.array([-0.42, 0.58, 0.70]) / np.linalg.norm([-0.42, 0.58, 0.70])
_SUPPORT_TAG, _BED_TAG, FIRST_TAG = 1, 2, 3  # after 0, the bare part; undersides follow from 3
_BLUR = 14  # samples; reach of the soft shading
_JUMP = 5.0  # samples; a change of depth that draws a line
_PITCH = 24  # samples between hatch lines


@dataclass(frozen=True)
class View:
    """A direction of looking. ``axes`` (3, 3): rows are the picture's right, up and towards the viewer."""

    key: str
    title: str
    axes: Floats
    below: bool = False
    level: bool = False  # an elevation: the bed is a line


def _oblique(turn_deg: float, rise_deg: float) -> Floats:
    """Axes of a viewer ``turn_deg`` to the right of the front and ``rise_deg`` above the bed's plane."""
    turn, rise = math.radians(turn_deg), math.radians(rise_deg)
    right = np.array([math.cos(turn), math.sin(turn), 0.0])
    towards = np.array([math.cos(rise) * math.sin(turn), -math.cos(rise) * math.cos(turn), math.sin(rise)])
    return np.array([right, np.cross(towards, right), towards])


FRONT = View("front", "from the front", np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]), level=True)
BELOW = View(
    "below", "from straight below, front edge at the top",
    np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]]), below=True,
)  # fmt: skip
BELOW_LEFT = View("below-left", "from below, front left", _oblique(-32.0, -33.0), below=True)
BELOW_BACK = View("below-back", "from below, back right", _oblique(148.0, -33.0), below=True)
ABOVE_RIGHT = View("above-right", "from above, front right", _oblique(32.0, 26.0))


@dataclass(frozen=True)
class Picture:
    """A finished picture: PNG as a data address, its frame in drawing units, and what is drawn over it."""

    view: View
    href: str
    width: float
    height: float
    image: tuple[float, float, float, float]  # x, y, width, height
    tags: tuple[Tag, ...]
    untagged: int  # undersides seen here for which no tag had room
    scale_mm: float  # length of the scale bar
    scale_units: float
    bed_y: float | None
    bed_x: tuple[float, float]
    arrows: tuple[tuple[str, float, float], ...]  # axis name, reach in the picture (x right, y down)
    arrows_y: float  # where the arrows start
    origin: tuple[float, float] = (0.0, 0.0)  # where the point 0, 0, 0 mm lies
    units_per_mm: float = 1.0

    def at(self, point_mm: Floats) -> tuple[float, float]:
        """Where a point (3,) lies in the picture."""
        x, y = self.view.axes[:2] @ point_mm * self.units_per_mm
        return round(self.origin[0] + float(x), 2), round(self.origin[1] - float(y), 2)


@dataclass(frozen=True)
class Frame:
    """Where millimetres land: drawing units per mm, the scene's left and top as seen, its size."""

    units_per_mm: float
    left_mm: float
    top_mm: float
    width: float
    height: float


@dataclass(frozen=True, eq=False)
class Drawing:
    """The ink of one view before it is put on its sheet: picture (h, w, 3), tags at twice its resolution."""

    view: View
    ink: np.ndarray
    tag: Indices
    frame: Frame
    pixels: float


@dataclass(frozen=True)
class _Buffers:
    depth: Floats
    tag: Indices
    normal: np.ndarray

    @staticmethod
    def blank(shape: tuple[int, int]) -> _Buffers:
        tag: Indices = np.full(shape, -1, dtype=np.int32)
        return _Buffers(np.full(shape, -np.inf), tag, np.zeros((*shape, 3), dtype=np.float32))


def _seen(soups: Sequence[Soup], axes: Floats, room_mm: Floats | None) -> tuple[list[Floats], Frame]:
    """Points of each along the picture's axes, mm, and the frame in which all and ``room_mm`` (n, 3) fit."""
    seen, lows, highs = zip(*(turned(soup.points, axes) for soup in soups), strict=True)
    low, high = np.min(lows, axis=0), np.max(highs, axis=0)
    if room_mm is not None and len(room_mm):
        room = room_mm @ axes.T
        low, high = np.minimum(low, room.min(axis=0)), np.maximum(high, room.max(axis=0))
    width, height = np.maximum(high - low, 1e-9)[:2]
    scale = min((WIDTH - 2 * _MARGIN) / width, _TALLEST / height)
    frame = Frame(float(scale), float(low[0]), float(high[1]), float(width * scale), float(height * scale))
    return list(seen), frame


def _screen(seen: Floats, frame: Frame, pixels: float) -> Floats:
    """Points in samples: twice the finished resolution, with a border of ``_BORDER``; in their place."""
    scale = frame.units_per_mm * 2 * pixels
    seen *= np.array([scale, -scale, scale])  # depth in samples: a step draws a line at any size
    seen += np.array([_BORDER - frame.left_mm * scale, _BORDER + frame.top_mm * scale, 0.0])
    return seen


def _draw(screen: Floats, soup: Soup, axes: Floats, buffers: _Buffers) -> None:
    """Depth, tag and normal of triangles over what is drawn already, their points in samples."""
    face = np.full(buffers.depth.shape, -1, dtype=np.int32)
    draw_triangles(screen, soup.faces, soup.tag, buffers.depth, face, buffers.tag)
    pixel_normals(screen, soup.faces, soup.normals, axes, face, buffers.normal)


def _lay(over: _Buffers, buffers: _Buffers) -> None:
    """What was drawn by itself, over what is drawn already: of equal depths the first stays."""
    nearer = over.depth > buffers.depth
    for one, mine in ((over.depth, buffers.depth), (over.tag, buffers.tag), (over.normal, buffers.normal)):
        mine[nearer] = one[nearer]


def _inked(buffers: _Buffers, tones: Tones, wanted: NDArray[np.bool_] | None = None) -> np.ndarray:
    """The picture (h, w, 3), or what of it is ``wanted`` (h, w)."""
    soft = blur_depth(buffers.depth, _BLUR)
    rows, columns = buffers.depth.shape
    if wanted is None:
        wanted = np.ones((rows // 2, columns // 2), dtype=bool)
    return ink_picture(
        buffers.depth, buffers.normal, buffers.tag, soft, tones.plain, tones.hatches, tones.inks,
        np.array(PAPER), _LIGHT, _JUMP, _PITCH, wanted,
    )  # fmt: skip


@dataclass(frozen=True)
class Tones:
    """Colour (t, 3), hatch pattern (t,) and hatch colour (t, 3) of each tag."""

    plain: Floats
    hatches: Indices
    inks: Floats


def _tones(undersides: tuple[Underside, ...]) -> Tones:
    plain: list[Rgb] = [PART, SUPPORT, BED]
    colours = [droop_rgb(u.droop_mm.value) for u in undersides]
    hatches = np.array([0, 0, 0] + [HATCH[u.kind] for u in undersides], dtype=np.int64)
    return Tones(np.array(plain + colours), hatches, np.array(plain + [hatch_rgb(c) for c in colours]))


def bed_sheet(bounds_mm: Floats) -> Soup:
    """A sheet on z = 0, a little wider than the part."""
    low, high = bounds_mm
    margin = 0.06 * float((high - low).max())
    x0, y0, x1, y1 = low[0] - margin, low[1] - margin, high[0] + margin, high[1] + margin
    z = min(0.0, float(low[2])) - 1e-6
    corners = np.array(
        [[[x0, y0, z], [x1, y0, z], [x1, y1, z]], [[x0, y0, z], [x1, y1, z], [x0, y1, z]]], dtype=np.float64
    )
    normals = np.zeros_like(corners)
    normals[..., 2] = 1.0
    return loose(corners, normals, np.full(2, _BED_TAG, dtype=np.int64))


def draw_picture(
    scene: Scene,
    undersides: tuple[Underside, ...],
    view: View,
    *,
    supports: bool = False,
    pixels: float = 1.5,
) -> Picture:
    """Draw one view; with ``supports`` they are put in place, and show faintly through the part.

    ``pixels`` of the finished picture per drawing unit: less for pictures that are shown small.
    """
    part = _untagged_first(scene.part)
    standing = None
    if supports and len(scene.supports.tag):
        tag = np.full(len(scene.supports.tag), _SUPPORT_TAG, dtype=np.int64)
        standing = replace(scene.supports, tag=tag)
    bed = None if view.level or view.below else bed_sheet(scene.bounds_mm)
    drawing = draw_soups(part, standing, bed, _tones(undersides), view, pixels)
    return composed(drawing, spots(drawing.tag, undersides))


def draw_part(part: Soup, undersides: tuple[Underside, ...], view: View, pixels: float) -> Drawing:
    """Ink of a part alone, whose triangles are tagged with the index of their underside (-1: none)."""
    return draw_soups(_untagged_first(part), None, None, _tones(undersides), view, pixels)


def _untagged_first(part: Soup) -> Soup:
    return replace(part, tag=np.where(part.tag < 0, 0, part.tag + FIRST_TAG))


def draw_soups(
    part: Soup,
    standing: Soup | None,
    bed: Soup | None,
    tones: Tones,
    view: View,
    pixels: float,
    room_mm: Floats | None = None,
) -> Drawing:
    """Ink of a part, of what stands beneath it, which shows faintly through it, and of the bed.

    Tags of all three index ``tones``. ``room_mm`` (n, 3): points that must lie in the picture too.
    """
    soups = [s for s in (part, standing, bed) if s is not None]
    seen, frame = _seen(soups, view.axes, room_mm)
    screens = [_screen(one, frame, pixels) for one in seen]
    rows, columns = (2 * math.ceil(size * pixels) + 2 * _BORDER for size in (frame.height, frame.width))
    all_of_it, beneath = _Buffers.blank((rows, columns)), None
    _draw(screens[0], part, view.axes, all_of_it)
    if standing is not None:
        beneath = _Buffers.blank((rows, columns))
        _draw(screens[1], standing, view.axes, beneath)
        _lay(beneath, all_of_it)
    if bed is not None:
        _draw(screens[-1], bed, view.axes, all_of_it)
    picture, tag = _inked(all_of_it, tones), all_of_it.tag
    del all_of_it  # most of the memory that drawing takes
    if beneath is not None and standing is not None:
        hidden = (beneath.tag >= 0) & ~np.isin(tag, np.unique(standing.tag))
        across = hidden[:, ::2].astype(np.int8) + hidden[:, 1::2]
        of_four = across[::2] + across[1::2]
        some = of_four > 0
        alone = _inked(beneath, tones, some)[some]
        share = _GHOST * (of_four[some] / 4.0)[:, None]
        picture[some] = np.floor(picture[some] * (1.0 - share) + alone * share + 0.5).astype(np.uint8)
    return Drawing(view, picture, tag, frame, pixels)


def composed(drawing: Drawing, tagged: list[tuple[int, float, float]]) -> Picture:
    """Put the drawing on its sheet, high enough for its tags, with scale bar, axes and bed line.

    ``tagged``: number and place (samples) of each thing that gets a tag, first come first served.
    """
    view, picture, frame, pixels = drawing.view, drawing.ink, drawing.frame, drawing.pixels
    tall = max(frame.height, min(_TALLEST, math.ceil(len(tagged) / 2) * _TAG_SPACING))
    border = _BORDER / (2 * pixels)
    left, top = (WIDTH - frame.width) / 2, _HEAD + (tall - frame.height) / 2
    image = (left - border, top - border, picture.shape[1] / pixels, picture.shape[0] / pixels)
    anchors = [Anchor(n, image[0] + x / (2 * pixels), image[1] + y / (2 * pixels), n) for n, x, y in tagged]
    tags = place_tags(anchors, WIDTH, _HEAD + tall + 10, 24.0, _TAG_SPACING, top=2.0)
    length_mm = _round_length(90.0 / frame.units_per_mm)
    height = _HEAD + tall + _FOOT
    arrows = _arrows(view.axes)
    lowest = max(0.0, *(y for _, _, y in arrows))
    return Picture(
        view,
        png_address(picture),
        WIDTH,
        height,
        image,
        tuple(tags),
        len(anchors) - len(tags),
        length_mm,
        length_mm * frame.units_per_mm,
        top + frame.top_mm * frame.units_per_mm if view.level else None,
        (left - 14, left + frame.width + 14),
        arrows,
        height - 16 - 30 * lowest,
        (left - frame.left_mm * frame.units_per_mm, top + frame.top_mm * frame.units_per_mm),
        frame.units_per_mm,
    )


def spots(
    tag: Indices, undersides: tuple[Underside, ...] | tuple[SupportPiece, ...]
) -> list[tuple[int, float, float]]:
    """Number, x, y (samples) of each underside seen: its seen sample nearest to the middle of them."""
    rows, columns = np.nonzero(tag[::2, ::2] >= FIRST_TAG)
    which = tag[::2, ::2][rows, columns] - FIRST_TAG
    order = np.argsort(which, kind="stable")
    rows, columns, which = rows[order], columns[order], which[order]
    found = []
    seen, start = np.unique(which, return_index=True)
    for index, first, end in zip(seen, start, np.searchsorted(which, seen, side="right"), strict=True):
        if end - first >= _LEAST_SEEN:
            r, c = rows[first:end].astype(np.float64), columns[first:end].astype(np.float64)
            nearest = int(np.argmin((r - r.mean()) ** 2 + (c - c.mean()) ** 2))
            found.append(
                (undersides[int(index)].number, float(2 * c[nearest] + 1), float(2 * r[nearest] + 1))
            )
    return found


def _arrows(axes: Floats) -> tuple[tuple[str, float, float], ...]:
    """Axis arrows as seen; those that point at or away from the viewer are left out."""
    found = []
    for k, name in enumerate(("x", "y", "z")):
        x, y = float(axes[0, k]), -float(axes[1, k])
        if math.hypot(x, y) > 0.2:
            found.append((name, round(x, 4), round(y, 4)))
    return tuple(found)


def _round_length(at_most_mm: float) -> float:
    """The longest 1, 2 or 5 times a power of ten that is not longer than ``at_most_mm``."""
    power = 10.0 ** math.floor(math.log10(at_most_mm))
    return next(k * power for k in (5.0, 2.0, 1.0) if k * power <= at_most_mm * (1 + 1e-9))


def png_address(picture: np.ndarray) -> str:
    """``data:`` address of a picture as a PNG with a palette; the same pixels give the same bytes."""
    image = Image.fromarray(picture).quantize(128, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    out = io.BytesIO()
    image.save(out, format="PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode("ascii")
