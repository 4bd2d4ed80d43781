"""``Tuned``: all that tuning says about one printer × material × process, as one value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from falsework.documents import dumps
from falsework.process.settings import Process
from falsework.tuning.next_test import Next, next_test
from falsework.tuning.recommend import Recommendation, recommend
from falsework.tuning.survey import Survey, survey
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from falsework.ledger import Recorded
    from falsework.tuning.posterior import Posterior

SCHEMA = "falsework.tuning/1"


@dataclass(frozen=True)
class Tuned:
    """What to set and what to test; ``survey`` and ``recorded`` are what the page draws, not part of it."""

    recommendation: Recommendation
    next: Next
    survey: Survey = field(compare=False, repr=False)
    recorded: tuple[Recorded, ...] = field(default=(), compare=False, repr=False)

    def to_json(self) -> str:
        """Text of ``tuning.json`` under schema ``falsework.tuning/1``."""
        return dumps(self, SCHEMA)


def tune(
    posterior: Posterior,
    process: Process,
    *,
    recorded: Sequence[Recorded] = (),
    most_minutes: float = 30.0,
    most_grams: float = 15.0,
    watch: Watch = QUIET,
) -> Tuned:
    """Settings for ``process`` on its printer with its material, and the next test piece, from a posterior.

    ``recorded``: the ledger's readings, to point back to. ``most_minutes``, ``most_grams``: limits of the
    next test piece.
    """
    here = survey(posterior, process, process.printer.name)
    return Tuned(
        recommend(posterior, process, recorded=recorded, found=here, watch=watch.part(0.0, 0.2)),
        next_test(
            posterior,
            process,
            most_minutes=most_minutes,
            most_grams=most_grams,
            watch=watch.part(0.2, 1.0),
        ),
        here,
        tuple(recorded),
    )
