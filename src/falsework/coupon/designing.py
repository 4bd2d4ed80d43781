"""``design``: from a kind of test piece and a process to the piece itself, within limits of time and mass."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from falsework.cost import part_cost
from falsework.cost.cost import Cost
from falsework.coupon.checking import check_conditions
from falsework.coupon.conditions import candidate_conditions
from falsework.coupon.geometry import CouponGeometry, PrintedPiece
from falsework.coupon.guide import calipers, differing, look, notes
from falsework.coupon.layout import Layout, laid_out, plate
from falsework.coupon.lettering import CODE_SIGNS, LABELS
from falsework.coupon.reading import Condition, ConditionKind
from falsework.coupon.shapes import CellSolid, draft_of, lettered
from falsework.coupon.sizes import Sizes, sizes_of
from falsework.coupon.supports import Built, built, layers_of, part_of
from falsework.coupon.value import COMMON_LIMITS, Batch, Cell, Coupon, CouponKind, LeftOut, PieceLimits, Shape
from falsework.documents import encode
from falsework.droop.belief import PRIOR, Belief
from falsework.droop.laws import Laws
from falsework.errors import ProcessError
from falsework.part.part import Part
from falsework.process.settings import Process
from falsework.version import __version__
from falsework.watch import QUIET, Watch

_SHAPES = {
    ConditionKind.OVERHANG: Shape.FIN,
    ConditionKind.BRIDGE: Shape.RUNG,
    ConditionKind.SUPPORT: Shape.ROOF,
}
_LEADING = {
    CouponKind.OVERHANG: "F",
    CouponKind.BRIDGE: "L",
    CouponKind.GAP: "G",
    CouponKind.WEAVE: "P",
    CouponKind.CONFIRM: "C",
}
_CODE_LENGTH = 4
_SHUFFLES = 20
_BLANK_CODE = "W" * (_CODE_LENGTH + 1)  # as much room as any code takes


class _Choice(NamedTuple):
    """A cell that may be built; ``words`` tell it from the others."""

    condition: Condition
    shape: Shape
    words: str


class _Made(NamedTuple):
    """One batch: its cells in place, its body and what it takes."""

    body: PrintedPiece
    cells: tuple[Cell, ...]
    size_mm: tuple[float, float, float]
    cost: Cost


def design_coupon(
    kind: CouponKind,
    process: Process,
    belief: Belief = PRIOR,
    *,
    seed: int = 0,
    limits: PieceLimits = COMMON_LIMITS,
    watch: Watch = QUIET,
    cells: Sequence[Condition] | None = None,
) -> Coupon:
    """A test piece for ``process``, ready to be written.

    ``cells`` are the conditions to try, the most wanted first; by default those of
    :func:`candidate_conditions`, whose ranges follow from ``belief``. As many as ``limits`` and
    the bed allow are built, those after the first that does not fit only where they cost
    less; the rest is listed in ``left_out``. ``seed`` shuffles their places, so that what varies over the bed
    or during the print does not pass for an effect. Each fan share that the cells ask for is a batch of its
    own, as fans are set for a whole print.

    Supports come from the generator of real plans, for each cell's own part and structure.

    Raises ``ProcessError`` where a condition does not belong to this piece or process, cannot be realised in
    whole layers, or not even one cell fits the limits and the bed.

    Examples
    --------
    >>> import falsework
    >>> piece = falsework.design_coupon("overhang-fan", falsework.load_process("pla-0.4"), seed=3)
    >>> [cell.label for cell in piece.cells][:3], piece.grams <= piece.most_grams
    (['A', 'B', 'C'], True)
    """
    kind, laws = CouponKind(kind), Laws(process, belief)
    wanted = list(candidate_conditions(kind, laws) if cells is None else cells)
    check_conditions(kind, wanted, process)
    choices = _shaped(kind, wanted)
    sizes = sizes_of(wanted, laws)
    # a second strip joins the posts where all runs are alike, so that it is straight
    joined = kind in (CouponKind.GAP, CouponKind.WEAVE) and len({c.span_mm for c in wanted}) == 1
    watch.at("building cells", 0.0)
    ready: list[tuple[_Choice, Built]] = []
    for number, choice in enumerate(choices):
        watch.at("building cells", 0.7 * number / len(choices))
        ready.append((choice, built(draft_of(choice.condition, choice.shape, sizes, joined), process)))

    kept, left = _fitting(ready, sizes, joined, limits)
    while True:
        watch.at("joining cells", 0.75)
        conditions = tuple(choice.condition for choice, _ in kept)
        code = _code(kind, process, conditions, seed, limits.minutes, limits.grams, tuple(left))
        made = _batches(kept, code, sizes, joined, seed)
        total = sum((batch.cost for batch in made), Cost())
        over = _over(total, limits)
        if not over:
            break
        left.append(LeftOut(kept[-1][0].words, over))
        kept = kept[:-1]
        if not kept:
            raise _nothing_fits(kind, over)
    several = len(made) > 1
    watch.at("done", 1.0)
    return Coupon(
        kind=kind,
        code=code,
        seed=seed,
        process=process,
        cells=tuple(cell for batch in made for cell in batch.cells),
        batches=tuple(
            Batch(
                name=f"fan-{100 * fan:g}" if several else "",
                code=_batch_code(code, number, several),
                fan=fan,
                size_mm=batch.size_mm,
                minutes=batch.cost.time_s / 60.0,
                grams=batch.cost.mass_g,
            )
            for number, (fan, batch) in enumerate(zip(_fans(kept), made, strict=True))
        ),
        minutes=total.time_s / 60.0,
        grams=total.mass_g,
        most_minutes=limits.minutes,
        most_grams=limits.grams,
        left_out=tuple(left),
        notes=notes(process, conditions),
        geometry=CouponGeometry(tuple(batch.body for batch in made)),
    )


def _shaped(kind: CouponKind, wanted: Sequence[Condition]) -> list[_Choice]:
    """What each cell is built like. On the confirmation piece supported cells are ledge and peg in turn."""
    choices, supported = [], 0
    for condition, words in zip(wanted, differing(wanted)[0], strict=True):
        shape = _SHAPES[condition.kind]
        if kind is CouponKind.CONFIRM and condition.kind is ConditionKind.SUPPORT:
            shape = (Shape.LEDGE, Shape.PEG)[supported % 2]
            supported += 1
        choices.append(_Choice(condition, shape, words))
    return choices


def _fans(kept: Sequence[tuple[_Choice, Built]]) -> list[float]:
    """The fan shares of the batches, in the order in which the cells ask for them."""
    return list(dict.fromkeys(choice.condition.fan for choice, _ in kept))


def _fitting(
    ready: Sequence[tuple[_Choice, Built]],
    sizes: Sizes,
    joined: bool,
    limits: PieceLimits,
) -> tuple[list[tuple[_Choice, Built]], list[LeftOut]]:
    """The cells that stay within the limits and on the bed, taken in their order, and those left out."""
    kept: list[tuple[_Choice, Built]] = []
    left: list[LeftOut] = []
    reasons = ""
    total = Cost()
    for choice, cell in ready:
        trial = [*kept, (choice, cell)]
        reason = _over(total + cell.cost, limits)
        if len(trial) > len(LABELS):
            reason = "there are no more letters for labels"
        elif not reason and not all(
            laid_out([c.draft for o, c in trial if o.condition.fan == fan], _BLANK_CODE, sizes, joined)
            for fan in _fans(trial)
        ):
            reason = "the bed has no room for it"
        if reason:
            reasons = reasons or reason
            left.append(LeftOut(choice.words, reason))
        else:
            kept, total = trial, total + cell.cost
    if not kept:
        raise _nothing_fits(None, reasons)
    return kept, left


def _over(total: Cost, limits: PieceLimits) -> str:
    """Which limit a piece of that cost would break, '' if none."""
    if total.time_s > 60.0 * limits.minutes:
        return f"with it the piece would take {total.time_s / 60:.1f} min, more than {limits.minutes:g}"
    if total.mass_g > limits.grams:
        return f"with it the piece would take {total.mass_g:.1f} g, more than {limits.grams:g}"
    return ""


def _nothing_fits(kind: CouponKind | None, reason: str) -> ProcessError:
    return ProcessError(
        kind.value if kind else "test piece",
        f"not even one cell can be built: {reason}",
        "Allow more minutes or grams, or take thicker layers or a larger bed",
    )


def _code(kind: CouponKind, *told: object) -> str:
    """A short name that two pieces hardly ever share unless all that is ``told`` about them is the same."""
    text = repr((kind.value, __version__, encode(told)))
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")
    code = _LEADING[kind]
    while len(code) < _CODE_LENGTH:
        number, sign = divmod(number, len(CODE_SIGNS))
        code += CODE_SIGNS[sign]
    return code


def _batch_code(code: str, number: int, several: bool) -> str:
    return f"{code}{number + 1}" if several else code


def _batches(
    kept: Sequence[tuple[_Choice, Built]], code: str, sizes: Sizes, joined: bool, seed: int
) -> list[_Made]:
    """Every batch with its cells shuffled, labelled in the order of their places, and joined."""
    shuffler = random.Random(seed)
    labels = iter(LABELS)
    fans = _fans(kept)
    out = []
    for number, fan in enumerate(fans):
        mine = [(choice, cell) for choice, cell in kept if choice.condition.fan == fan]
        own_code = _batch_code(code, number, len(fans) > 1)
        in_turn, layout = list(mine), None
        for _ in range(_SHUFFLES):  # columns of unlike cells do not take every order
            shuffler.shuffle(mine)
            layout = laid_out([cell.draft for _, cell in mine], own_code, sizes, joined)
            if layout is not None:
                break
        else:
            mine = in_turn
            layout = laid_out([cell.draft for _, cell in mine], own_code, sizes, joined)
        assert layout is not None  # in this order they were found to fit
        named = [(next(labels), choice, cell) for choice, cell in mine]
        out.append(_made(named, layout, own_code, number, replace(sizes.process, fan=fan), sizes))
    return out


def _made(
    named: Sequence[tuple[str, _Choice, Built]],
    layout: Layout,
    code: str,
    number: int,
    process: Process,
    sizes: Sizes,
) -> _Made:
    from manifold3d import Manifold, OpType

    printer = process.printer
    (x0, y0), _ = layout.plate_mm
    corner = np.array(
        [
            0.5 * (printer.build_width_mm - layout.size_mm[0]) - x0,
            0.5 * (printer.build_depth_mm - layout.size_mm[1]) - y0,
            0.0,
        ]
    )
    solids = [plate(layout, code, sizes)]
    cells, meshes = [], []
    for (label, choice, cell), place in zip(named, layout.places_mm, strict=True):
        at = np.array([*place, 0.0])
        solids.append(lettered(cell.draft, label, sizes).translate(tuple(at)))
        meshes.append((label, cell, at + corner))
        cells.append(_cell(label, choice, cell.draft, number, at + corner, sizes))
    whole = Manifold.batch_boolean(solids, OpType.Add).translate(tuple(corner))
    part = part_of(f"test piece {code}", whole)
    cost = part_cost(layers_of(part, process), process)[0]
    for _, cell, _ in meshes:
        if cell.scheme is not None:
            cost = sum((piece.cost for piece in cell.scheme.pieces), cost)
    size = (float(part.size_mm[0]), float(part.size_mm[1]), float(part.size_mm[2]))
    return _Made(_body(part, meshes), tuple(cells), size, cost)


def _cell(label: str, choice: _Choice, draft: CellSolid, batch: int, at: np.ndarray, sizes: Sizes) -> Cell:
    low, high = draft.low_mm + sizes.strip, draft.high_mm
    return Cell(
        label=label,
        condition=choice.condition,
        shape=choice.shape,
        batch=batch,
        middle_mm=(float(at[0] + 0.5 * (low + high)), float(at[1])),
        size_mm=(high - low, draft.wide_mm),
        look=look(choice.shape),
        calipers=calipers(choice.shape),
        nominal_mm=draft.nominal_mm,
    )


def _body(part: Part, meshes: Sequence[tuple[str, Built, np.ndarray]]) -> PrintedPiece:
    """The part with all supports in its frame, pieces numbered through."""
    vertices, faces, pieces = [np.empty((0, 3))], [np.empty((0, 3), np.int32)], [np.empty(0, np.int64)]
    owners: list[str] = []
    count = 0
    for label, cell, at in meshes:
        if cell.scheme is None:
            continue
        faces.append((cell.scheme.faces + count).astype(np.int32))
        vertices.append(cell.vertices_mm + at)
        pieces.append(cell.scheme.face_piece + len(owners))
        owners += [label] * len(cell.scheme.pieces)
        count += len(cell.vertices_mm)
    return PrintedPiece(
        part,
        np.concatenate(vertices),
        np.concatenate(faces),
        np.concatenate(pieces),
        tuple(owners),
    )
