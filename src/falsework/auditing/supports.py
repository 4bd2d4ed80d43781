"""Supports are parts too: each of their layers rests on bed, support or, through a gap, the part."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.deposit import ASIDE, BED, PART, SUPPORT, Layer, Runs
from falsework.auditing.gather import AuditLimits
from falsework.auditing.placement import PlacedSections
from falsework.auditing.sites import FindingSite, Sites, place_of, site_of
from falsework.auditing.value import Finding, FindingLevel
from falsework.layers import planar
from falsework.layers.stack import Floats, Indices
from falsework.support.scheme import SupportStrands

_LONG_MM, _SHARE = 3.0, 0.08  # of a layer's support that must float, both
_MUCH_MM, _MUCH = 10.0, 0.2  # the same, for more than a few strands that will not come out
_MOST, _LOW_MM = 0.5, 4.0  # so high up some strands may hang over others' sides; most must, to begin there
_CRUMB = 1.2  # widths: shorter strands lean on their neighbours
_ON = 0.03  # share of a strand that rests, below which it does not
_CELL_MM, _BLUR = (
    0.75,
    5,
)  # cells in which supports are compared with the plan's, and over how many they are spread
_SHIFT_MM = 0.8  # that is told
_BETTER, _ALIKE = 0.12, 0.78  # shares that must lie over each other: more than before, and in all
_TURNED_DEG = 1.0
_ELSEWHERE = 0.55  # share that lies where it was planned, below which the supports are not the planned ones
_AS_MUCH = 0.75  # of the planned support that is there
_REACH_MM = 15.0  # so far a shift is looked for
_SEEN_MM = 2.0  # cells in which supports have been; they and the cells around them count
_LOST_MM = 1.2  # of support at most: what begins higher above others begins anew
_BETWEEN_MM = 3.0  # so long strands may hang between others of their layer
_STRIDE = 1 << 20


@dataclass(eq=False)
class SupportAuditor:
    """Takes the layers one after the other; ``sites`` holds what was met, by kind."""

    limits: AuditLimits
    gap_below_mm: float  # planned, 0 where that is not known
    # by kind, and whether it is most of a layer's support, or a few strands of it
    sites: dict[tuple[str, bool], Sites] = field(default_factory=lambda: defaultdict(Sites))
    # (n, 7) x, y, length, height, top, section, direction in degrees of what is not the part's
    middles: list[Floats] = field(default_factory=list)
    laid: bool = False
    been: list[tuple[float, Indices]] = field(default_factory=list)  # tops of its layers, and their cells

    def take(self, layer: Layer) -> None:
        """Look at the support of one layer."""
        first, self.laid = not self.laid, True
        others = np.flatnonzero((layer.owner == SUPPORT) | (layer.owner == ASIDE))
        ends = layer.ends[others]
        way = np.degrees(np.arctan2(ends[:, 4] - ends[:, 1], ends[:, 3] - ends[:, 0]))
        figures = layer.length_mm[others], layer.height_mm[others], np.full(len(others), layer.z_mm)
        self.middles.append(
            np.column_stack([layer.middles[others], *figures, layer.section_mm2[others], way])
        )
        support = np.flatnonzero(layer.owner == SUPPORT)
        if len(support) == 0:
            return
        long = layer.length_mm[support]
        bottom = layer.z_mm - layer.step_mm
        been = [(z, cells) for z, cells in self.been if bottom - _LOST_MM < z <= bottom + 1e-6]
        self.been = [*been, (layer.z_mm, np.unique(_cells(layer.middles[support], around=False)))]
        if first:
            return
        whole = layer.length_mm[support] > _CRUMB * layer.width_mm[support]
        floats = support[whole & (layer.resting[support].sum(axis=1) < _ON)]
        floats = floats[~np.isin(floats, _bridging(layer.runs, self.limits.span_mm))]
        if len(floats) == 0:
            return
        near = layer.near[floats]
        beneath = np.argmax(near, axis=1)
        gap = layer.gap_mm[floats, beneath]
        meant = max(self.gap_below_mm, 2.0 * self.limits.usual.height_mm) + 0.5 * self.limits.usual.height_mm
        on_part = (near.sum(axis=1) >= 0.3) & (beneath == PART)
        # where supports have been, but not just beneath, layers of theirs are missing, whatever is seen
        last = bottom - 0.5 * self.limits.usual.height_mm
        cells = _cells(layer.middles[floats], around=True)
        amid = _in(cells, [c for z, c in been if z > last])  # over the gaps between lines of its own
        lost = _in(cells, [c for z, c in been if z <= last]) & ~amid
        lost &= ~(on_part & (gap <= meant))
        nothing = near.sum(axis=1) < 0.3
        kinds = {
            "support off the bed": (nothing | (beneath == BED)) & ~lost & ~on_part & ~amid,
            "support layers missing": lost | (~nothing & (beneath == SUPPORT)),
            "support off the part": on_part & ~lost & (gap > meant) & ~amid,
        }
        for kind, mask in kinds.items():
            chosen = floats[mask]
            amount = float(layer.length_mm[chosen].sum())
            high_up = kind == "support off the bed" and layer.z_mm > _LOW_MM
            if amount < max(_LONG_MM, (_MOST if high_up else _SHARE) * float(long.sum())):
                continue
            gaps = gap[mask][np.isfinite(gap[mask])]
            value = float(np.median(gaps)) if len(gaps) else bottom
            if kind == "support layers missing" and been and been[-1][0] < bottom - 1e-6:
                value = min(value, bottom - been[-1][0])
            most = amount >= max(_MUCH_MM, _MUCH * float(long.sum()))
            told = bottom if kind.endswith("bed") else value
            self.sites[kind, most].add(site_of(layer, chosen, amount, told))

    def findings(self, tops_mm: Floats) -> Iterable[Finding]:
        """One for each place, in plain words."""
        height = self.limits.usual.height_mm
        for (kind, most), sites in self.sites.items():
            worst = FindingLevel.RUIN if kind == "support off the bed" else FindingLevel.FAULT
            for site in _firsts(sites.joined()):
                yield Finding(
                    0,
                    kind,
                    worst if most else FindingLevel.CAUTION,
                    _says(kind, site, height) if most else _says_of_few(kind, site),
                    _CURES[kind],
                    count=site.more,
                    place=place_of(site, tops_mm),
                    found=site.value,
                    planned=0.0,
                    unit="mm",
                )


_CURES = {
    "support off the bed": "Let supports start on the bed, in the first layer; make the program again",
    "support layers missing": "Look why these layers have no support; make the program again",
    "support off the part": "Set the gap beneath supports that stand on the part",
}


def _bridging(runs: Runs, span_mm: float) -> Indices:
    """Strands held at both ends, over a gap that they bridge: by what is beneath, or, if short, by others
    beside them.
    """
    on_both = (runs.held == 1).all(axis=1) & (runs.length_mm < span_mm)
    between = (runs.held > 0).all(axis=1) & (runs.length_mm < _BETWEEN_MM)
    return runs.strand[on_both | between]


def _in(cells: Indices, some: list[Indices]) -> NDArray[np.bool_]:
    """(n,) whether any of a point's nine cells, as ``_cells`` gives them, is one of those."""
    every = np.concatenate([np.zeros(0, np.int64), *some])
    return np.asarray(np.isin(cells, every).reshape(-1, 9).any(axis=1))


def _cells(xy: Floats, *, around: bool) -> Indices:
    """Numbers of the cells in which points (n, 2) lie; with ``around`` of the nine around each, in rows."""
    i, j = np.floor(xy / _SEEN_MM).astype(np.int64).T
    if not around:
        return i * _STRIDE + j
    by = np.array([-1, 0, 1])
    near: Indices = (i[:, None, None] + by[:, None]) * _STRIDE + j[:, None, None] + by
    return near.ravel()


def _firsts(joined: list[FindingSite]) -> list[FindingSite]:
    """What is told one by one: the worst, no more than three."""
    return joined[:3]


def _says(kind: str, site: FindingSite, height: float) -> str:
    layers = max(1, round(site.value / height))
    many = "a layer is" if layers == 1 else f"{layers} layers are"
    if kind == "support off the bed":
        return f"a support begins {site.value:.2f} mm above the bed, on nothing: {many} missing beneath it"
    if kind == "support layers missing":
        return f"a support hangs {site.value:.2f} mm above its own layer beneath: {many} missing"
    return f"a support begins {site.value:.2f} mm above the part that it stands on"


def _says_of_few(kind: str, site: FindingSite) -> str:
    beneath = {"support off the bed": "the bed", "support off the part": "the part"}.get(
        kind, "their own layer"
    )
    return f"{site.amount:.0f} mm of support begin {site.value:.2f} mm above {beneath}, on nothing"


def shift_finding(
    auditor: SupportAuditor, placed: PlacedSections, planned: SupportStrands, heights_mm: Floats
) -> Iterable[Finding]:
    """Whether the supports are the planned ones, moved aside. ``heights_mm``: of the plan's layers."""
    if not auditor.middles or len(planned.layer) == 0:
        return
    printed, weight, wanted, wanted_weight = _both(auditor, placed, planned, heights_mm)
    if not _AS_MUCH < float(weight.sum()) / float(wanted_weight.sum()) < 1.0 / _AS_MUCH:
        return  # some is missing, or there is more: not the same supports
    before, by, after = max(
        (_compared((xy, weight), (wanted, wanted_weight)) for xy in _as_part(printed[:, :2], placed)),
        key=lambda found: found[0],
    )
    off = float(np.hypot(*by))
    if off < _SHIFT_MM or after < _ALIKE or after < before + _BETTER:
        if before < _ELSEWHERE:
            says = (
                f"the supports are as many as planned, but only {100 * before:.0f} % of them stand where "
                "they were planned: turned, mirrored, moved in part, or of another plan"
            )
            yield _shifted(says, 1.0 - before, "")
        return
    says = (
        f"the supports are the planned ones, but moved aside by {off:.1f} mm "
        f"({by[0]:+.1f} mm in x, {by[1]:+.1f} mm in y of the plan)"
    )
    yield _shifted(says, off, "mm")


def alike(
    auditor: SupportAuditor, placed: PlacedSections, planned: SupportStrands, heights_mm: Floats
) -> tuple[float, float]:
    """Share of the supports that stand where they were planned, seen from above, however many there are; and
    the turn, degrees, at which they do.
    """
    printed, weight, wanted, wanted_weight = _both(auditor, placed, planned, heights_mm)
    if len(printed) == 0:
        return 0.0, placed.placement.turn_deg
    shares = [_compared((xy, weight), (wanted, wanted_weight))[0] for xy in _as_part(printed[:, :2], placed)]
    return (shares[0], placed.placement.turn_deg) if shares[0] == max(shares) else (max(shares), 0.0)


def _both(
    auditor: SupportAuditor, placed: PlacedSections, planned: SupportStrands, heights_mm: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """What is printed (n, 7) with weights, and middles of what is planned with weights."""
    printed = np.concatenate([np.zeros((0, 7)), *auditor.middles])
    printed = printed[printed[:, 4] > placed.placement.shift_mm[2] + 1e-4]  # a raft lies beneath
    wanted = 0.5 * (planned.ends_mm[:, :2] + planned.ends_mm[:, 2:])
    return printed, printed[:, 2] * printed[:, 3], wanted, planned.lengths_mm * heights_mm[planned.layer]


def _as_part(xy: Floats, placed: PlacedSections) -> Iterable[Floats]:
    """Points of the program in the part's coordinates; as they would be unturned, too: the part may look the
    same all round, and its supports not.
    """
    yield placed.to_part(xy)
    if abs(placed.placement.turn_deg) > _TURNED_DEG:
        x0, y0, x1, y1 = planar.bounds(placed.shadow)
        middle = np.array([0.5 * (x0 + x1), 0.5 * (y0 + y1)])
        yield xy - placed.to_program(middle[None]) + middle


def _compared(found: tuple[Floats, Floats], asked: tuple[Floats, Floats]) -> tuple[float, Floats, float]:
    """Of points with weights, what share lies where it was asked for, the shift that brings most of it there,
    and the share after it.
    """
    low = np.minimum(found[0].min(axis=0), asked[0].min(axis=0)) - _REACH_MM
    span = np.maximum(found[0].max(axis=0), asked[0].max(axis=0)) + _REACH_MM - low
    shape = tuple(int(v / _CELL_MM) + 1 for v in span)
    is_, wanted = _spread(*found, low, shape), _spread(*asked, low, shape)
    by, after = _best_shift(is_, wanted)
    exactly = _middle(*found) - _middle(*asked)
    if np.abs(exactly - by).max() <= _CELL_MM:
        by = exactly
    return max(0.0, float(np.minimum(is_, wanted).sum())), by, after


def _middle(xy: Floats, weight: Floats) -> Floats:
    return (xy * weight[:, None]).sum(axis=0) / max(float(weight.sum()), 1e-12)


def _shifted(says: str, off: float, unit: str) -> Finding:
    cure = "Load part and supports together, so that they keep their places"
    return Finding(0, "support shifted", FindingLevel.FAULT, says, cure, found=off, planned=0.0, unit=unit)


def _spread(xy: Floats, weight: Floats, low: Floats, shape: Sequence[int]) -> Floats:
    """Weights over cells, spread over their neighbours, that sum to 1."""
    from scipy.ndimage import uniform_filter

    i, j = ((xy - low) / _CELL_MM).astype(np.int64).T
    cells = np.bincount(i * shape[1] + j, weights=weight, minlength=shape[0] * shape[1])
    image: Floats = uniform_filter(cells.reshape(shape[0], shape[1]), _BLUR, mode="constant")
    return image / max(float(image.sum()), 1e-12)


def _best_shift(found: Floats, asked: Floats) -> tuple[Floats, float]:
    """The shift from where it was planned, mm, and the share that then lies over each other."""
    from scipy.fft import irfft2, rfft2

    most = int(_REACH_MM / _CELL_MM)
    match = irfft2(rfft2(found) * np.conj(rfft2(asked)), s=found.shape)
    match = np.roll(match, (most, most), axis=(0, 1))[: 2 * most + 1, : 2 * most + 1]
    i, j = np.unravel_index(int(np.argmax(match)), match.shape)
    by = np.array([i, j]) - most
    moved = np.roll(asked, tuple(by), axis=(0, 1))
    return by * _CELL_MM, float(np.minimum(found, moved).sum())
