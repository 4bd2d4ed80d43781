"""The sphere of prices: what a part would cost whichever of its sides is up, drawn as two discs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from falsework.orientation import PriceMap, role, shown
from falsework.orientation.value import Orientations
from falsework.part.part import Floats
from falsework.report.colour import css, hatch_rgb, share_rgb
from falsework.wording import figures as words

RADIUS, MIDDLES, MIDDLE_Y = 150.0, (180.0, 540.0), 190.0  # of the discs, in drawing units
RING = 72  # points around each disc, so that the cells along its rim are closed
TICKS = 5
HEADS = ("its upper sides up", "its lower sides up")
HOW_TO_READ = (
    "In the middle of the left disc is the side that is up as it came, in the middle of the right one the "
    "opposite side; along the rims it lies on its sides. Light is cheap, dark is dear; struck through: it "
    "would fall; crossed: it does not fit. A pointer shows the price. A face that lies flat is but a point "
    "here: around it the part leans, and mostly costs more. Sides are priced by columns alone, the numbered "
    "positions by their plans, which add what columns cannot tell, above all whether it topples while it "
    "grows."
)


@dataclass(frozen=True)
class SphereCell:
    """The directions nearest to one: outline, colour and what is said of it.

    ``mark``: a stroke where it does not stand, a cross where it does not fit, else ''.
    """

    outline: str
    fill: str
    ink: str
    mark: str
    said: str


@dataclass(frozen=True)
class SphereNumber:
    """A position of the table, where its side is."""

    number: int
    x: float
    y: float
    shape: str  # recommended, today or other


@dataclass(frozen=True)
class PriceSphere:
    """Everything that is drawn."""

    cells: tuple[SphereCell, ...]
    numbers: tuple[SphereNumber, ...]
    ticks: tuple[tuple[str, str], ...]  # colour and price, cheapest first
    said: str
    heads: tuple[str, str] = HEADS
    how_to_read: str = HOW_TO_READ
    middles: tuple[float, float] = MIDDLES
    middle_y: float = MIDDLE_Y
    radius: float = RADIUS


def price_sphere(found: PriceMap, lies: Orientations) -> PriceSphere:
    """The drawing; colours go by the logarithm of the price, dark is dear."""
    least, most = float(found.totals.min()), float(found.totals.max())
    places = _places(found.ups)
    cells = []
    for k, outline in _outlines(places):
        total = float(found.totals[k])
        rgb = share_rgb(_dearness(total, least, most))
        mark, trouble = "", ""
        if not found.stands[k]:
            mark, trouble = _stroke(places[k]), ", falls"
        if not found.fits[k]:
            mark, trouble = _cross(places[k]), ", does not fit"
        cells.append(SphereCell(outline, css(rgb), css(hatch_rgb(rgb)), mark, words.price(total) + trouble))
    best = shown(lies)
    at = _places(np.array([lie.up for lie in best]))
    numbers = tuple(
        SphereNumber(n, round(float(x), 1), round(float(y), 1), role(lie, lies))
        for n, (lie, (x, y)) in enumerate(zip(best, at, strict=True), 1)
    )
    steps = [least * (most / max(least, 1e-9)) ** (k / (TICKS - 1)) for k in range(TICKS)]
    falls = words.share(float(np.mean(~found.stands)))
    return PriceSphere(
        cells=tuple(cells),
        numbers=numbers,
        ticks=tuple((css(share_rgb(_dearness(v, least, most))), words.price(v)) for v in steps),
        said=f"By columns alone it costs from {words.price(least)} to {words.price(most)}, "
        f"whichever side is up; on {falls} of the sides it would fall.",
    )


def _dearness(total: float, least: float, most: float) -> float:
    """0 (cheapest) to 1 (dearest)."""
    if not most > least > 0.0:
        return 0.0
    return math.log(total / least) / math.log(most / least)


def _places(ups: Floats) -> Floats:
    """(d, 2) places of directions (d, 3); equal areas of the sphere are equal areas of the discs (Lambert).

    What points up as the part came is in the middle of the left disc, what points down of the right one.
    """
    length = np.maximum(np.linalg.norm(ups, axis=1), 1e-12)
    x, y, z = (ups / length[:, None]).T
    below = z < -1e-9
    reach = RADIUS * np.sqrt(np.maximum(1.0 - np.abs(z), 0.0))
    across = np.maximum(np.hypot(x, y), 1e-12)
    middle = np.where(below, MIDDLES[1], MIDDLES[0])
    out: Floats = np.column_stack([middle + reach * x / across, MIDDLE_Y - reach * y / across])
    return out


def _outlines(places: Floats) -> Iterator[tuple[int, str]]:
    """Of each place its number and the outline of what lies nearest to it in its disc, beyond the rim too."""
    from scipy.spatial import Voronoi

    angles = np.linspace(0.0, 2.0 * np.pi, RING, endpoint=False)
    ring = 1.25 * RADIUS * np.column_stack([np.cos(angles), np.sin(angles)])
    for middle in MIDDLES:
        rows = np.flatnonzero(np.abs(places[:, 0] - middle) <= RADIUS + 1e-6)
        if len(rows) == 0:
            continue
        net = Voronoi(np.concatenate([places[rows], ring + np.array([middle, MIDDLE_Y])]))
        for row, region in zip(rows.tolist(), net.point_region[: len(rows)].tolist(), strict=True):
            corners = net.regions[region] if region >= 0 else []
            if corners and -1 not in corners:  # of two in one place one is drawn
                at = np.round(net.vertices[corners], 1).tolist()
                yield row, "M" + "L".join(f"{x:g} {y:g}" for x, y in at) + "z"


def _stroke(place: Floats) -> str:
    x, y = (round(float(v), 1) for v in place)
    return f"M{x - 3} {y + 3}l6 -6"


def _cross(place: Floats) -> str:
    x, y = (round(float(v), 1) for v in place)
    return f"M{x - 3} {y + 3}l6 -6m-6 0l6 6"
