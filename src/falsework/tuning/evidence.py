"""Readings and conditions as arrays: what the model's laws take in."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from falsework.arrays import Floats, Indices
from falsework.coupon.reading import LET_GO_GRADES, Condition, ConditionKind, LetGo, Reading
from falsework.droop.bond import Landing, coverage
from falsework.droop.strand import LaidStrands, strands
from falsework.errors import FalseworkError
from falsework.process.settings import Material

# what a reading that does not say was most likely printed like; from memory
USUAL_RUN_MM, USUAL_DENSE, USUAL_SPACING_NOZZLES = 20.0, 2, 5.0
NOT_READ = -1
MOST_PRINTS = 60  # the last so many prints are told apart; what older ones share counts as scatter
_FEWEST_ALIKE = 3  # readings of a print below which nothing can be said of what they share


class Taken(NamedTuple):
    """How a reading was taken: in which print, by whom, and how many events at the machine ago.

    '' where it is not known; ``era`` 0 is now.
    """

    print: str = ""
    grader: str = ""
    era: int = 0


class ReadingOrigin(NamedTuple):
    """Whose reading it is: printer, material, the strand laid (width, height in mm), and how it was taken."""

    printer: str
    material: str
    strand: tuple[float, float]
    era: int = 0
    print: str = ""
    grader: str = ""


@dataclass(frozen=True, eq=False)
class LaidConditions:
    """Conditions of one kind, arrays (n,) or (1,) for all: the strands, and what the kind tries.

    ``share`` of a line over air (overhang); ``run_mm`` between anchors (bridge, support); ``gap_mm``,
    ``top`` and ``between_mm``, the lines beneath (support).
    """

    kind: ConditionKind
    strand: LaidStrands
    share: Floats
    run_mm: Floats
    gap_mm: Floats
    top: Landing
    between_mm: Floats

    def rows(self, rows: slice) -> LaidConditions:
        """Some of the conditions. What is one value throughout becomes that value (1,): a law that depends on
        nothing else is then worked out once, not for each."""

        def cut(values: Floats) -> Floats:
            some = values[rows]
            return some[:1] if (some == some[:1]).all() else some

        return LaidConditions(
            self.kind,
            _of_each(self.strand, cut),
            cut(self.share),
            cut(self.run_mm),
            cut(self.gap_mm),
            _of_each(self.top, cut),
            cut(self.between_mm),
        )


def _of_each(arrays: Any, made: Callable[[Floats], Floats]) -> Any:
    """A dataclass of what is made of every array in one."""
    return type(arrays)(
        **{
            f.name: tuple(map(made, v)) if isinstance(v := getattr(arrays, f.name), tuple) else made(v)
            for f in dataclasses.fields(arrays)
        }
    )


def laid(
    kind: ConditionKind, conditions: Sequence[Condition], materials: Sequence[Material]
) -> LaidConditions:
    """Arrays of conditions of one kind, each with its material.

    Raises FalseworkError where a condition lacks what its kind needs.
    """

    def of(field: str, missing: float = np.nan) -> Floats:
        values = [getattr(c, field) for c in conditions]
        return np.array([missing if v is None else v for v in values], dtype=np.float64)

    _complete(kind, conditions)
    width, height = of("line_width_mm"), of("layer_height_mm")
    strand = strands(
        width,
        height,
        of("fan"),
        of("speed_mm_s"),
        of("nozzle_temperature_c"),
        of("room_temperature_c"),
        materials,
    )
    # a flat underside reaches as far as it likes: 89.9° stands for it
    share = height * np.tan(np.radians(np.minimum(of("angle_deg"), 89.9))) / width
    dense = of("interface_layers", USUAL_DENSE)
    spacing = of("spacing_mm")
    spacing = np.where(np.isnan(spacing), USUAL_SPACING_NOZZLES * of("nozzle_mm"), spacing)
    grid = np.array([float(c.weave == "crossed") for c in conditions])
    along = 1.0 - of("crossing_deg", 90.0) / 90.0
    top = Landing(coverage(width, spacing, dense, grid), dense, grid, of("perimeter_lines", 0.0), along)
    run = of("span_mm", USUAL_RUN_MM)
    return LaidConditions(
        kind, strand, share, run, of("air_gap_mm"), top, np.where(dense > 0, width, spacing)
    )


def any_laid(kind: ConditionKind) -> LaidConditions:
    """One ordinary condition of a kind, to try the laws on."""
    tried = Condition(kind, 0.4, 0.2, 0.45, 210.0, 1.0, 30.0, angle_deg=45.0, span_mm=20.0, air_gap_mm=0.4)
    return laid(kind, [tried], [Material()])


_NEEDED = {
    ConditionKind.OVERHANG: "angle_deg",
    ConditionKind.BRIDGE: "span_mm",
    ConditionKind.SUPPORT: "air_gap_mm",
}


def _complete(kind: ConditionKind, conditions: Sequence[Condition]) -> None:
    for condition in conditions:
        if getattr(condition, _NEEDED[kind]) is None:
            raise FalseworkError(
                f"a reading of kind {kind.value}", f"has no {_NEEDED[kind]}", "Correct or withdraw it"
            )


@dataclass(frozen=True, eq=False)
class Evidence:
    """Readings of one kind: how they were laid and what came out.

    ``cell`` (n,) index into the cells of the whole evidence; ``finish`` (n,) grades 0..4 and ``let_go``
    (n,) 0..5, ``NOT_READ`` where none; ``let_go_to`` (n,) the highest grade that the reading may mean;
    ``droop_mm`` (n,) NaN where none. ``weight`` (n,): by how much each counts.
    """

    laid: LaidConditions
    cell: Indices
    let_go: Indices
    let_go_to: Indices
    finish: Indices
    droop_mm: Floats
    weight: Floats

    def rows(self, rows: slice) -> Evidence:
        """Some of the readings."""
        return Evidence(
            self.laid.rows(rows),
            self.cell[rows],
            self.let_go[rows],
            self.let_go_to[rows],
            self.finish[rows],
            self.droop_mm[rows],
            self.weight[rows],
        )


def cell_of(printer: str, material: str, condition: Condition, taken: Taken | None = None) -> ReadingOrigin:
    """The cell of a reading; strands count as one to a nanometre."""
    strand = round(condition.line_width_mm, 6), round(condition.layer_height_mm, 6)
    how = taken or Taken()
    return ReadingOrigin(printer, material, strand, how.era, how.print, how.grader)


def gathered(
    readings: Sequence[Reading],
    materials: Mapping[str, Material],
    taken: Sequence[Taken] | None = None,
) -> tuple[list[ReadingOrigin], list[Evidence]]:
    """All cells in order of name, and the readings by kind, sorted by cell. ``taken``: how each was taken.

    Raises FalseworkError for a material without properties.
    """
    for reading in readings:
        if reading.material not in materials:
            raise FalseworkError(
                reading.material, "is no material of the ledger", "Add it with its properties, then fit again"
            )
    taken = taken or [Taken()] * len(readings)
    how, weight = told_apart(taken), _weights(readings, taken)
    of_reading = [cell_of(r.printer, r.material, r.condition, t) for r, t in zip(readings, how, strict=True)]
    cells = sorted(set(of_reading))
    place = {cell: k for k, cell in enumerate(cells)}
    found = []
    for kind in ConditionKind:
        some = [k for k, r in enumerate(readings) if r.condition.kind == kind]
        some.sort(key=lambda k: place[of_reading[k]])
        if some:
            mine = [readings[k] for k in some]
            found.append(
                Evidence(
                    laid(kind, [r.condition for r in mine], [materials[r.material] for r in mine]),
                    np.array([place[of_reading[k]] for k in some]),
                    np.array([_let_go(r.let_go)[0] for r in mine]),
                    np.array([_let_go(r.let_go)[1] for r in mine]),
                    np.array([NOT_READ if r.finish is None else r.finish - 1 for r in mine]),
                    np.array([np.nan if r.droop_mm is None else r.droop_mm for r in mine], dtype=np.float64),
                    weight[some],
                )
            )
    return cells, found


def _weights(readings: Sequence[Reading], taken: Sequence[Taken]) -> Floats:
    """(n,) one part of each reading to as many as judged the same cell: how that came out they have in
    common, and counted in full it would be read as often as it was looked at. How they differ is still told,
    if less surely (weights of a composite likelihood: Varin, Reid, Firth 2011, Statistica Sinica 21:5-42;
    from memory)."""
    cells = [(t.print, r.printer, r.material, r.condition) for r, t in zip(readings, taken, strict=True)]
    judged = Counter(cell for cell, _ in {(cell, t.grader) for cell, t in zip(cells, taken, strict=True)})
    return np.array([1.0 / judged[cell] if cell[0] else 1.0 for cell in cells])


def _let_go(word: LetGo | None) -> tuple[int, int]:
    """Lowest and highest grade that a word may mean."""
    if word is None:
        return NOT_READ, NOT_READ
    if word is LetGo.EARLY:
        return LET_GO_GRADES.index(LetGo.TOUCH), LET_GO_GRADES.index(LetGo.FELL)
    return LET_GO_GRADES.index(word), LET_GO_GRADES.index(word)


def told_apart(taken: Sequence[Taken]) -> list[Taken]:
    """The same without prints of too few readings or too long ago, and without graders where one alone read:
    his is the house's standard."""
    counts = Counter(t.print for t in taken if t.print)
    last = {t.print: k for k, t in enumerate(taken) if counts[t.print] >= _FEWEST_ALIKE}
    kept = set(sorted(last, key=lambda name: last[name])[-MOST_PRINTS:])
    several = len({t.grader for t in taken if t.grader}) > 1
    return [Taken(t.print if t.print in kept else "", t.grader if several else "", t.era) for t in taken]
