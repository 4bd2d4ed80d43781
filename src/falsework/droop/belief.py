"""``Belief``: what the model holds true, as a cloud of equally likely values of its parameters.

Every ``Estimate`` is the median and the 90 % interval of a law over the cloud, so that what belongs together
(a hotter melt with a tauter strand, say) stays together, for the prior as for what readings have taught.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from math import exp, hypot, log

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import Floats
from falsework.droop.parameters import NAMES, PRIORS, Parameters
from falsework.process.settings import Process

DRAWS = 1000
NEAR = 0.3  # how near a reading must be to count, in log layer height and log line width
ENOUGH = 4  # readings so near that make a prediction calibrated
_SEED = 20260731


@dataclass(frozen=True)
class Seen:
    """Where the readings of a printer and material lie: for each kind (overhang, bridge, support) the strands
    as (layer height, line width, how many readings), and whether any of them is made up."""

    strands: Mapping[str, tuple[tuple[float, float, int], ...]] = field(default_factory=dict)
    invented: bool = False

    @property
    def count(self) -> int:
        """How many readings."""
        return sum(n for strands in self.strands.values() for _, _, n in strands)

    def basis(self, kind: str, height_mm: float, width_mm: float) -> str:
        """'uncalibrated' without any reading of the kind, 'calibrated' with four of them within r = 0.3,
        r² = ln²(h'/h) + ln²(w'/w), else 'extrapolated'."""
        strands = self.strands.get(kind, ())
        if not strands:
            return "uncalibrated"
        near = sum(n for h, w, n in strands if hypot(log(h / height_mm), log(w / width_mm)) <= NEAR)
        return "calibrated" if near >= ENOUGH else "extrapolated"


@dataclass(frozen=True, eq=False)
class Belief:
    """A cloud of S equally likely sets of parameters.

    Attributes
    ----------
    draws : arrays (S,), for a strand never laid. ``by_layers`` (S,): whether the gap counts in layers.
    strands : for (width, height) that readings know, the parameters (S,) that are special to that strand.
    seen : where the readings lie on which it rests.
    rests_on : the same in words, for people.
    digest : of all but the words; two beliefs are equal when theirs are.

    Examples
    --------
    >>> import falsework
    >>> from falsework.droop.belief import PRIOR
    >>> isinstance(PRIOR, falsework.Belief), PRIOR.rests_on
    (True, '')
    """

    draws: Parameters
    by_layers: NDArray[np.bool_]
    strands: Mapping[tuple[float, float], Mapping[str, Floats]] = field(default_factory=dict)
    seen: Seen = Seen()
    rests_on: str = ""
    digest: str = field(init=False)

    def __post_init__(self) -> None:
        text = hashlib.sha256(self.by_layers.tobytes() + repr(self.seen).encode())
        for name in NAMES:
            text.update(np.asarray(getattr(self.draws, name)).tobytes())
        for strand, values in sorted(self.strands.items()):
            text.update(repr(strand).encode() + b"".join(values[name].tobytes() for name in sorted(values)))
        object.__setattr__(self, "digest", text.hexdigest()[:16])

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Belief) and self.digest == other.digest

    def __hash__(self) -> int:
        return hash(self.digest)

    def __repr__(self) -> str:
        return f"Belief({self.digest})"

    def basis(self, kind: str, process: Process) -> str:
        """On what a prediction for this process rests; see :class:`Seen`."""
        return self.seen.basis(kind, process.layer_height_mm, process.line_width_mm)

    def parameters(self, process: Process) -> Parameters:
        """The cloud for the strand of a process, arrays (S, 1)."""
        return _for_strand(self, process.line_width_mm, process.layer_height_mm)

    @property
    def layers_law_weight(self) -> float:
        """Probability that the gap counts in layers, against clearance."""
        return float(self.by_layers.mean())

    @property
    def clearance_factor(self) -> float:
        """k in the clearance e = g + h − k·d, its median."""
        return exp(float(np.median(self.draws.log_clearance)))


@lru_cache(maxsize=64)
def _for_strand(belief: Belief, width_mm: float, height_mm: float) -> Parameters:
    own = belief.strands.get((round(width_mm, 6), round(height_mm, 6)), {})
    return Parameters(**{name: own.get(name, getattr(belief.draws, name))[:, None] for name in NAMES})


def with_values(belief: Belief, **values: float) -> Belief:
    """The same belief with some parameters held at one value."""
    held = {name: np.full(len(belief.by_layers), value) for name, value in values.items()}
    kept = {name: getattr(belief.draws, name) for name in NAMES}
    strands = {at: {n: v for n, v in own.items() if n not in held} for at, own in belief.strands.items()}
    return Belief(Parameters(**{**kept, **held}), belief.by_layers, strands, belief.seen, belief.rests_on)


def with_law(belief: Belief, by_layers: bool) -> Belief:
    """The same belief if it were certain by which law the gap counts."""
    law = np.full(len(belief.by_layers), by_layers)
    return Belief(belief.draws, law, belief.strands, belief.seen, belief.rests_on)


def paired_normals(count: int, columns: int, seed: int) -> Floats:
    """(count, columns) standard normals in mirrored pairs (mean and median are exactly 0), variance 1."""
    half = np.random.default_rng(seed).standard_normal((count // 2, columns))
    half /= np.sqrt(np.mean(half**2, axis=0))
    return np.concatenate([half, -half])


def _prior() -> Belief:
    certain = {name: np.full(DRAWS, prior.centre) for name, prior in PRIORS.items() if prior.sd == 0}
    varied = [name for name in NAMES if name not in certain]  # the others are doubts alone
    z = paired_normals(DRAWS, len(varied), _SEED)
    draws = {name: PRIORS[name].centre + PRIORS[name].sd * z[:, k] for k, name in enumerate(varied)}
    draws |= certain
    quarter = np.arange(DRAWS) % (DRAWS // 2) % 2 == 1  # half of the mirrored pairs
    return Belief(Parameters(**draws), quarter)


PRIOR = _prior()
