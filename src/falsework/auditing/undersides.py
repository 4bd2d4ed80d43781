"""Every underside of the part beside what the program does beneath it and over it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from falsework.auditing.deposit import PART, SUPPORT, Layer
from falsework.auditing.gather import AuditLimits
from falsework.auditing.placement import PlacedSections
from falsework.auditing.sites import Sites, site_of
from falsework.auditing.value import Finding, FindingLevel, Place, UndersideAudit
from falsework.droop.estimate import Estimate
from falsework.kernels.bead import strands as cut
from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats, LayerStack
from falsework.need.underside import NeedMap, Underside, UndersideKind
from falsework.process.derived import Gap
from falsework.request.standing import Standing

_POINTS = 5  # along each strand that tell where it lies
_BELOW_MM = 8.0  # how far beneath an underside its support is looked at
_DENSE = 0.7  # share of a dense layer's strands
_THICKER = 1.8  # times the strands of the body beneath, from which a layer is a dense one of less extent
_CRUMBS = 0.1  # of the strands of the fullest layer: what is less is no layer of the support
_DEEP, _BODY_LAYERS = 4, 8  # layers beneath the top that tell the body's strands
_CARRIED, _BARELY = 0.6, 0.3  # shares of an underside carried that count as all of it, and as nothing
_BY_BODY = 0.35  # share that the lines of a body alone carry, at most
_SEEN = 0.1  # share carried, from which the support's pattern is looked at
_LEAST_MM2 = 12.0  # of an underside whose support's pattern can be told
_MOST_UNDERSIDES = 400


@dataclass(frozen=True)
class Planned:
    """What a plan says of supports: one standing for each underside, gaps, structure as settings."""

    standings: Sequence[Standing]
    gap: Gap
    gap_below: Gap
    interface_layers: Sequence[int]  # beneath each underside
    spacing_mm: float | None  # None, as the next, where designed: it differs from place to place
    closed_lines: int | None
    sets: int  # of lines: 2 for a grid
    side_gap_mm: float


@dataclass(eq=False)
class _Sums:
    """Sums over the strands laid over one underside, and over those of its support."""

    length: float = 0.0
    first: Layer | None = None
    place: Place | None = None
    hollow: float = 0.0  # length times share that does not rest on the part
    carried: float = 0.0
    gaps: list[tuple[float, float]] = field(default_factory=list)  # gap, length
    turn: complex = 0j
    fan: float = 0.0
    speed: float = 0.0
    heat: float = 0.0
    longest: float = 0.0
    below: dict[float, float] = field(default_factory=dict)  # strands of support by top, mm
    loops: dict[float, int] = field(default_factory=dict)
    foot_on_part: float = 0.0
    foot: Place | None = None


class UndersideAuditor:
    """Takes the layers one after the other; afterwards says what became of each underside."""

    def __init__(
        self,
        need: NeedMap,
        stack: LayerStack,
        placed: PlacedSections,
        planned: Planned | None,
        limits: AuditLimits,
        tops_mm: Floats,
    ) -> None:
        self.need, self.placed, self.planned, self.limits, self.tops = need, placed, planned, limits, tops_mm
        x, y = planar.get_coordinates(planar.transform(placed.shadow, placed.to_program)).T
        self.box = float(x.min()), float(y.min()), float(x.max()), float(y.max())
        dz = placed.placement.shift_mm[2]
        self.bottom = stack.z_mm[need.region_layer] + dz  # (N,) of each region
        self.regions = planar.transform(need.regions, placed.to_program)
        self.owner = need.region_underside
        listed = np.array([u.kind is not UndersideKind.HOLDS for u in need.undersides], bool)
        listed[_MOST_UNDERSIDES:] = False
        self.listed = listed
        self.sums = [_Sums() for _ in need.undersides]
        self.flat: set[int] = (
            set()
        )  # undersides most of which lies in one layer: their support's pattern is told
        self.windows = self._windows()
        self.bounds = planar.bounds(self.regions)
        self.sites: dict[str, Sites] = defaultdict(Sites)
        self.below_gaps: list[tuple[float, float]] = []
        self._order = np.argsort(self.bottom, kind="stable")
        self._sorted = self.bottom[self._order]

    def _windows(self) -> dict[int, tuple[planar.Geometry, float]]:
        """Of each listed underside its largest region, drawn in a little, and that region's height."""
        width = self.limits.usual.width_mm
        area = planar.area(self.regions)
        out = {}
        for u in np.flatnonzero(self.listed):
            mine = np.flatnonzero(self.owner == u)
            at = mine[np.argmax(area[mine])]
            inner = offset_mitred(self.regions[at], -1.5 * width)
            window = self.regions[at] if inner.is_empty else inner
            if area[at] > 0.5 * self.need.undersides[u].area_mm2:
                self.flat.add(int(u))
            planar.prepare(window)
            out[int(u)] = (window, float(self.bottom[at]))
        return out

    def take(self, layer: Layer) -> None:
        """Look at the strands of one layer that this copy of the part is concerned with."""
        middle = layer.middles
        x0, y0, x1, y1 = self.box
        own = (middle[:, 0] > x0) & (middle[:, 0] < x1) & (middle[:, 1] > y0) & (middle[:, 1] < y1)
        bottom = layer.z_mm - layer.step_mm
        half = 0.5 * layer.step_mm
        a, b = np.searchsorted(self._sorted, (bottom - half + 1e-6, bottom + half + 1e-6))
        over = self._order[a:b]
        over = over[self.listed[self.owner[over]]]
        part = np.flatnonzero(own & (layer.owner == PART))
        if len(over) and len(part):
            self._over(layer, over, part)
        support = np.flatnonzero(own & (layer.owner == SUPPORT))
        if len(support):
            self._under(layer, support)

    def _spread(self, layer: Layer, chosen: np.ndarray) -> tuple[Floats, np.ndarray]:
        """Points along strands (n · _POINTS, 2) and whose they are."""
        share = (np.arange(_POINTS) + 0.5) / _POINTS
        a, b = layer.ends[chosen, 0:2], layer.ends[chosen, 3:5]
        points = a[:, None, :] + share[None, :, None] * (b - a)[:, None, :]
        return points.reshape(-1, 2), np.repeat(np.arange(len(chosen)), _POINTS)

    def _over(self, layer: Layer, over: np.ndarray, part: np.ndarray) -> None:
        points, which = self._spread(layer, part)
        for at in over:
            x0, y0, x1, y1 = self.bounds[at]
            near = np.flatnonzero(
                (points[:, 0] >= x0) & (points[:, 0] <= x1) & (points[:, 1] >= y0) & (points[:, 1] <= y1)
            )
            if len(near) == 0:
                continue
            inside = near[planar.contains_xy(self.regions[at], points[near, 0], points[near, 1])]
            if len(inside) == 0:
                continue
            share = np.bincount(which[inside], minlength=len(part)) / _POINTS
            mine = np.flatnonzero(share)
            self._strands_over(self.sums[self.owner[at]], layer, part[mine], share[mine])

    def _strands_over(self, kept: _Sums, layer: Layer, strands: np.ndarray, share: Floats) -> None:
        long = layer.length_mm[strands] * share
        hollow = np.clip(1.0 - layer.resting[strands, PART], 0.0, 1.0)
        seen = layer.near[strands, SUPPORT]
        touch = layer.resting[strands, SUPPORT]
        weight = long * hollow
        kept.length += float(long.sum())
        kept.hollow += float(weight.sum())
        kept.carried += float((long * np.minimum(hollow, seen + touch)).sum())
        gap = layer.gap_mm[strands, SUPPORT]
        some = seen > 0.1
        kept.gaps += list(zip(gap[some].tolist(), (long * seen)[some].tolist(), strict=True))
        fused = touch > 0.1
        kept.gaps += [(0.0, v) for v in (long * touch)[fused].tolist()]
        d = layer.ends[strands, 3:5] - layer.ends[strands, 0:2]
        unit = (d[:, 0] + 1j * d[:, 1]) / np.maximum(layer.length_mm[strands], 1e-12)
        straight = layer.length_mm[strands] > 3.0 * layer.width_mm[strands]
        kept.turn += complex((weight * unit**2)[straight].sum())
        rows = layer.rows[strands]
        kept.fan += float((long * rows[:, cut.FAN]).sum())
        kept.speed += float((long * rows[:, cut.PACE]).sum())
        kept.heat += float((long * rows[:, cut.NOZZLE]).sum())
        runs = layer.runs
        mine = np.isin(runs.strand, strands)
        if mine.any():
            kept.longest = max(kept.longest, float(runs.length_mm[mine].max()))
        if kept.place is None or float(weight.sum()) > 0.5 * kept.hollow:
            kept.place = self._place(layer, strands)

    def _place(self, layer: Layer, strands: np.ndarray) -> Place:
        from falsework.auditing.sites import place_of

        return place_of(site_of(layer, strands, 0.0), self.tops)

    def _under(self, layer: Layer, support: np.ndarray) -> None:
        points, which = self._spread(layer, support)
        loops = _loops(layer, support)
        near_part = (layer.near[support, PART] > 0.5) | (layer.resting[support, PART] > 0.3)
        gap = layer.gap_mm[support, PART]
        seen = layer.near[support, PART] > 0.5
        close = seen & (gap < self.limits.carry_mm)
        self.below_gaps += list(
            zip(gap[close].tolist(), layer.length_mm[support][close].tolist(), strict=True)
        )
        for u, (window, high) in self.windows.items():
            if not high - _BELOW_MM < layer.z_mm <= high + 1e-6 and not near_part.any():
                continue
            x0, y0, x1, y1 = planar.bounds(window)
            near = np.flatnonzero(
                (points[:, 0] >= x0) & (points[:, 0] <= x1) & (points[:, 1] >= y0) & (points[:, 1] <= y1)
            )
            if len(near) == 0 or layer.z_mm > high + 1e-6:
                continue
            inside = near[planar.contains_xy(window, points[near, 0], points[near, 1])]
            share = np.bincount(which[inside], minlength=len(support)) / _POINTS
            long = layer.length_mm[support] * share
            kept = self.sums[u]
            feet = near_part & (share > 0) & (seen & (gap < self.limits.carry_mm) | ~seen)
            if feet.any():
                kept.foot_on_part += float(long[feet].sum())
                kept.foot = kept.foot or self._place(layer, support[feet])
            if layer.z_mm > high - _BELOW_MM:
                z = round(layer.z_mm, 4)
                kept.below[z] = kept.below.get(z, 0.0) + float(long.sum())
                around = [k for k in loops if _meets(k, (x0, y0, x1, y1))]
                kept.loops[z] = kept.loops.get(z, 0) + len(around)
        self._sideways(layer, support)

    def _sideways(self, layer: Layer, support: np.ndarray) -> None:
        if self.planned is None:
            return
        k = self.placed.layer_at(layer.z_mm - 0.5 * layer.step_mm)
        if k < 0 or self.placed.stack.regions[k].is_empty:
            return
        ends = self.placed.to_part(layer.ends[support][:, [0, 1, 3, 4]].reshape(-1, 2)).reshape(-1, 2, 2)
        clear = planar.distance(planar.linestrings(ends), self.placed.stack.regions[k])
        clear = clear - 0.5 * layer.width_mm[support]
        tight = np.flatnonzero(clear < 0.4 * self.planned.side_gap_mm)
        long = float(layer.length_mm[support[tight]].sum())
        if long > 2.0:
            self.sites["side gap"].add(site_of(layer, support[tight], long, float(clear[tight].min())))

    # what it comes to

    def undersides(self) -> tuple[UndersideAudit, ...]:
        return tuple(
            self._audited(u, self.sums[k]) for k, u in enumerate(self.need.undersides) if self.listed[k]
        )

    def _audited(self, u: Underside, kept: _Sums) -> UndersideAudit:
        planned = self.planned
        standing = planned.standings[u.number - 1] if planned else Standing.LEAVE
        long = max(kept.length, 1e-9)
        carried = kept.carried / max(kept.hollow, 1e-9) if kept.hollow > 0 else 0.0
        gap = _middle(kept.gaps) if carried > 0.1 else None
        interface, spacing, loops = None, None, None
        if carried > _SEEN and u.number - 1 in self.flat:
            interface, spacing, loops = self._pattern(u.number - 1, kept, gap)
        turn = None
        if abs(kept.turn) > 0.5 * kept.hollow > 0:
            turn = math.degrees(0.5 * math.atan2(kept.turn.imag, kept.turn.real)) % 180.0
        droop: Estimate | None = None
        if kept.longest > 0.0:
            droop = self.limits.laws.bridge_droop(kept.longest)
        heat = kept.heat / long
        return UndersideAudit(
            number=u.number,
            kind=u.kind,
            area_mm2=u.area_mm2,
            height_mm=u.height_mm,
            standing=standing,
            planned_gap_mm=planned.gap.realised_mm if planned and standing is not Standing.LEAVE else 0.0,
            strands_mm=kept.length,
            carried_share=min(1.0, carried),
            gap_mm=gap,
            interface_layers=interface,
            spacing_mm=spacing,
            closed_lines=loops,
            direction_deg=turn,
            fan=kept.fan / long if kept.length else None,
            speed_mm_s=kept.speed / long if kept.length else None,
            nozzle_c=heat if kept.length and heat > 0 else None,
            longest_in_air_mm=kept.longest,
            droop_mm=droop,
            verdict="",
        )

    def _pattern(
        self, index: int, kept: _Sums, gap: float | None
    ) -> tuple[int | None, float | None, int | None]:
        """Dense layers under the gap, spacing of the body's strands, closed lines around it."""
        window, _ = self.windows[index]
        area = float(planar.area(window))
        most = max(kept.below.values(), default=0.0)
        tops = [z for z in sorted(kept.below, reverse=True) if kept.below[z] > _CRUMBS * most]
        if area < _LEAST_MM2 or not tops or gap is None:
            return None, None, None
        usual = self.limits.usual
        pitch = usual.width_mm - usual.height_mm * (1 - math.pi / 4)
        deep = [kept.below[z] for z in tops[_DEEP : _DEEP + _BODY_LAYERS]]
        thick = _THICKER * float(np.median(deep)) if len(deep) > 2 else math.inf
        dense = [kept.below[z] > min(_DENSE * area / pitch, thick) for z in tops]
        interface = dense.index(False) if False in dense else len(dense)
        body = [z for z, full in zip(tops, dense, strict=True) if not full][1:9]
        if not body:
            return interface, None, None
        per_layer = float(np.median([kept.below[z] for z in body]))
        sets = self.planned.sets if self.planned else 1
        spacing = sets * area / per_layer if per_layer > 0 else None
        loops = round(float(np.median([kept.loops.get(z, 0) for z in body])))
        return interface, spacing, loops

    def number_at(self, place: Place) -> int:
        """The underside over which a place lies, 0 where there is none."""
        height = self.limits.usual.height_mm
        near = np.flatnonzero(np.abs(self.bottom - (place.z_mm - height)) < 0.6 * height)
        x0, y0, x1, y1 = place.box_mm
        box = planar.box(x0 - 0.5, y0 - 0.5, x1 + 0.5, y1 + 0.5)
        shared = planar.area(overlay.intersection(self.regions[near], box))
        return int(self.owner[near[np.argmax(shared)]]) + 1 if np.any(shared > 0.0) else 0

    def left_alone(self, number: int) -> Underside | None:
        """The underside if the plan leaves it as it is."""
        if self.planned is None or self.planned.standings[number - 1] is not Standing.LEAVE:
            return None
        return self.need.undersides[number - 1]

    def place(self, number: int) -> Place | None:
        return self.sums[number - 1].place

    def foot(self, number: int) -> tuple[float, Place | None]:
        """How much of an underside's support stands on the part, mm of strands, and where."""
        kept = self.sums[number - 1]
        return kept.foot_on_part, kept.foot

    def gap_below(self) -> float | None:
        return _middle(self.below_gaps) if sum(w for _, w in self.below_gaps) > 5.0 else None


def _middle(pairs: list[tuple[float, float]]) -> float | None:
    """Weighted median."""
    if not pairs:
        return None
    values, weights = np.array(pairs).T
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def _loops(layer: Layer, support: np.ndarray) -> list[tuple[float, float, float, float]]:
    """Boxes of the closed paths among strands of support."""
    path = layer.rows[support, cut.PATH]
    first = np.flatnonzero(np.diff(path, prepend=-1.0) != 0.0)
    out = []
    for a, b in zip(first, np.append(first[1:], len(path)), strict=True):
        mine = support[a:b]
        ends = layer.ends[mine]
        width = float(layer.width_mm[mine[0]])
        if b - a < 3 or np.hypot(*(ends[0, 0:2] - ends[-1, 3:5])) > 0.6 * width:
            continue
        if float(layer.length_mm[mine].sum()) > 6.0 * width:
            (x0, y0), (x1, y1) = ends[:, 0:2].min(axis=0), ends[:, 0:2].max(axis=0)
            out.append((float(x0), float(y0), float(x1), float(y1)))
    return out


def _meets(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] <= b[2] and b[0] <= a[2] and a[1] <= b[3] and b[1] <= a[3]


def underside_findings(
    auditor: UndersideAuditor, found: Sequence[UndersideAudit]
) -> Iterable[tuple[int, Finding]]:
    """What is wrong at each underside, with its number."""
    by_number = {u.number: u for u in auditor.need.undersides}
    for t in found:
        u = by_number[t.number]
        tells = _Tells(u, t, auditor.place(t.number))
        if t.strands_mm == 0.0:
            if t.area_mm2 > 4.0:
                says = "is not printed: no strand of the part lies there"
                yield (
                    t.number,
                    tells("not printed", FindingLevel.FAULT, says, "Check the part in the program"),
                )
            continue
        if auditor.planned is None:
            continue
        yield from ((t.number, f) for f in _support(tells, auditor.planned, auditor))
        if t.carried_share < _CARRIED and t.standing is Standing.LEAVE and u.kind is UndersideKind.BRIDGE:
            yield from ((t.number, f) for f in _bridge(tells, auditor.limits))


@dataclass(frozen=True)
class _Figures:
    """A figure found beside the one planned."""

    found: float
    planned: float
    unit: str = ""


@dataclass(frozen=True)
class _Tells:
    """Makes findings of one underside, each a sentence that begins with its name."""

    underside: Underside
    audit: UndersideAudit
    place: Place | None

    def __call__(
        self,
        kind: str,
        level: FindingLevel,
        says: str,
        cure: str,
        figures: _Figures | None = None,
        place: Place | None = None,
    ) -> Finding:
        finding = Finding(
            0,
            kind,
            level,
            f"underside {self.audit.number}, at height {self.audit.height_mm:.1f} mm, {says}",
            cure,
            place=place or self.place,
            underside=self.audit.number,
        )
        if figures is None:
            return finding
        return replace(finding, found=figures.found, planned=figures.planned, unit=figures.unit)


def _support(tells: _Tells, planned: Planned, auditor: UndersideAuditor) -> Iterable[Finding]:
    t = tells.audit
    if t.standing is Standing.LEAVE:
        if t.carried_share > _CARRIED:
            says = "gets support where the plan wants none"
            yield tells("unwanted", FindingLevel.CAUTION, says, "Keep supports away there, or plan them")
        return
    if t.carried_share < _CARRIED and _only_body(t, planned):
        # the lines of the body reach up to the gap, where interface layers should be
        yield from _make_of_support(tells, planned)
        return
    if t.carried_share < _BARELY:
        says = f"has no support: {100 * t.carried_share:.0f} % of what was planned to be is carried"
        cure = "Switch supports on there, or load the planned ones"
        yield tells("unsupported", FindingLevel.FAULT, says, cure, _Figures(t.carried_share, 1.0))
        return
    if t.carried_share < _CARRIED:
        says = f"is carried over {100 * t.carried_share:.0f} % only"
        cure = "Compare the support with the plan, and let it reach under all of the underside"
        yield tells("barely supported", FindingLevel.FAULT, says, cure, _Figures(t.carried_share, 1.0))
    yield from _gap(tells, planned, auditor.limits.usual.height_mm)
    yield from _make_of_support(tells, planned)
    foot, where = auditor.foot(t.number)
    if t.standing is Standing.BED and foot > 5.0:
        says = "has a support that stands on the part; the plan lets it stand on the bed only"
        cure = "Let supports start from the bed only"
        yield tells("stands on part", FindingLevel.FAULT, says, cure, _Figures(foot, 0.0, "mm"), where)


def _only_body(t: UndersideAudit, planned: Planned) -> bool:
    """Whether the support is there as planned, but for its interface layers."""
    if t.interface_layers != 0 or planned.interface_layers[t.number - 1] == 0 or t.spacing_mm is None:
        return False
    if t.carried_share > _BY_BODY:
        return False
    return planned.spacing_mm is None or 0.5 <= t.spacing_mm / planned.spacing_mm <= 1.6


def _gap(tells: _Tells, planned: Planned, height: float) -> Iterable[Finding]:
    gap, found = planned.gap.realised_mm, tells.audit.gap_mm
    if found is None:
        return
    figures = _Figures(found, gap, "mm")
    cure = "Set the air gap in whole layers"
    if found < 0.1 * height:
        says = f"lies on its support without a gap ({gap:.3g} mm planned): it will fuse"
        yield tells("no gap", FindingLevel.FAULT, says, cure, figures)
    elif abs(found - gap) > 0.02 + 0.1 * height:
        way = "wider" if found > gap else "narrower"
        level = FindingLevel.FAULT if abs(found - gap) > 0.9 * height else FindingLevel.CAUTION
        says = f"has an air gap of {found:.3g} mm, {way} than the {gap:.3g} mm planned"
        yield tells("gap", level, says, cure, figures)


def _make_of_support(tells: _Tells, planned: Planned) -> Iterable[Finding]:
    t = tells.audit
    wanted, designed = planned.interface_layers[t.number - 1], planned.spacing_mm is None
    off = t.interface_layers is not None and t.interface_layers != wanted
    if off and not (designed and (t.interface_layers or not wanted)):  # there the body narrows beneath it
        says = f"has {t.interface_layers} interface layers beneath it, {wanted} were planned"
        none = t.interface_layers == 0
        level = FindingLevel.FAULT if none else FindingLevel.CAUTION
        cure = "Set the interface layers on top"
        yield tells("interface", level, says, cure, _Figures(t.interface_layers or 0, wanted, "layers"))
    wanted_mm = planned.spacing_mm
    if t.spacing_mm is not None and wanted_mm and not 0.65 <= t.spacing_mm / wanted_mm <= 1.5:
        says = f"has support strands {t.spacing_mm:.1f} mm apart, {wanted_mm:.1f} mm were planned"
        cure = "Set the spacing or density of the support's body"
        yield tells("spacing", FindingLevel.CAUTION, says, cure, _Figures(t.spacing_mm, wanted_mm, "mm"))
    lines, meant = t.closed_lines, planned.closed_lines
    if lines is not None and meant is not None and (lines > 0) != (meant > 0):
        more = "with" if lines > 0 else "without"
        says = f"has a support {more} closed lines around it, unlike the plan"
        cure = "Set the closed lines around supports"
        yield tells("perimeter", FindingLevel.CAUTION, says, cure, _Figures(lines, meant))


def _bridge(tells: _Tells, limits: AuditLimits) -> Iterable[Finding]:
    t, u = tells.audit, tells.underside
    if t.direction_deg is not None and u.span_mm > 2.0 * limits.usual.width_mm:
        off = abs((t.direction_deg - u.span_direction_deg + 90.0) % 180.0 - 90.0)
        if off > 30.0 and t.longest_in_air_mm > 1.3 * u.span_mm:
            says = (
                f"is bridged the wrong way: its strands run at {t.direction_deg:.0f}°, "
                f"{t.longest_in_air_mm:.1f} mm through air; "
                f"across, at {u.span_direction_deg:.0f}°, it is {u.span_mm:.1f} mm"
            )
            cure = f"Set the direction of bridges to {u.span_direction_deg:.0f}° there"
            figures = _Figures(t.direction_deg, u.span_direction_deg, "°")
            short = t.longest_in_air_mm <= limits.span_mm  # it holds this way, too
            level = FindingLevel.CAUTION if short else FindingLevel.FAULT
            yield tells("bridge direction", level, says, cure, figures)
