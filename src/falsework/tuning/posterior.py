"""``Posterior``: what a fit found, as plain arrays, to be stored and read back."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import softmax

from falsework.droop.belief import Seen
from falsework.droop.bond import LAWS
from falsework.errors import FalseworkError
from falsework.tuning.evidence import Floats
from falsework.tuning.model import Column, columns_of

SCHEMA = "falsework.fit/1"


class Mode(NamedTuple):
    """A normal density of the unknowns under one law: mean (d,), covariance (d, d), log evidence up to a
    constant that the laws share."""

    mean: Floats
    covariance: Floats
    log_evidence: float


@dataclass(frozen=True, eq=False)
class Posterior:
    """What readings taught: a normal density of the unknowns for each law of the gap, and the laws' chances.

    Attributes
    ----------
    columns : the unknowns: parameter, level, and by what it is shared ('' for all).
    modes : one for each of ``LAWS``. weights : their probabilities.
    seen : where the readings of each (printer, material) lie. count : how many readings.
    """

    columns: tuple[Column, ...]
    modes: tuple[Mode, ...]
    weights: tuple[float, ...]
    seen: Mapping[tuple[str, str], Seen]
    count: int

    @staticmethod
    def of(
        columns: Sequence[Column],
        modes: Sequence[Mode],
        seen: Mapping[tuple[str, str], Seen],
        count: int,
    ) -> Posterior:
        """From modes, the laws weighed by their evidence (equal chances before any reading)."""
        weights = softmax([mode.log_evidence for mode in modes])
        return Posterior(tuple(columns), tuple(modes), tuple(float(w) for w in weights), seen, count)

    @property
    def names(self) -> tuple[str, ...]:
        """The unknowns' names, 'parameter' or 'parameter[level key]'."""
        return tuple(
            name if level == "common" else f"{name}[{level} {key.replace(chr(10), ', ')}]"
            for name, level, key in self.columns
        )

    @property
    def groups(self) -> tuple[tuple[str, str], ...]:
        """The printers and materials that were seen together."""
        return tuple(self.seen)

    @property
    def layers_law(self) -> float:
        """Probability that the gap counts in layers, against clearance."""
        return self.weights[LAWS.index("layers")]

    @property
    def mean(self) -> Floats:
        """(d,) mean of the unknowns over both laws."""
        mean: Floats = sum(w * m.mean for w, m in zip(self.weights, self.modes, strict=True))  # type: ignore[assignment]
        return mean

    @property
    def covariance(self) -> Floats:
        """(d, d) covariance of the unknowns over both laws."""
        middle = self.mean
        total = np.zeros((len(middle), len(middle)))
        for weight, mode in zip(self.weights, self.modes, strict=True):
            away = mode.mean - middle
            total += weight * (mode.covariance + np.outer(away, away))
        return total

    def draws(self, n: int, seed: int) -> tuple[Floats, np.typing.NDArray[np.bool_]]:
        """(n, d) draws of the unknowns, and for each whether the gap counts in layers (n,).

        Mirrored pairs around each mode; laws in proportion to their chances.
        """
        rng = np.random.default_rng(seed)
        pairs = max(n // 2, 1)
        by_layers = np.arange(pairs) >= round(pairs * self.weights[0])
        half = rng.standard_normal((pairs, len(self.columns)))
        half /= np.sqrt(np.mean(half**2, axis=0))
        out = np.empty((2 * pairs, len(self.columns)))
        for law, mode in enumerate(self.modes):
            mine = by_layers == bool(law)
            away = half[mine] @ np.linalg.cholesky(mode.covariance).T
            out[:pairs][mine], out[pairs:][mine] = mode.mean + away, mode.mean - away
        return out[:n], np.tile(by_layers, 2)[:n]

    def to_json(self) -> str:
        """The posterior as text of schema ``falsework.fit/1``; figures to nine digits."""
        lower = np.tril_indices(len(self.columns))
        return json.dumps(
            {
                "schema": SCHEMA,
                "count": self.count,
                "columns": self.columns,
                "weights": dict(zip(LAWS, self.weights, strict=True)),
                "modes": {
                    law: {
                        "mean": _figures(mode.mean),
                        "covariance": _figures(mode.covariance[lower]),
                        "log_evidence": mode.log_evidence,
                    }
                    for law, mode in zip(LAWS, self.modes, strict=True)
                },
                "seen": [
                    {
                        "printer": printer,
                        "material": material,
                        "height_mm": seen.height_mm,
                        "width_mm": seen.width_mm,
                        "invented": seen.invented,
                    }
                    for (printer, material), seen in self.seen.items()
                ],
            },
            separators=(",", ":"),
        )

    @staticmethod
    def from_json(text: str) -> Posterior:
        """The posterior back from its text; FalseworkError where it is none."""
        try:
            read = json.loads(text)
            if read["schema"] != SCHEMA:
                raise ValueError(f"schema {read['schema']}")
            columns = tuple((name, level, key) for name, level, key in read["columns"])
            modes = tuple(
                _mode(
                    len(columns),
                    read["modes"][law]["mean"],
                    read["modes"][law]["covariance"],
                    float(read["modes"][law]["log_evidence"]),
                )
                for law in LAWS
            )
            seen = {
                (one["printer"], one["material"]): Seen(
                    {k: tuple(v) for k, v in one["height_mm"].items()},
                    {k: tuple(v) for k, v in one["width_mm"].items()},
                    bool(one["invented"]),
                )
                for one in read["seen"]
            }
            weights = tuple(float(read["weights"][law]) for law in LAWS)
            return Posterior(columns, modes, weights, seen, int(read["count"]))
        except (KeyError, TypeError, ValueError, AttributeError) as wrong:
            raise FalseworkError(
                "the stored fit", f"cannot be read ({wrong})", "Fit the readings again"
            ) from wrong


def _figures(values: Floats) -> list[float]:
    return [float(f"{v:.12g}") for v in values]


def _mode(count: int, mean: Sequence[float], lower: Sequence[float], log_evidence: float) -> Mode:
    covariance = np.zeros((count, count))
    covariance[np.tril_indices(count)] = lower
    covariance += np.tril(covariance, -1).T
    middle = np.array(mean, dtype=np.float64)
    if middle.shape != (count,):
        raise ValueError("a mean of the wrong length")
    return Mode(middle, covariance, log_evidence)


def _prior() -> Posterior:
    columns = columns_of([])
    mode = Mode(np.zeros(len(columns)), np.eye(len(columns)), 0.0)
    return Posterior.of(columns, [mode, mode], {}, 0)


PRIOR_POSTERIOR = _prior()
