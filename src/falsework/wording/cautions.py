"""Cautions: what can hurt people around a printer, said in one place for every page, sheet and command.

They are the usual ones of the trade (common practice, no source), and give way to the maker's manual, the
filament's safety data sheet and local rules. ``docs/cautions.md`` is this module as a page.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from falsework.wording import figures

PRYING_N = 100.0
"""From this hold on a foot is pried off rather than pulled: from memory, about the pull of a strong hand."""

_FUMING = {  # by the first word of a material's name: what it gives off, from memory
    **dict.fromkeys(("abs", "asa", "hips", "ps", "san"), "styrene among it"),
    **dict.fromkeys(("pa", "pa6", "pa12", "pa66", "nylon", "polyamide"), "caprolactam among it"),
    **dict.fromkeys(("pom", "acetal"), "formaldehyde among it"),
    **dict.fromkeys(("pvc",), "hydrogen chloride among it"),
    **dict.fromkeys(("pc", "polycarbonate"), "bisphenol A among it"),
}


class CautionedTask(StrEnum):
    """What a page, a sheet or a command leads to."""

    PRINT = "print"
    TAKE_OFF = "take off"  # supports, and the part from the bed
    REWORK = "rework"  # membranes, fins and pins of a part that was drawn anew
    USE = "use"  # the part, once it is printed


@dataclass(frozen=True)
class PrintFacts:
    """What is known of the print; what is not known is said in general.

    ``turned``: the part lies otherwise than it came; ``hold_n``: the firmest hold of the bed on a foot.
    """

    material: str = ""
    nozzle_c: float | None = None
    bed_c: float | None = None
    turned: bool = False
    hold_n: float = 0.0


@dataclass(frozen=True)
class Caution:
    """``head`` names the danger, ``text`` what to do; :attr:`line` is both."""

    head: str
    text: str

    @property
    def line(self) -> str:
        return f"{self.head}: {self.text}"


RULES = (
    "The maker's manual, the filament's safety data sheet and the rules of your house come first, wherever "
    "they say otherwise."
)
ONE_LINE = (
    "Before you print or reach in: hot, moving, fumes, never unattended, eyes. 'falsework cautions' says all "
    "of it; the maker's manual and local rules come first."
)
ALONE = Caution(
    "Never unattended",
    "a running machine can catch fire; stay within sight of it, have a smoke alarm, know how to cut the "
    "power",
)
MOVING = Caution("Moving", "keep hands, hair, sleeves and cords out of the machine while it runs")
FUMES = Caution("Fumes", "melted filament gives off vapour and fine dust; air the room, or draw the air off")
WATCH = Caution("First layers", "watch them, and every height at which an underside begins")
COOL = Caution("Cooling", "let the part cool until it lets go of the bed; hot strands pull threads and burn")
EYES = Caution(
    "Taking supports off",
    "wear eye protection; pull and cut away from yourself; strands snap and fly, and broken ends are sharp",
)
CUTTERS = Caution("Cutters", "put them to the support, never between support and part")
REWORK = Caution(
    "Membranes, fins and pins",
    "clamp the part before you drill or cut it, never hold it in your hand; wear eye protection, cut away "
    "from yourself with a guarded blade; snapped fins and drilled holes leave sharp edges",
)
NOT_FOR = Caution(
    "What printed parts are not for",
    "food, medicine, toys for small children, and carrying people or loads that hurt when they fall, unless "
    "someone licensed for it has checked the part",
)
STRENGTH = Caution(
    "Strength",
    "no strength is reckoned here; a part is weakest between its layers, so pull along them, not across",
)
TURNED = Caution(
    "Strength",
    "no strength is reckoned here; a part is weakest between its layers, and turning it changes their "
    "direction: think again of how it will be pulled",
)


def hot(job: PrintFacts) -> Caution:
    """Heat, with the temperatures where they are known."""
    if job.nozzle_c is None or job.bed_c is None:
        return Caution("Hot", "nozzle, bed and fresh prints burn; let them cool before you reach in")
    nozzle, bed = (figures.with_unit(t, "°C", 0) for t in (job.nozzle_c, job.bed_c))
    return Caution(
        "Hot", f"the nozzle works at {nozzle} and the bed at {bed}; let both cool before you reach in"
    )


def fuming(material: str) -> Caution | None:
    """A sentence of its own for materials that are known for their fumes."""
    first = next(iter(re.findall(r"[a-z]+\d*", material.lower())), "")
    given_off = _FUMING.get(first)
    if given_off is None:
        return None
    return Caution(
        f"Fumes of {material}",
        f"it gives off harmful vapour, {given_off}; print it in a closed machine whose air is led outdoors "
        "or filtered, and never where people work or sleep",
    )


def prying(hold_n: float) -> Caution | None:
    """Scrapers, where the bed holds a foot more firmly than a hand pulls."""
    if hold_n < PRYING_N:
        return None
    return Caution(
        "Scrapers and prying",
        f"the bed holds a foot with about {figures.force(hold_n)}; let the bed cool, bend its sheet if it "
        "comes off; push a scraper flat and away from you with nobody in front of it, and pry with no knife",
    )


def cautions(*tasks: CautionedTask, job: PrintFacts | None = None) -> tuple[Caution, ...]:
    """What to say where a page leads to these tasks, in the order of the work; ``RULES`` follows it."""
    return tuple(found for task in CautionedTask if task in tasks for found in _of(task, job or PrintFacts()))


def _of(task: CautionedTask, job: PrintFacts) -> Iterator[Caution]:
    if task is CautionedTask.PRINT:
        yield from (ALONE, hot(job), MOVING, FUMES)
        if (own := fuming(job.material)) is not None:
            yield own
        yield WATCH
    elif task is CautionedTask.TAKE_OFF:
        yield from (COOL, EYES, CUTTERS)
        if (own := prying(job.hold_n)) is not None:
            yield own
    elif task is CautionedTask.REWORK:
        yield REWORK
    else:
        yield from (NOT_FOR, TURNED if job.turned else STRENGTH)
