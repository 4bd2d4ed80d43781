"""Where things were met: sites of one layer, joined over neighbouring layers into places to look at."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from falsework.auditing.deposit import Layer
from falsework.auditing.value import Place
from falsework.kernels.bead import strands as cut
from falsework.kernels.graph import joined_groups
from falsework.layers.stack import Floats, Indices

_MOST = 3000  # kept of one kind; more are only counted
_MOST_LINES = 100  # told one by one
_NEAR_MM = 3.0  # sites of following layers that are nearer go together


@dataclass(frozen=True)
class FindingSite:
    """Something met in one layer: how much of it, where, in which lines of the program."""

    layer: int
    z_mm: float
    amount: float  # what makes it worse: a length, a share, a number
    at_mm: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    lines: tuple[int, int]
    value: float = 0.0  # a figure to be told, of the worst of it
    more: int = 0  # how many strands or stretches
    layers: int = 1
    own_lines: tuple[int, ...] = ()  # as a place has them


@dataclass(eq=False)
class Sites:
    """All sites of one kind, in the order of the program."""

    kept: list[FindingSite] = field(default_factory=list)
    count: int = 0

    def add(self, site: FindingSite) -> None:
        self.count += 1
        if len(self.kept) < _MOST:
            self.kept.append(site)

    def joined(self) -> list[FindingSite]:
        """Sites of neighbouring layers that lie over each other as one, the worst first.

        The one kept stands where it begins and says the worst figure.
        """
        open_: list[FindingSite] = []
        last: list[int] = []
        done: list[FindingSite] = []
        for site in self.kept:
            alive = [k for k in range(len(open_)) if site.layer - last[k] <= 2]
            done += [other for k, other in enumerate(open_) if k not in alive]
            open_, last = [open_[k] for k in alive], [last[k] for k in alive]
            for k, other in enumerate(open_):
                if _near(other.box_mm, site.box_mm):
                    open_[k] = _joined(other, site)
                    last[k] = site.layer
                    break
            else:
                open_.append(site)
                last.append(site.layer)
        return sorted(done + open_, key=lambda s: (-s.amount, s.layer))


def _near(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return (
        a[0] - _NEAR_MM <= b[2]
        and b[0] - _NEAR_MM <= a[2]
        and a[1] - _NEAR_MM <= b[3]
        and b[1] - _NEAR_MM <= a[3]
    )


def _joined(a: FindingSite, b: FindingSite) -> FindingSite:
    worst = a if a.amount >= b.amount else b
    box = (
        min(a.box_mm[0], b.box_mm[0]),
        min(a.box_mm[1], b.box_mm[1]),
        max(a.box_mm[2], b.box_mm[2]),
        max(a.box_mm[3], b.box_mm[3]),
    )
    lines = (min(a.lines[0], b.lines[0]), max(a.lines[1], b.lines[1]))
    layers = a.layers + (b.layers if b.layer != a.layer else 0)
    return replace(
        worst,
        layer=a.layer,
        z_mm=a.z_mm,
        at_mm=a.at_mm if b.layer != a.layer else worst.at_mm,
        box_mm=box,
        lines=lines,
        more=a.more + b.more,
        layers=layers,
        own_lines=a.own_lines if b.layer != a.layer else (),
    )


def site_of(layer: Layer, chosen: Indices, amount: float, value: float = 0.0) -> FindingSite:
    """The site of some strands of a layer; it points at one of the long ones near their middle."""
    ends = layer.ends[chosen]
    box = box_of(np.concatenate([ends[:, 0:2], ends[:, 3:5]]))
    long = chosen[layer.length_mm[chosen] >= 0.5 * layer.length_mm[chosen].max()]
    away = layer.middles[long] - [0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3])]
    central = long[np.argmin(np.hypot(*away.T))]
    lines = layer.rows[chosen, cut.LINE]
    return FindingSite(
        layer.index,
        layer.z_mm,
        amount,
        _point(layer.middles[central]),
        box,
        (int(lines.min()), int(lines.max())),
        value,
        len(chosen),
        own_lines=_few(lines),
    )


def _few(lines: Floats) -> tuple[int, ...]:
    """The lines one by one, unless they are many or follow one another."""
    own = np.unique(lines).astype(np.int64)
    scattered = 1 < len(own) <= _MOST_LINES and own[-1] - own[0] >= len(own)
    return tuple(own.tolist()) if scattered else ()


def box_of(points: Floats) -> tuple[float, float, float, float]:
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _point(xy: Floats) -> tuple[float, float]:
    return float(xy[0]), float(xy[1])


def run_sites(layer: Layer, chosen: Indices, amount: Floats) -> list[FindingSite]:
    """Stretches in air of one layer as sites, those beside each other together; ``amount`` (chosen,)."""
    from scipy.spatial import cKDTree

    runs = layer.runs
    start, end = runs.start[chosen], runs.end[chosen]
    middle = 0.5 * (start + end)
    near = cKDTree(middle).query_pairs(_NEAR_MM, output_type="ndarray")
    label = joined_groups(len(chosen), near[:, 0], near[:, 1])
    sites = []
    for g in range(int(label.max(initial=-1)) + 1):
        mine = np.flatnonzero(label == g)
        worst = mine[np.argmax(amount[mine])]
        lines = runs.lines[chosen[mine]]
        sites.append(
            FindingSite(
                layer.index,
                layer.z_mm,
                float(amount[worst]),
                _point(middle[worst]),
                box_of(np.concatenate([start[mine], end[mine]])),
                (int(lines.min()), int(lines.max())),
                float(runs.length_mm[chosen[worst]]),
                len(mine),
            )
        )
    return sites


def place_of(site: FindingSite, tops_mm: Floats) -> Place:
    """A site as people number layers: by height, from 1. ``tops_mm``: heights of the program, ascending."""
    layer = int(np.searchsorted(tops_mm, site.z_mm - 1e-4)) + 1
    return Place(layer, site.z_mm, site.at_mm, site.box_mm, site.lines, site.layers, site.own_lines)
