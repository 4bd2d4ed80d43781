"""The log density of readings: physics in, graded outcomes and measured droop out; with exact derivatives.

The unknowns z are standard normals a priori. A parameter of a cell (printer, material, strand) is its centre
plus a sum of offsets sd·z, so parameters are linear in z and everything that is not linear lies in the laws
of ``droop``. Readings depend on their cell's parameters through a few *predictors* each; the likelihood of
predictors is differentiated by hand, predictors by complex steps (exact to rounding).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import sparse

from falsework.coupon.reading import Kind
from falsework.droop.bond import log_bond
from falsework.droop.bridge import sag_mm
from falsework.droop.outcome import (
    bridge_quality,
    carried_quality,
    finish_cuts,
    let_go_cuts,
    overhang_quality,
)
from falsework.droop.overhang import ledge_mm
from falsework.droop.parameters import LEVELS, NAMES, PRIORS, Parameters
from falsework.droop.strand import Array
from falsework.droop.supported import settled_mm
from falsework.tuning.evidence import NOT_READ, Cell, Evidence, Floats, Laid, any_laid

FREEDOM = 4.0  # degrees of freedom of Student's t: a slipped caliper now and then; constructed
_FAR = 40.0  # stands for infinity on the scale of logits
_ROWS = 256  # readings differentiated at once, to stay within the cache
_STEP = 1e-30

Column = tuple[str, str, str]  # parameter, level, key of the group ('' for all)


@dataclass(frozen=True, eq=False)
class Outcome:
    """What the laws predict for conditions: qualities with their cuts, and the median droop with its error.

    ``bond`` is None where there is no support.
    """

    finish: Array
    droop_mm: Array
    error_mm2: Array  # variance of the error of a measured droop
    bond: Array | None = None


def outcome(laid: Laid, p: Parameters, by_layers: Array) -> Outcome:
    """Outcomes of conditions (n,) under parameters that broadcast with them."""
    strand = laid.strand
    if laid.kind is Kind.OVERHANG:
        droop = ledge_mm(laid.share * strand.width_mm, strand, p)
        error = np.exp(2 * p.log_error) + np.exp(2 * p.log_error_ledge) * droop**2
        return Outcome(overhang_quality(laid.share, strand, p), droop, error)
    if laid.kind is Kind.BRIDGE:
        droop = sag_mm(laid.run_mm, strand, p)
        return Outcome(bridge_quality(droop, strand, p), droop, _error(droop, p))
    droop = settled_mm(laid.gap_mm, laid.run_mm, laid.between_mm, strand, p)
    bond = log_bond(laid.gap_mm, laid.run_mm, laid.top, strand, p, by_layers)
    return Outcome(carried_quality(droop, bond, laid.top, strand, p), droop, _error(droop, p), bond)


def _error(droop: Array, p: Parameters) -> Array:
    return np.exp(2 * p.log_error) + np.exp(2 * p.log_error_share) * droop**2


def key_of(level: str, cell: Cell) -> str:
    """By what an offset of this level is shared."""
    printer, material, (width, height) = cell
    return {
        "common": "",
        "printer": printer,
        "material": material,
        "both": f"{printer}\n{material}",
        "strand": f"{printer}\n{material}\n{width:g}x{height:g}",
    }[level]


def columns_of(cells: Sequence[Cell]) -> list[Column]:
    """The unknowns z that these cells bring with them; the common ones always."""
    columns: dict[Column, None] = {}
    for level in LEVELS:
        keys = [""] if level == "common" else dict.fromkeys(key_of(level, cell) for cell in cells)
        for key in keys:
            for name in NAMES:
                if getattr(PRIORS[name], level) > 0:
                    columns[name, level, key] = None
    return list(columns)


def map_of(cells: Sequence[Cell], columns: Sequence[Column]) -> Any:
    """Sparse (cells · parameters, columns): the offsets' standard deviations, one row a cell's parameter."""
    place = {column: k for k, column in enumerate(columns)}
    rows, at, sds = [], [], []
    for c, cell in enumerate(cells):
        for level in LEVELS:
            key = key_of(level, cell)
            for n, name in enumerate(NAMES):
                column = place.get((name, level, key))
                if column is not None:
                    rows.append(c * len(NAMES) + n)
                    at.append(column)
                    sds.append(getattr(PRIORS[name], level))
    return sparse.csr_array((sds, (rows, at)), shape=(len(cells) * len(NAMES), len(columns)))


class Density:
    """Log density of the unknowns z given readings, up to a constant, for either law of the gap.

    ``cells`` and ``evidence`` as gathered; ``columns`` name the unknowns.
    """

    def __init__(self, cells: Sequence[Cell], evidence: Sequence[Evidence]) -> None:
        self.cells, self.evidence = list(cells), list(evidence)
        self.columns = columns_of(cells)
        self.map = map_of(self.cells, self.columns)
        self._centres = np.tile([PRIORS[name].centre for name in NAMES], len(self.cells))

    def parameters(self, z: Floats) -> Floats:
        """(cells, parameters) at z."""
        values: Floats = (self._centres + self.map @ z).reshape(len(self.cells), len(NAMES))
        return values

    def value(self, z: Floats, by_layers: bool) -> float:
        """The log density."""
        at = self.parameters(z)
        total = -0.5 * float(z @ z)
        for part in self.evidence:
            values = at[part.cell]
            p = Parameters(**{name: values[:, k] for k, name in enumerate(NAMES)})
            total += float(_likelihood(_predictors(part.laid, p, by_layers, part), part).value.sum())
        return total

    def expanded(self, z: Floats, by_layers: bool) -> tuple[float, Floats, Floats]:
        """Log density, its gradient (d,), and the information (d, d): minus its second derivative but for
        the curvature of the predictors, so that it is positive definite everywhere."""
        count = len(NAMES)
        at = self.parameters(z)
        value = -0.5 * float(z @ z)
        slope = np.zeros((len(self.cells), count))
        weight = np.zeros((len(self.cells), count, count))
        for part in self.evidence:
            asked = np.array(_asked(part.laid.kind))
            for rows in _blocks(part.cell):
                some = _chosen(part, rows)
                term, slopes = _differentiated(some, at[some.cell], asked, by_layers)
                value += float(term.value.sum())
                cell = some.cell[0]
                slope[cell, asked] += np.einsum("amn,mn->a", slopes, term.first)
                half = np.einsum("amn,mkn->akn", slopes, term.second)
                weight[np.ix_([cell], asked, asked)] += np.tensordot(half, slopes, axes=([1, 2], [1, 2]))
        gradient = self.map.T @ slope.ravel() - z
        blocks = sparse.block_diag(list(weight), format="csr") if len(self.cells) else None
        information = np.eye(len(z))
        if blocks is not None:
            information += (self.map.T @ blocks @ self.map).toarray()
        return value, gradient, information


def _blocks(cell: Any) -> list[slice]:
    """Runs of rows of one cell, at most ``_ROWS`` long."""
    edges = np.flatnonzero(np.diff(cell, prepend=-1, append=-1))
    return [
        slice(start, min(start + _ROWS, int(end)))
        for first, end in pairwise(edges)
        for start in range(int(first), int(end), _ROWS)
    ]


def _chosen(part: Evidence, rows: slice) -> Evidence:
    return Evidence(
        part.laid.rows(rows), part.cell[rows], part.let_go[rows], part.finish[rows], part.droop_mm[rows]
    )


@cache
def _asked(kind: Kind) -> tuple[int, ...]:
    """Places in ``NAMES`` of the parameters that the laws of a kind ask for."""
    names: set[str] = set()

    class Asked:
        def __getattr__(self, name: str) -> float:
            names.add(name)
            return PRIORS[name].centre

    asked: Any = Asked()
    graded = np.zeros(1, dtype=np.int64)
    _predictors(any_laid(kind), asked, False, Evidence(any_laid(kind), graded, graded, graded, np.zeros(1)))
    return tuple(k for k, name in enumerate(NAMES) if name in names)


def _differentiated(part: Evidence, values: Floats, asked: Any, by_layers: bool) -> tuple[_Term, Floats]:
    """The likelihood of rows, and their predictors' derivatives (asked, predictors, rows)."""
    stepped: dict[str, Any] = {name: values[:, k] for k, name in enumerate(NAMES)}
    for row, k in enumerate(asked):
        step = np.zeros((len(asked), 1), dtype=np.complex128)
        step[row] = _STEP * 1j
        stepped[NAMES[k]] = values[:, k] + step
    predictors = _predictors(part.laid, Parameters(**stepped), by_layers, part)
    slopes = np.stack([np.broadcast_to(np.imag(v), (len(asked), len(values))) for v in predictors], axis=1)
    real = [np.broadcast_to(np.real(v), (len(asked), len(values)))[0] for v in predictors]
    return _likelihood(real, part), slopes / _STEP


def _predictors(laid: Laid, p: Parameters, by_layers: bool, read: Evidence) -> list[Array]:
    """Per reading: upper and lower cut of its finish less the quality, median droop, log variance of its
    error, and for supports upper and lower cut of the let-go."""
    found = outcome(laid, p, by_layers)
    edges = [*_edges(finish_cuts(p), found.finish, read.finish), found.droop_mm, np.log(found.error_mm2)]
    if found.bond is not None:
        edges += _edges(let_go_cuts(p), -found.bond, read.let_go)
    return edges


def _edges(cuts: tuple[Array, ...], quality: Array, grade: Any) -> list[Array]:
    distance = [cut - quality for cut in cuts]
    upper = sum(np.where(grade == r, distance[r], 0.0) for r in range(4)) + np.where(grade > 3, _FAR, 0.0)
    lower = sum(np.where(grade == r + 1, distance[r], 0.0) for r in range(4)) - np.where(grade < 1, _FAR, 0.0)
    return [upper, lower]


@dataclass(frozen=True, eq=False)
class _Term:
    """Log likelihood of rows (n,), first (predictors, n) and minus second derivatives (predictors,
    predictors, n), the latter expected ones for the droop."""

    value: Floats
    first: Floats
    second: Floats


def _likelihood(predictors: Sequence[Floats], part: Evidence) -> _Term:
    count, n = len(predictors), len(part.cell)
    value, first, second = np.zeros(n), np.zeros((count, n)), np.zeros((count, count, n))
    _graded(value, first, second, 0, predictors, part.finish)
    _measured(value, first, second, 2, predictors, part.droop_mm)
    if count > 4:
        _graded(value, first, second, 4, predictors, part.let_go)
    return _Term(value, first, second)


def _graded(
    value: Floats, first: Floats, second: Floats, at: int, predictors: Sequence[Floats], grade: Any
) -> None:
    """log(σ(u) − σ(l)) = log σ(u) + log σ(−l) + log(1 − e^(l − u)): concave in u and l together."""
    read = grade != NOT_READ
    upper, lower = predictors[at], predictors[at + 1]
    apart = np.maximum(upper - lower, 1e-9)
    above, below = 1.0 / (1.0 + np.exp(upper)), 1.0 / (1.0 + np.exp(-lower))
    between = 1.0 / np.expm1(apart)
    value += np.where(
        read, -np.logaddexp(0.0, -upper) - np.logaddexp(0.0, lower) + np.log(-np.expm1(-apart)), 0.0
    )
    first[at] = np.where(read, above + between, 0.0)
    first[at + 1] = np.where(read, -below - between, 0.0)
    curve = between * (1.0 + between)
    second[at, at] = np.where(read, above * (1.0 - above) + curve, 0.0)
    second[at + 1, at + 1] = np.where(read, below * (1.0 - below) + curve, 0.0)
    second[at, at + 1] = second[at + 1, at] = np.where(read, -curve, 0.0)


def _measured(
    value: Floats, first: Floats, second: Floats, at: int, predictors: Sequence[Floats], droop: Floats
) -> None:
    """Student's t with its scale's log variance as the second predictor."""
    read = ~np.isnan(droop)
    rest = np.where(read, droop - predictors[at], 0.0)
    variance = np.exp(predictors[at + 1])
    pull = (FREEDOM + 1) / (FREEDOM * variance + rest**2)
    tail = np.log1p(rest**2 / (FREEDOM * variance))
    value += np.where(read, -0.5 * predictors[at + 1] - 0.5 * (FREEDOM + 1) * tail, 0.0)
    first[at] = pull * rest
    first[at + 1] = np.where(read, 0.5 * pull * rest**2 - 0.5, 0.0)
    second[at, at] = np.where(read, (FREEDOM + 1) / ((FREEDOM + 3) * variance), 0.0)
    second[at + 1, at + 1] = np.where(read, FREEDOM / (2 * (FREEDOM + 3)), 0.0)
