"""A ledger fitted, and what its fit believes of a printer and a material: for terminal, bench and Python.

What a reading counts for also hangs on how it was taken: readings of one print share what that print had,
graders differ, and what happened at the machine may have changed it.
"""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from falsework.droop.belief import PRIOR, Belief
from falsework.errors import FalseworkError
from falsework.process.settings import Material, Process
from falsework.tuning.evidence import Taken
from falsework.tuning.posterior import PRIOR_POSTERIOR, Posterior
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from falsework.ledger import Ledger, Print, PrinterEvent, Recorded

MOST_ERAS = 5  # events told apart; older readings count as of the oldest


@dataclass(frozen=True, eq=False)
class Fitted:
    """A posterior, the readings it rests on, and how each was taken, day included.

    Examples
    --------
    >>> import falsework
    >>> fitted = falsework.fit_ledger(None, falsework.load_process("pla-0.4"))
    >>> isinstance(fitted, falsework.Fitted), fitted.recorded
    (True, ())
    """

    posterior: Posterior = PRIOR_POSTERIOR
    recorded: tuple[Recorded, ...] = ()
    taken: tuple[Taken, ...] = ()
    days: tuple[datetime.date, ...] = ()
    events: tuple[PrinterEvent, ...] = ()
    materials: Mapping[str, Material] = field(default_factory=dict)


@dataclass(frozen=True)
class Held:
    """A belief from a stored fit; ``stale``: the ledger has changed since; ``unreadable``: why it is left
    aside, so that the prior stands, '' where it is not; ``pairs`` of printer and material that were read
    together, None where there is no fit."""

    belief: Belief = PRIOR
    pairs: tuple[tuple[str, str], ...] | None = None
    stale: bool = False
    unreadable: str = ""


def fit_ledger(
    ledger: Ledger | None,
    process: Process,
    *,
    since: datetime.date | None = None,
    keep: bool = True,
    watch: Watch = QUIET,
) -> Fitted:
    """The posterior of a ledger's readings, kept there for whoever predicts.

    A stored fit of the same readings is used again. ``since``: only what was printed from that day on counts;
    such a fit is not kept. ``keep`` False: the caller keeps it. Of a material that the ledger does not know,
    the process's own description is taken.

    Examples
    --------
    >>> import falsework
    >>> falsework.fit_ledger(None, falsework.load_process("pla-0.4")).recorded
    ()
    """
    if ledger is None:
        return Fitted()
    digest = ledger.readings_digest()  # before the readings: what is recorded meanwhile makes the fit old
    recorded, events = ledger.readings(), ledger.events()
    days = printed_days(recorded, ledger.prints())
    if since is not None:
        kept = [k for k, day in enumerate(days) if day >= since]
        recorded, days = [recorded[k] for k in kept], [days[k] for k in kept]
    taken = taken_of(recorded, days, events)

    materials = {process.material.name: process.material, **ledger.materials()}

    def found(posterior: Posterior) -> Fitted:
        return Fitted(posterior, tuple(recorded), tuple(taken), tuple(days), tuple(events), materials)

    stored = ledger.fit() if since is None else None
    if stored is not None and stored.digest == digest:  # a damaged one has none, and is made anew
        with contextlib.suppress(FalseworkError):  # of an older version: made anew
            return found(Posterior.from_json(stored.text))
    if not recorded:
        if stored is not None and keep:  # else what was withdrawn since would go on counting
            ledger.save_fit(PRIOR_POSTERIOR.to_json(), digest)
        return found(PRIOR_POSTERIOR)
    from falsework.tuning.fit import fit_readings  # most ask what was fitted, and load no statistics for it

    text = fit_readings([r.reading for r in recorded], materials, taken=taken, watch=watch).to_json()
    if since is None and keep:
        ledger.save_fit(text, digest)
    return found(Posterior.from_json(text))  # as it is stored, for the same figures each time


def belief_from_ledger(ledger: Ledger | None, process: Process) -> Held:
    """What a ledger's last fit holds of the process's printer and material, seen together, apart or never.

    Examples
    --------
    >>> import falsework
    >>> falsework.belief_from_ledger(None, falsework.load_process("pla-0.4")).belief.rests_on
    ''
    """
    stored = None if ledger is None else ledger.fit()
    if ledger is None or stored is None:
        return Held()
    from falsework.tuning.belief import belief_of

    if not stored.sound:
        return Held(unreadable="is damaged")
    try:
        posterior = Posterior.from_json(stored.text)
    except FalseworkError:
        return Held(unreadable="was stored by another version")
    belief = belief_of(posterior, process.printer.name, process.material)
    return Held(belief, posterior.groups, ledger.readings_digest() != stored.digest)


def printed_days(recorded: Sequence[Recorded], prints: Sequence[Print]) -> list[datetime.date]:
    """The day each reading was printed on; where no print is known, the day it was read."""
    on = {one.id: one.printed_on for one in prints}
    return [r.when if r.print_id is None else min(on[r.print_id], r.when) for r in recorded]


def taken_of(
    recorded: Sequence[Recorded], days: Sequence[datetime.date], events: Sequence[PrinterEvent]
) -> list[Taken]:
    """How each reading was taken: its print, its grader, and how many events of its printer came after it."""
    on: dict[str, list[datetime.date]] = {}
    for event in events:
        on.setdefault(event.printer, []).append(event.happened_on)
    found = []
    for r, day in zip(recorded, days, strict=True):
        later = len({at for at in on.get(r.reading.printer, []) if at > day})
        name = f"{r.print_id}" if r.print_id is not None else f"{r.coupon} {r.when}" if r.coupon else ""
        found.append(Taken(name, r.reading.graded_by, min(later, MOST_ERAS)))
    return found
