"""From a posterior to the ``Belief`` that plan and release use."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from falsework.droop.belief import DRAWS, PRIOR, Belief, Seen
from falsework.droop.parameters import LEVELS, NAMES, PRIORS, Parameters
from falsework.process.settings import Material
from falsework.tuning.evidence import Floats, ReadingOrigin
from falsework.tuning.model import key_of
from falsework.tuning.posterior import Posterior

_SEED = 20260801
_NEW = (0.0, 0.0)  # a strand never laid
_TO_COME = "\n"  # no print is named so


def belief_of(
    posterior: Posterior,
    printer: str,
    material: Material,
    *,
    draws: int = DRAWS,
    seed: int = _SEED,
    one_print: bool = False,
) -> Belief:
    """What is believed of a printer and a material, seen together, apart, or never.

    ``one_print``: of what will be read of one print to come. What that print has of its own is then in each
    draw, the same for all its readings, instead of in their scatter, and what is drawn anew for a prediction
    is left out: readings have it each for itself. The draws are the same worlds either way.

    Examples
    --------
    >>> import falsework
    >>> found = falsework.fit_readings([], {})
    >>> belief = falsework.belief_of(found, "mole", falsework.Material(), draws=200)
    >>> isinstance(belief, falsework.Belief)
    True
    """
    if posterior.count == 0:
        return PRIOR if draws >= DRAWS else _thinned(PRIOR, draws)
    z, by_layers = posterior.draws(draws, seed)
    place = {column: k for k, column in enumerate(posterior.columns)}
    rng = np.random.default_rng(seed + 1)
    levels = tuple(level for level in LEVELS if not (one_print and level == "anew"))
    own = np.random.default_rng(seed + 2)
    fresh: dict[tuple[str, str, str], Floats] = {}

    def offset(name: str, level: str, cell: ReadingOrigin) -> Floats | float:
        sd, key = PRIORS[name].spread(level), key_of(level, cell)
        if sd == 0 or key is None:
            return 0.0
        column = (name, level, key)
        if column in place:
            return sd * z[:, place[column]]
        if column not in fresh:
            half = (own if level == "print" else rng).standard_normal((draws + 1) // 2)
            half /= np.sqrt(np.mean(half**2))
            fresh[column] = np.concatenate([half, -half])[:draws]
        return sd * fresh[column]

    graders = {name: _of_the_house(name, posterior, z) for name in NAMES if PRIORS[name].grader > 0}

    def values(name: str, strand: tuple[float, float], levels: tuple[str, ...]) -> Floats:
        cell = ReadingOrigin(printer, material.name, strand, print=_TO_COME if one_print else "")
        total = PRIORS[name].centre + PRIORS[name].lean + sum(offset(name, level, cell) for level in levels)
        total = total + graders.get(name, 0.0)
        # rounded so that the order in which a library adds does not show
        return np.round(np.broadcast_to(total, (draws,)), 9)

    known = sorted(
        {
            strand
            for _, level, key in posterior.columns
            if level == "strand" and (strand := _strand(key, printer, material.name)) is not None
        }
    )
    special = [name for name in NAMES if PRIORS[name].spread("strand") > 0]
    seen = posterior.seen.get((printer, material.name), Seen())
    return Belief(
        of_any_print(Parameters(**{name: values(name, _NEW, levels) for name in NAMES}), one_print),
        by_layers,
        {strand: {name: values(name, strand, levels) for name in special} for strand in known},
        seen,
        _words(seen, posterior, printer, material.name),
    )


def of_any_print(p: Parameters, one_print: bool = False) -> Parameters:
    """The same where it is not known in which print a support will stand and who will judge it: what differs
    from print to print (unless all are of one) and from one to the other adds to the scatter from support to
    support.

    A logistic and a normal scatter together count as a logistic one of the same variance.
    """
    bond = PRIORS["bond"]
    added = 3.0 / np.pi**2 * ((0.0 if one_print else bond.print**2) + bond.grader**2)
    scatter = 0.5 * np.log(np.exp(2.0 * p.log_bond_scatter) + added)
    return replace(p, log_bond_scatter=np.round(scatter, 9))


def _of_the_house(name: str, posterior: Posterior, z: Floats) -> Floats | float:
    """What those who grade have in common: their offsets' mean, in draws ``z``. It is the standard by which
    parts of this house are judged, as one grader alone is its standard. Each counts the same: what one has
    graded alone leaves open what the others would have said, and the mean is as uncertain as that."""
    columns = [k for k, (own, level, _) in enumerate(posterior.columns) if (own, level) == (name, "grader")]
    if not columns:
        return 0.0
    mean: Floats = PRIORS[name].grader * z[:, columns].mean(axis=1)
    return mean


def _thinned(belief: Belief, draws: int) -> Belief:
    """Fewer draws of the same, in mirrored pairs as they were made."""
    half = len(belief.by_layers) // 2
    kept = np.concatenate([np.arange(draws - draws // 2), half + np.arange(draws // 2)])
    some = Parameters(**{name: getattr(belief.draws, name)[kept] for name in NAMES})
    return Belief(some, belief.by_layers[kept], {}, belief.seen, belief.rests_on)


def _strand(key: str, printer: str, material: str) -> tuple[float, float] | None:
    """The strand of a key of that level, if it is of this printer and material."""
    start = f"{printer}\n{material}\n"
    if not key.startswith(start):
        return None
    width, height = key[len(start) :].split("x")
    return float(width), float(height)


def _words(seen: Seen, posterior: Posterior, printer: str, material: str) -> str:
    if not seen.count:
        made_up = any(others.invented for others in posterior.seen.values())
        others = f"{_counted(posterior.count)} of others{', some invented' if made_up else ''}"
        return f"no reading of {printer} × {material}; {others}"
    invented = ", invented" if seen.invented else ""
    return f"{_counted(seen.count)} of {printer} × {material}{invented}"


def _counted(count: int) -> str:
    return f"{count} reading" if count == 1 else f"{count} readings"
