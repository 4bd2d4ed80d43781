"""``Tuned``: all that tuning says about one printer × material × process, as one value."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from falsework.documents import dumps
from falsework.process.settings import Process
from falsework.tuning.agreement import Agreement, agreement, scores
from falsework.tuning.change import UnnotedChange, changes
from falsework.tuning.graders import Grader, graders
from falsework.tuning.next_test import Next, next_test
from falsework.tuning.of_ledger import Fitted
from falsework.tuning.recommend import Recommendation, recommend
from falsework.tuning.survey import SettingSurvey, survey
from falsework.watch import QUIET, Watch

SCHEMA = "falsework.tuning/2"


@dataclass(frozen=True)
class Tuned:
    """What to set and what to test; whether readings and model agree, what seems to have changed, how graders
    differ. ``survey`` and ``fitted`` are what the page draws, not part of it.

    Examples
    --------
    >>> import falsework
    >>> process = falsework.load_process("pla-0.4")
    >>> found = falsework.tune(falsework.fit_ledger(None, process), process)
    >>> falsework.tuning_html(found)[:15]
    '<!doctype html>'
    """

    recommendation: Recommendation
    next: Next
    agreement: Agreement
    changes: tuple[UnnotedChange, ...]
    graders: tuple[Grader, ...]
    survey: SettingSurvey = field(compare=False, repr=False)
    fitted: Fitted = field(compare=False, repr=False)

    def to_json(self) -> str:
        """Text of ``tuning.json`` under schema ``falsework.tuning/2``."""
        return dumps(self, SCHEMA)


def tune(
    fitted: Fitted,
    process: Process,
    *,
    most_minutes: float = 30.0,
    most_grams: float = 15.0,
    watch: Watch = QUIET,
) -> Tuned:
    """Settings for ``process`` on its printer with its material, and the next test piece, from a ledger that
    was fitted (:func:`falsework.fit_ledger`).

    ``most_minutes``, ``most_grams``: limits of the next test piece.

    Examples
    --------
    >>> import falsework
    >>> process = falsework.load_process("pla-0.4")
    >>> found = falsework.tune(falsework.fit_ledger(None, process), process, most_minutes=20.0)
    >>> [advice.name for advice in found.recommendation.advice][:2]
    ['limit angle', 'longest clean bridge']
    """
    posterior, pair = fitted.posterior, (process.printer.name, process.material.name)
    here = survey(posterior, process, process.printer.name)
    watch.at("checking the readings", 0.0)
    changed = changes(fitted, scores(fitted, *pair))
    kinds = tuple(dict.fromkeys(change.kind for change in changed))
    agreed = replace(agreement(fitted, *pair), changed=kinds)
    return Tuned(
        recommend(posterior, process, recorded=fitted.recorded, found=here, watch=watch.part(0.05, 0.2)),
        next_test(
            posterior,
            process,
            agreed=agreed,
            most_minutes=most_minutes,
            most_grams=most_grams,
            watch=watch.part(0.2, 1.0),
        ),
        agreed,
        changed,
        graders(fitted, *pair),
        here,
        fitted,
    )
