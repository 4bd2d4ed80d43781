"""The log density of readings: physics in, graded outcomes and measured droop out; with exact derivatives.

The unknowns z are standard normals a priori. A parameter of a cell (printer, material, strand) is its centre
plus a sum of offsets sd·z (sd·sinh z of what an event changed), so parameters are all but linear in z and
everything that is not linear lies in the laws of ``droop``. Readings depend on their cell's parameters
through a few *predictors* each; the likelihood of predictors is differentiated by hand, predictors by complex
steps (exact to rounding).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np

from falsework.coupon.reading import ConditionKind
from falsework.droop.bond import log_bond
from falsework.droop.bridge import sag_mm
from falsework.droop.outcome import (
    BOND_READ,
    SCRAPED,
    Grading,
    bridge_quality,
    carried_quality,
    finish_grading,
    let_go_grading,
    overhang_quality,
)
from falsework.droop.overhang import ledge_mm
from falsework.droop.parameters import LEVELS, NAMES, PRIORS, Parameters
from falsework.droop.smooth import logistic, softplus
from falsework.droop.strand import Array
from falsework.droop.supported import settled_mm
from falsework.tuning.evidence import (
    NOT_READ,
    Evidence,
    Floats,
    Indices,
    LaidConditions,
    ReadingOrigin,
    any_laid,
)

CENTRES = [PRIORS[name].centre + PRIORS[name].lean for name in NAMES]
FREEDOM = 4.0  # degrees of freedom of Student's t: a slipped caliper now and then; constructed
OUTLIERS = 0.04  # share of grades that say nothing: wrong cell, wrong word, a knock; constructed
_FAR = 40.0  # stands for infinity on the scale of logits
_ROWS = 256  # readings differentiated at once, to stay within the cache
_STEP = 1e-30
_BOND_READ = np.array(BOND_READ)
_SOUND = np.log1p(-OUTLIERS)
_BY_CHANCE = {0: np.log(OUTLIERS / 5), 4: np.log(OUTLIERS / 6)}  # of a finish, of a let-go

Column = tuple[str, str, str]  # parameter, level, key of the group ('' for all)


@dataclass(frozen=True, eq=False)
class PredictedOutcome:
    """What the laws predict for conditions: qualities with their cuts, and the median droop with its error.

    ``bond`` is None where there is no support.
    """

    finish: Array
    droop_mm: Array
    error_mm2: Array  # variance of the error of a measured droop
    bond: Array | None = None


def outcome(
    laid: LaidConditions, p: Parameters, by_layers: Array, let_go: Indices | None = None
) -> PredictedOutcome:
    """Outcomes of conditions (n,) under parameters that broadcast with them.

    ``let_go`` (n,): how supports came off, where that was read, else ``NOT_READ``. Their scars are then those
    of that, not of what supports hold on the average: a support that stuck by chance is scarred by the same
    chance, and a finish that follows from the let-go tells nothing more of the bond.
    """
    strand = laid.strand
    if laid.kind is ConditionKind.OVERHANG:
        droop = ledge_mm(laid.share * strand.width_mm, strand, p)
        error = np.exp(2 * p.log_error) + np.exp(2 * p.log_error_ledge) * droop**2
        return PredictedOutcome(overhang_quality(laid.share, strand, p) - p.strictness, droop, error)
    if laid.kind is ConditionKind.BRIDGE:
        droop = sag_mm(laid.run_mm, strand, p)
        return PredictedOutcome(bridge_quality(droop, strand, p) - p.strictness, droop, _error(droop, p))
    droop = settled_mm(laid.gap_mm, laid.run_mm, laid.between_mm, strand, p)
    bond = log_bond(laid.gap_mm, laid.run_mm, laid.top, strand, p, by_layers)
    held = bond
    if let_go is not None:
        held = np.where(let_go == NOT_READ, bond, SCRAPED + _BOND_READ[np.maximum(let_go, 0)])
    finish = carried_quality(droop, held, laid.top, strand, p) - p.strictness
    return PredictedOutcome(finish, droop, _error(droop, p), bond)


def _error(droop: Array, p: Parameters) -> Array:
    return np.exp(2 * p.log_error) + np.exp(2 * p.log_error_share) * droop**2


def read_error_mm2(found: PredictedOutcome, kind: ConditionKind) -> Array:
    """Variance of a reading's droop about the median: the error of measuring, and of bridges what the laws
    get wrong from case to case, which parameters in a fit do not hold."""
    if kind is not ConditionKind.BRIDGE:
        return found.error_mm2
    return found.error_mm2 + (PRIORS["log_sag"].anew * found.droop_mm) ** 2


def key_of(level: str, cell: ReadingOrigin) -> str | None:
    """By what an offset of this level is shared; None where the cell has none."""
    width, height = cell.strand
    return {
        "common": "",
        "printer": cell.printer,
        "material": cell.material,
        "both": f"{cell.printer}\n{cell.material}",
        "strand": f"{cell.printer}\n{cell.material}\n{width:g}x{height:g}",
        "era": f"{cell.printer}\n{cell.era}" if cell.era else None,
        "print": cell.print or None,
        "grader": cell.grader or None,
        "anew": "",
    }[level]


def columns_of(cells: Sequence[ReadingOrigin]) -> list[Column]:
    """The unknowns z that these cells bring with them; the common ones always."""
    columns: dict[Column, None] = {}
    for level in LEVELS[:-1]:  # what is drawn anew cannot be learned
        keys = [""] if level == "common" else dict.fromkeys(key_of(level, cell) for cell in cells)
        for key in keys:
            for name in NAMES:
                if key is not None and PRIORS[name].spread(level) > 0:
                    columns[name, level, key] = None
    return list(columns)


def map_of(cells: Sequence[ReadingOrigin], columns: Sequence[Column]) -> Any:
    """Sparse (cells · parameters, columns): the offsets' standard deviations, one row a cell's parameter."""
    from scipy import sparse

    place = {column: k for k, column in enumerate(columns)}
    rows, at, sds = [], [], []
    for c, cell in enumerate(cells):
        for level in LEVELS:
            key = key_of(level, cell)
            for n, name in enumerate(NAMES):
                column = None if key is None else place.get((name, level, key))
                if column is not None:
                    rows.append(c * len(NAMES) + n)
                    at.append(column)
                    sds.append(PRIORS[name].spread(level))
    return sparse.csr_array((sds, (rows, at)), shape=(len(cells) * len(NAMES), len(columns)))


def of_spreads(z: Floats, columns: Sequence[Column]) -> Floats:
    """The unknowns (d, …) in their levels' standard deviations: as they are, but what an event changed by
    its hyperbolic sine. Most events change little and now and then one changes all: tails as heavy as those
    let the data say which, so that the drift is fitted; a normal one would hold to what was before."""
    drifts = drifts_of(columns)
    found = np.array(z)
    found[drifts] = np.sinh(z[drifts])
    return found


def drifts_of(columns: Sequence[Column]) -> Any:
    """(d,) whether an unknown is what an event changed."""
    return np.array([level == "era" for _, level, _ in columns], dtype=bool)


class Density:
    """Log density of the unknowns z given readings, up to a constant, for either law of the gap.

    ``cells`` and ``evidence`` as gathered; ``columns`` name the unknowns. Derivatives are taken cell by cell;
    values, of which far more are asked, of all cells of a strand at once.
    """

    def __init__(self, cells: Sequence[ReadingOrigin], evidence: Sequence[Evidence]) -> None:
        self.cells = list(cells)
        self.blocks = [part.rows(rows) for part in evidence for rows in _blocks(part.cell)]
        self.rows = sum(len(block.cell) for block in self.blocks)
        first: dict[tuple[str, str, tuple[float, float]], int] = {}
        strand = np.array([first.setdefault(cell[:3], k) for k, cell in enumerate(cells)], dtype=np.int64)
        runs = [part.rows(rows) for part in evidence for rows in _blocks(strand[part.cell])]
        self._runs = [(run, _told_apart([cells[k] for k in np.unique(run.cell)])) for run in runs]
        self.columns = columns_of(cells)
        self.map = map_of(self.cells, self.columns)
        self._drifts = drifts_of(self.columns)
        self._centres = np.tile(CENTRES, len(self.cells))

    def parameters(self, z: Floats) -> Floats:
        """(cells, parameters, …) at z (d, …)."""
        centres = self._centres.reshape(-1, *[1] * (z.ndim - 1))
        values: Floats = (centres + self.map @ of_spreads(z, self.columns)).reshape(
            len(self.cells), len(NAMES), *z.shape[1:]
        )
        return values

    def values(self, z: Floats, by_layers: bool) -> Floats:
        """(c,) log density at each of many places (c, d)."""
        at = self.parameters(z.T)
        total: Floats = -0.5 * np.einsum("cd,cd->c", z, z)
        for run, apart in self._runs:
            one = at[run.cell[0]]
            p = Parameters(
                **{
                    name: np.ascontiguousarray(at[run.cell, k].T) if name in apart else one[k][:, None]
                    for k, name in enumerate(NAMES)
                }
            )
            total += _likelihood(_predictors(run, p, by_layers), run, (len(z), len(run.cell))).sum(1)
        return total

    def expanded(self, z: Floats, by_layers: bool) -> tuple[float, Floats, Floats]:
        """Log density, its gradient (d,), and the information (d, d): minus its second derivative but for
        the curvature of the predictors, so that it is positive definite everywhere."""
        count = len(NAMES)
        at = self.parameters(z)
        value = -0.5 * float(z @ z)
        slope = np.zeros((len(self.cells), count))
        weight = np.zeros((len(self.cells), count, count))
        for block in self.blocks:
            cell, asked = block.cell[0], np.array(_asked(block.laid.kind))
            predictors, slopes = _differentiated(block, at[cell], asked, by_layers)
            first, second = _derivatives(predictors, block)
            value += float(_likelihood(predictors, block, (len(block.cell),)).sum())
            slope[cell, asked] += np.einsum("amn,mn->a", slopes, first)
            half = np.einsum("amn,mkn->akn", slopes, second)
            weight[np.ix_([cell], asked, asked)] += np.tensordot(half, slopes, axes=([1, 2], [1, 2]))
        chain = np.where(self._drifts, np.cosh(z), 1.0)
        gradient = chain * (self.map.T @ slope.ravel()) - z
        information = np.eye(len(z))
        if len(self.cells):
            from scipy import sparse

            blocks = sparse.block_diag([sparse.coo_array(cell) for cell in weight], format="csr")
            information += chain * (self.map.T @ blocks @ self.map).toarray() * chain[:, None]
        return value, gradient, information


def _blocks(cell: Any) -> list[slice]:
    """Runs of rows of one cell (or of what it is one of), at most ``_ROWS`` long."""
    edges = np.flatnonzero(np.diff(cell, prepend=-1, append=-1))
    return [
        slice(start, min(start + _ROWS, int(end)))
        for first, end in pairwise(edges)
        for start in range(int(first), int(end), _ROWS)
    ]


def _told_apart(cells: Sequence[ReadingOrigin]) -> frozenset[str]:
    """The parameters that differ among cells of one printer, material and strand: by print, grader or era."""
    levels = [
        level
        for level in ("era", "print", "grader")
        if any(getattr(cell, level) != getattr(cells[0], level) for cell in cells)
    ]
    return frozenset(name for name in NAMES if any(PRIORS[name].spread(level) > 0 for level in levels))


@cache
def _asked(kind: ConditionKind) -> tuple[int, ...]:
    """Places in ``NAMES`` of the parameters that the laws of a kind ask for."""
    names: set[str] = set()

    class Asked:
        def __getattr__(self, name: str) -> float:
            names.add(name)
            return PRIORS[name].centre

    asked: Any = Asked()
    none = np.zeros(1, dtype=np.int64)
    _predictors(Evidence(any_laid(kind), none, none, none, none, np.zeros(1), np.ones(1)), asked, False)
    return tuple(k for k, name in enumerate(NAMES) if name in names)


def _differentiated(
    block: Evidence, values: Floats, asked: Any, by_layers: bool
) -> tuple[list[Floats], Floats]:
    """Predictors of the rows of one cell, each (rows,), and their derivatives (asked, predictors, rows)."""
    stepped: dict[str, Any] = dict(zip(NAMES, values.tolist(), strict=True))
    for row, k in enumerate(asked):
        step = np.zeros((len(asked), 1), dtype=np.complex128)
        step[row] = _STEP * 1j
        stepped[NAMES[k]] = values[k] + step
    shape = (len(asked), len(block.cell))
    predictors = [np.broadcast_to(v, shape) for v in _predictors(block, Parameters(**stepped), by_layers)]
    slopes = np.stack([v.imag for v in predictors], axis=1)
    return [v[0].real for v in predictors], slopes / _STEP


def _predictors(read: Evidence, p: Parameters, by_layers: bool) -> list[Array]:
    """Per reading: upper and lower cut of its finish less the quality, median droop, log variance of its
    error, and for supports upper and lower cut of the let-go."""
    found = outcome(read.laid, p, by_layers, read.let_go)
    finish = _edges(finish_grading(p), found.finish, read.finish, read.finish)
    edges = [*finish, found.droop_mm, np.log(read_error_mm2(found, read.laid.kind))]
    if found.bond is not None:
        edges += _edges(let_go_grading(p), -found.bond, read.let_go, read.let_go_to)
    return edges


def _edges(grading: Grading, quality: Array, grade: Any, grade_to: Any) -> list[Array]:
    cuts = np.concatenate([np.atleast_1d(cut) for cut in grading.cuts], axis=-1)
    at, to, last = np.maximum(grade, 0), np.maximum(grade_to, 0), cuts.shape[-1]
    above = (cuts[..., np.minimum(to, last - 1)] - quality) / grading.scatter
    below = (cuts[..., np.maximum(at - 1, 0)] - quality) / grading.scatter
    return [np.where(to < last, above, _FAR), np.where(at > 0, below, -_FAR)]


def _likelihood(predictors: Sequence[Array], read: Evidence, shape: tuple[int, ...]) -> Floats:
    """Log likelihood of each reading, up to a constant."""
    total = np.zeros(shape)
    for at, grade in ((0, read.finish), (4, read.let_go)):
        if at < len(predictors):
            # log(σ(u) − σ(l)) = log σ(u) + log σ(−l) + log(1 − e^(l − u)): concave in u and l together
            upper, lower = predictors[at], predictors[at + 1]
            apart = np.maximum(upper - lower, 1e-9)
            log = np.log(-np.expm1(-apart)) - softplus(-upper) - softplus(lower)
            total += np.where(grade != NOT_READ, np.logaddexp(_SOUND + log, _BY_CHANCE[at]), 0.0)
    droop, log_variance = predictors[2], predictors[3]
    tail = np.log1p((read.droop_mm - droop) ** 2 * np.exp(-log_variance) / FREEDOM)
    total += np.where(np.isnan(read.droop_mm), 0.0, -0.5 * (log_variance + (FREEDOM + 1) * tail))
    return total * read.weight


def _derivatives(predictors: Sequence[Floats], read: Evidence) -> tuple[Floats, Floats]:
    """First (predictors, n) and minus second derivatives (predictors, predictors, n) of the log likelihood;
    of the droop the expected ones, which are never negative."""
    count, n = len(predictors), len(read.cell)
    first, second = np.zeros((count, n)), np.zeros((count, count, n))
    for at, grade in ((0, read.finish), (4, read.let_go)):
        if at < count:
            graded = grade != NOT_READ
            upper, lower = predictors[at], predictors[at + 1]
            above, below = logistic(-upper), logistic(lower)
            apart = np.maximum(upper - lower, 1e-9)
            log = np.log(-np.expm1(-apart)) - softplus(-upper) - softplus(lower)
            # an outlier pulls as little as it is likely to be none
            graded = graded * np.exp(_SOUND + log - np.logaddexp(_SOUND + log, _BY_CHANCE[at]))
            between = np.exp(-apart) / -np.expm1(-apart)
            curve = between * (1.0 + between)
            first[at], first[at + 1] = (above + between) * graded, (-below - between) * graded
            second[at, at] = (above * (1.0 - above) + curve) * graded
            second[at + 1, at + 1] = (below * (1.0 - below) + curve) * graded
            second[at, at + 1] = second[at + 1, at] = -curve * graded
    measured = ~np.isnan(read.droop_mm)
    rest = np.where(measured, read.droop_mm - predictors[2], 0.0)
    variance = np.exp(predictors[3])
    pull = (FREEDOM + 1) / (FREEDOM * variance + rest**2)
    first[2], first[3] = pull * rest, (0.5 * pull * rest**2 - 0.5) * measured
    second[2, 2] = (FREEDOM + 1) / ((FREEDOM + 3) * variance) * measured
    second[3, 3] = FREEDOM / (2 * (FREEDOM + 3)) * measured
    return first * read.weight, second * read.weight
