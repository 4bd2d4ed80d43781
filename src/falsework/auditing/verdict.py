"""From findings to an answer: causes first, what follows from them folded away, five groups at most."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from falsework.auditing.value import Answer, Decision, Finding, FindingLevel, Group

MOST_GROUPS = 5
_IN_AIR = frozenset({"on nothing", "starts in air", "ends in air", "long bridge", "overhang"})
_AMOUNTS = frozenset(
    {"starved", "overfed", "line width", "filament", "blob", "thick layer", "layer height", "time"}
)
_COMPARED = frozenset(
    {
        "outline", "too low", "not printed", "unsupported", "barely supported", "unwanted", "gap", "no gap",
        "gap below", "interface", "spacing", "perimeter", "stands on part", "bridge direction",
        "side gap", "fused on top", "fused below", "stray", "filament", "time", "support shifted", "skin",
        "fill", "walls",
        "support off the part",
    }
)  # fmt: skip
_OF_THE_PART = frozenset({"outline", "too low", "not printed"})
_TOUCHING_LOWER = frozenset({"ploughs", "strikes"})  # what hangs in the way from then on
_TOUCHING = frozenset({"laid twice", "ploughs", "strikes", "floats"})

_MISREAD = ("arc", "garbled", "wild")  # lines that make no sense: what is told of the others follows, if many
_MANY_LINES = 20

FOLLOWS: Mapping[str, frozenset[str]] = {
    **dict.fromkeys(
        _MISREAD,
        _AMOUNTS
        | _IN_AIR
        | _TOUCHING
        | _COMPARED
        | {"underfed", "overfed throughout", "overlap", "crossed", "other part", "z offset", "scale"}
        | {"skewed"},
    ),
    "nozzle too hot": frozenset({"nozzle heat"}),
    "bed too hot": frozenset({"bed heat"}),
    "cold": frozenset({"nozzle heat", "left hot"}),
    "unit": _AMOUNTS | _IN_AIR | _TOUCHING | _COMPARED | {"outside", "overfed throughout", "other part"},
    "underfed": _AMOUNTS | _IN_AIR | _TOUCHING | _COMPARED | {"z offset", "first layer"},
    "overfed throughout": _AMOUNTS | _IN_AIR | _TOUCHING | _COMPARED | {"z offset", "first layer"},
    "first layer missing": frozenset({"off the bed", "first layer", "too low", "support off the bed"})
    | _AMOUNTS,
    "z offset": frozenset({"off the bed", "first layer", "below the bed", "support off the bed"})
    | _AMOUNTS,
    "mirrored": _COMPARED,
    "other position": _COMPARED | _IN_AIR,
    "other part": _COMPARED | _IN_AIR | {"too high", "floats", "starved", "overlap"},
    "scale": _COMPARED,
    "layer height": frozenset(
        {"first layer", "line width", "gap", "gap below", "interface", "spacing", "not printed", "filament"}
        | {"support layers missing"}
    ),
    "skewed": _COMPARED | _IN_AIR | _AMOUNTS | {"support off the bed", "support layers missing", "floats"},
    "skin": _IN_AIR
    | {"fill", "filament", "time", "not printed", "off the bed", "starved", "fast over air"}
    | {"support off the bed", "support off the part", "support layers missing"},
    "fill": frozenset({"filament", "time", "long bridge", "ends in air", "starts in air"}),
    "walls": frozenset({"filament", "time", "starved"}),
    "outline": _IN_AIR
    | (_COMPARED - _OF_THE_PART)
    | {"floats", "support off the bed", "support layers missing", "starved", "walls"},
    "too low": frozenset({"left hot", "filament", "time", "not printed", "outline", "stray"}),
    "too high": _COMPARED | _IN_AIR | {"floats"},
    "support shifted": (_COMPARED - _OF_THE_PART)
    | _IN_AIR
    | _TOUCHING
    | {"support off the bed", "support layers missing", "overlap", "crossed"},
    "overlap": _AMOUNTS | _IN_AIR | _TOUCHING | {"stray", "outline", "side gap"}
    | {"support layers missing", "support off the bed", "spacing", "interface", "filament"},
    "support off the bed": _IN_AIR | {"unsupported", "barely supported", "filament", "time", "floats"},
    "support layers missing": _IN_AIR
    | {"gap", "unsupported", "barely supported", "floats", "filament", "time"},
    "unsupported": _IN_AIR | {"filament", "time"},
    "barely supported": _IN_AIR | {"filament", "time"},
    "no gap": frozenset({"fused on top"}),
    "interface": _IN_AIR | {"barely supported", "gap"},
    "spacing": frozenset({"interface", "filament", "time"}),
    "stray": frozenset({"side gap", "filament", "time"}),
    "fast walls": frozenset({"time"}),
    "speed unset": frozenset({"too slow", "time"}),
    "waits": frozenset({"time"}),
    "too fast": frozenset({"fast walls", "time", "fast over air"}),
    "ploughs": frozenset({"strikes", "laid twice", "overfed"}),
    "overfed": frozenset(
        {"laid twice", "ploughs", "fused below", "fused on top", "gap", "no gap", "side gap", "filament"}
    ),
    "laid twice": frozenset({"overfed", "floats"}),
    "floats": _IN_AIR | {"outline"},
    "on nothing": (_IN_AIR - {"on nothing"}) | _TOUCHING_LOWER,
    "after the end": frozenset(),
    "nozzle heat": frozenset(),
    "bed heat": frozenset(),
    "fan": frozenset({"fan over air"}),
    "starved": frozenset({"starts in air", "ends in air", "overhang", "thick layer", "barely supported"}),
    "crossed": frozenset({"overfed", "laid twice", "ploughs"}),
}  # fmt: skip
"""What follows from a kind of finding, wherever both are met; earlier ones come first among equals."""

_MAY_SHOW = frozenset(
    {"interface", "spacing", "support shifted", "outline", "skin", "fill", "walls"}
)  # where a caution
_LAST = frozenset({"filament", "time"})  # what is wrong shows in them, but not what it is
_ORDER = {kind: k for k, kind in enumerate(FOLLOWS)}


_NEAR_MM = 5.0  # around a cause that has a place, within which something may follow from it


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Numbered from 1: the worst first, among equals what holds for the whole program, then causes, then the
    kinds most is met of.

    What follows from another finding becomes a note that says so.
    """
    every = list(findings)
    by_kind: dict[str, list[Finding]] = {}
    for f in every:
        by_kind.setdefault(f.kind, []).append(f)
    causes_of = [_cause_of(f, by_kind) if f.level.rank > 0 else "" for f in every]
    _break_rounds(every, causes_of)
    folded = [
        replace(f, level=FindingLevel.NOTE, follows=cause) if cause else f
        for f, cause in zip(every, causes_of, strict=True)
    ]
    folded = _as_grave_as_what_follows(folded, every)
    causes = {f.follows for f in folded}
    extent: dict[tuple[str, int], int] = {}
    for f in folded:
        extent[f.kind, f.level.rank] = extent.get((f.kind, f.level.rank), 0) + f.count
    order = sorted(
        folded,
        key=lambda f: (
            -f.level.rank,
            f.kind in _LAST,
            f.place is not None,  # what holds for all of the program comes first
            _ORDER.get(f.kind, len(_ORDER)) if f.kind in causes or f.place is None else len(_ORDER),
            -extent[f.kind, f.level.rank] if f.place is not None else 0,
            f.kind,
            f.place.lines[0] if f.place else (f.lines[0] if f.lines else 0),
        ),
    )
    return tuple(replace(f, number=k) for k, f in enumerate(order, 1))


def _as_grave_as_what_follows(folded: list[Finding], every: list[Finding]) -> list[Finding]:
    """A cause that holds for the whole program, and would only show, weighs what it brings about."""
    gravest: dict[str, FindingLevel] = {}
    for now, was in zip(folded, every, strict=True):
        if now.follows and was.level.rank > gravest.get(now.follows, FindingLevel.NOTE).rank:
            gravest[now.follows] = was.level
    return [
        replace(f, level=gravest[f.kind])
        if not f.follows
        and f.place is None
        and f.kind not in _MAY_SHOW
        and f.kind in gravest
        and 0 < f.level.rank < gravest[f.kind].rank
        else f
        for f in folded
    ]


def _break_rounds(every: list[Finding], causes_of: list[str]) -> None:
    """See that what follows leads back to something told: of findings that follow from each other in a
    round the gravest kind, the earliest of these, is told.
    """
    while True:
        told = {f.kind for f, cause in zip(every, causes_of, strict=True) if not cause}
        more = told
        while more:
            more = {f.kind for f, c in zip(every, causes_of, strict=True) if c in told} - told
            told |= more
        lost = [f for f, cause in zip(every, causes_of, strict=True) if cause and cause not in told]
        if not lost:
            return
        first = min(lost, key=lambda f: (-f.level.rank, _ORDER.get(f.kind, len(_ORDER)))).kind
        for k, f in enumerate(every):
            if f.kind == first:
                causes_of[k] = ""


def _cause_of(f: Finding, by_kind: Mapping[str, list[Finding]]) -> str:
    """The kind of the first cause that it may follow from; a cause that has a place reaches only what lies
    over, under or near it.
    """
    for kind, follow in FOLLOWS.items():
        lower = kind == "on nothing" and f.kind in _TOUCHING_LOWER
        for cause in by_kind.get(kind, ()) if kind != f.kind and f.kind in follow else ():
            if _near(f, cause) and (not lower or _hung_before(cause, f)) and not _the_other_way(cause, f):
                return kind
    return ""


def _the_other_way(cause: Finding, f: Finding) -> bool:
    """Whether it is rather the cause that follows, or none: of two that follow from each other the earlier
    counts. Strands overfed here and there are no cause; those of a whole class are.
    """
    if cause.kind == "overfed" and cause.place is not None:
        return True
    if cause.kind in _MISREAD and cause.count < _MANY_LINES:
        return True
    if cause.kind in _MAY_SHOW and f.level.rank > cause.level.rank:
        return True  # what may show does not explain what will not come out
    mutual = cause.kind in FOLLOWS.get(f.kind, ()) and not (f.kind == "overfed" and f.place is not None)
    return mutual and _ORDER[f.kind] < _ORDER[cause.kind]


def _hung_before(cause: Finding, f: Finding) -> bool:
    """Whether strands hung higher up, before it, where the head comes by lower down."""
    a, b = cause.place, f.place
    return a is not None and b is not None and a.lines[0] <= b.lines[0] and a.z_mm > b.z_mm + 1e-6


def _near(f: Finding, cause: Finding) -> bool:
    if f is cause or f.place is None or cause.place is None:
        return f is not cause
    ax0, ay0, ax1, ay1 = f.place.box_mm
    bx0, by0, bx1, by1 = cause.place.box_mm
    apart = max(ax0 - bx1, bx0 - ax1, ay0 - by1, by0 - ay1)
    return apart <= _NEAR_MM


def grouped(findings: Iterable[Finding]) -> tuple[Group, ...]:
    """Findings of one kind and level together, in their order; the first of each speaks for all."""
    groups: dict[tuple[str, FindingLevel], list[Finding]] = {}
    for f in findings:
        if not f.follows:
            groups.setdefault((f.kind, f.level), []).append(f)
    return tuple(_group(members) for members in groups.values())


def _group(members: list[Finding]) -> Group:
    first = members[0]
    says = first.says
    if len(members) > 1:
        says += f"; the same at {len(members) - 1} more place{'s' if len(members) > 2 else ''}"
    return Group(first.kind, first.level, says, first.cure, tuple(f.number for f in members))


_WORDS = ("nothing", "this", "these two", "these three", "these four", "these five")


def answer(findings: tuple[Finding, ...], *, as_planned: bool) -> Answer:
    """Print it, look at some things first, or do not print it; with the reasons, five at most."""
    groups = grouped(findings)
    weighty = [g for g in groups if g.level.rank >= FindingLevel.FAULT.rank]
    shown = (weighty or [g for g in groups if g.level is FindingLevel.CAUTION])[:MOST_GROUPS]
    folded = len(findings) - sum(len(g.findings) for g in shown)
    if any(g.level is FindingLevel.RUIN for g in groups):
        return Answer(Decision.DO_NOT, f"Do not print this: {groups[0].says}.", tuple(shown), folded)
    if weighty:
        what = _WORDS[len(weighty)] if len(weighty) < len(_WORDS) else f"these {len(weighty)} things"
        why = "; ".join(g.says for g in weighty[:2])
        return Answer(Decision.LOOK, f"Look at {what} before you print: {why}.", tuple(shown), folded)
    says = "Print it: it does what the plan asks for." if as_planned else "Print it: no problem found."
    if shown:
        many = "one thing" if len(shown) == 1 else f"{len(groups_of_caution(groups))} things"
        says = f"Print it: no problem found that spoils it, though {many} may show."
    return Answer(Decision.PRINT, says, tuple(shown), folded)


def groups_of_caution(groups: Iterable[Group]) -> list[Group]:
    return [g for g in groups if g.level is FindingLevel.CAUTION]
