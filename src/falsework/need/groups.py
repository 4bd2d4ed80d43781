"""Values of many items reduced over the groups they belong to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.layers.stack import Floats, Indices


@dataclass(frozen=True, eq=False)
class Groups:
    """Items (N,) that each belong to one of ``count`` groups; ``owner`` (N,) says to which."""

    owner: Indices
    count: int

    def total(self, value: Floats) -> Floats:
        """(count,) sums."""
        sums: Floats = np.bincount(self.owner, weights=value, minlength=self.count).astype(np.float64)
        return sums

    def most(self, value: NDArray, floor: float) -> NDArray:
        """(count,) greatest values, at least ``floor``."""
        out = np.full(self.count, floor, dtype=value.dtype)
        np.maximum.at(out, self.owner, value)
        return out

    def least(self, value: NDArray, ceiling: float) -> NDArray:
        """(count,) least values, at most ``ceiling``."""
        out = np.full(self.count, ceiling, dtype=value.dtype)
        np.minimum.at(out, self.owner, value)
        return out

    def any(self, flag: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(count,) whether any item of the group has the flag."""
        found: NDArray[np.bool_] = np.bincount(self.owner[flag], minlength=self.count) > 0
        return found

    def first_by(self, key: Floats) -> Indices:
        """(count,) each group's item of least key, the earlier one among equals. No group may be empty."""
        order = np.lexsort((np.arange(len(key)), key, self.owner))
        lead: Indices = order[np.flatnonzero(np.diff(self.owner[order], prepend=-1))]
        return lead

    def median(self, value: Floats, weight: Floats) -> Floats:
        """(count,) weighted medians; nan where a group has no weight."""
        counts = weight > 0
        order = np.lexsort((value[counts], self.owner[counts]))
        owner = self.owner[counts][order]
        value, weight = value[counts][order], weight[counts][order]
        total = np.bincount(owner, weights=weight, minlength=self.count)
        running = np.cumsum(weight) - np.concatenate([[0.0], np.cumsum(total)])[owner]
        out = np.full(self.count, np.nan)
        past = np.flatnonzero(running >= 0.5 * total[owner])[::-1]
        out[owner[past]] = value[past]  # backwards: of several writes the first past the half stays
        return out
