"""The planning of a part for people who write Python: keywords, of which the request is made."""

from __future__ import annotations

from pathlib import Path
from typing import Unpack

from falsework.part.part import Part
from falsework.planning.pipeline import inspect_for, plan_for, totals_for
from falsework.planning.value import Inspection, Plan, Totals
from falsework.process.settings import Process
from falsework.request.options import Options, PlacingOptions, request_of


def plan(
    part: Part | str | Path,
    process: Process | str | Path = "pla-0.4",
    *,
    release: bool = True,
    **options: Unpack[Options],
) -> Plan:
    """Plan one part: what it needs, where supports stand, how they are built, what it all costs.

    Parameters
    ----------
    part : a ``Part`` or the path of a mesh file.
    process : a ``Process``, the name of a built-in one, or the path of a TOML file.
    standing : 'leave', 'bed', 'bed-or-part', or 'auto' to choose for each underside by ``weights``.
    overrules : standings that the user sets by underside number, whatever ``standing`` says.
    turn_deg : rotation about x, then y, then z; the part is then put on the bed, centred.
    lie : 'as-is', or 'auto' to search for the best way to lay the part down and turn it so; then ``turn_deg``
        is not to be given, and ``lies`` of the plan holds what was found. ``show`` (faces to keep clean) and
        ``load_axis`` matter to that search alone: see :func:`falsework.best_orientations`.
    spare : faces that no support may touch, in the part's own frame: none stands on them, and undersides on
        them are left, those that lie on them altogether unless ``overrules`` says otherwise.
    scale, unit : factor on the size; unit of a file that carries none ('mm', 'inch', …).
    release : whether to judge how the supports come off; that takes about as long as all the rest.
    belief : parameters of the droop model.
    watch : progress and cancel. store : keeps results of steps, so that a second plan repeats only
        what a changed setting touches. cores : processor cores used at most.

    Raises
    ------
    PartError, ProcessError : the input cannot be planned; the message says why and what to do.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> found = falsework.plan(table(), standing="bed", release=False)
    >>> found.standing, len(found.undersides)
    ('bed', 1)
    """
    return plan_for(*request_of(part, process, options), release=release)


def totals(
    part: Part | str | Path, process: Process | str | Path = "pla-0.4", **options: Unpack[Options]
) -> Totals:
    """What every standing would cost, by columns, without building anything; as in :func:`plan`.

    With a ``store`` that has seen the part, this takes a moment whatever the standings.
    """
    return totals_for(*request_of(part, process, options))


def inspect(
    part: Part | str | Path, process: Process | str | Path = "pla-0.4", **options: Unpack[PlacingOptions]
) -> Inspection:
    """The health of a mesh and its need alone; parameters and errors as in :func:`plan`.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> [round(underside.area_mm2) for underside in falsework.inspect(table()).undersides]
    [3744]
    """
    return inspect_for(*request_of(part, process, options))
