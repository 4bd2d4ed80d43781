"""``Posterior``: what a fit found, as draws, to be stored and read back."""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.droop.belief import Seen, paired_normals
from falsework.errors import FalseworkError
from falsework.tuning.evidence import Floats
from falsework.tuning.model import Column, columns_of
from falsework.tuning.stored import SCHEMA

_PRIOR_DRAWS = 1000
_SEED = 20260731


@dataclass(frozen=True, eq=False)
class Posterior:
    """What readings taught: S equally likely sets of the unknowns, and the laws' chances.

    Attributes
    ----------
    columns : the d unknowns: parameter, level, and by what it is shared ('' for all).
    sets : (S, d), standard normal before any reading. by_layers : (S,) whether in a set the gap counts in
        layers. layers_law : the probability of that, against clearance.
    seen : where the readings of each (printer, material) lie. count : how many readings.

    Examples
    --------
    >>> import falsework
    >>> found = falsework.fit_readings([], {})
    >>> isinstance(found, falsework.Posterior), found.count
    (True, 0)
    """

    columns: tuple[Column, ...]
    sets: Floats
    by_layers: NDArray[np.bool_]
    layers_law: float
    seen: Mapping[tuple[str, str], Seen]
    count: int

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
    def mean(self) -> Floats:
        """(d,) mean of the unknowns."""
        mean: Floats = self.sets.mean(axis=0)
        return mean

    @property
    def covariance(self) -> Floats:
        """(d, d) covariance of the unknowns."""
        return np.atleast_2d(np.cov(self.sets, rowvar=False))

    def draws(self, n: int, seed: int) -> tuple[Floats, NDArray[np.bool_]]:
        """(n, d) of the sets and their laws (n,): all of them, or so many at random."""
        if n == len(self.sets):
            return self.sets, self.by_layers
        rng = np.random.default_rng(seed)
        chosen = np.sort(rng.choice(len(self.sets), n, replace=n > len(self.sets)))
        return self.sets[chosen], self.by_layers[chosen]

    def to_json(self) -> str:
        """The posterior as text of schema ``falsework.fit/2``; the sets in single precision, packed."""
        packed = zlib.compress(self.sets.astype("<f4").T.tobytes(), 1)
        return json.dumps(
            {
                "schema": SCHEMA,
                "count": self.count,
                "columns": self.columns,
                "layers_law": self.layers_law,
                "by_layers": int(self.by_layers.sum()),
                "sets": base64.b64encode(packed).decode(),
                "seen": [
                    {
                        "printer": printer,
                        "material": material,
                        "strands": seen.strands,
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
            columns = tuple((str(name), str(level), str(key)) for name, level, key in read["columns"])
            packed = zlib.decompress(base64.b64decode(read["sets"], validate=True))
            sets = np.frombuffer(packed, dtype="<f4").reshape(len(columns), -1).T.astype(np.float64)
            count = len(sets)
            by_layers = np.arange(count) >= count - int(read["by_layers"])
            seen = {(one["printer"], one["material"]): _seen(one) for one in read["seen"]}
            return Posterior(columns, sets, by_layers, float(read["layers_law"]), seen, int(read["count"]))
        except (KeyError, TypeError, ValueError, AttributeError, zlib.error) as wrong:
            raise FalseworkError(
                "the stored fit", f"cannot be read ({wrong})", "Fit the readings again"
            ) from wrong


def _seen(one: Any) -> Seen:
    strands = {
        str(kind): tuple((float(h), float(w), int(n)) for h, w, n in places)
        for kind, places in one["strands"].items()
    }
    return Seen(strands, bool(one["invented"]))


def _prior() -> Posterior:
    columns = tuple(columns_of([]))
    by_layers = np.arange(_PRIOR_DRAWS) >= _PRIOR_DRAWS // 2
    return Posterior(columns, paired_normals(_PRIOR_DRAWS, len(columns), _SEED), by_layers, 0.5, {}, 0)


PRIOR_POSTERIOR = _prior()
