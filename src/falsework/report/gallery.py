"""A page of several parts: what each prints over air, how it is printed, what was decided, the price."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from falsework.planning.readiness import readiness
from falsework.planning.value import Plan
from falsework.report import paper, pictures
from falsework.report.scene import make_scene
from falsework.report.verdict import verdict
from falsework.watch import QUIET, Watch
from falsework.wording import figures
from falsework.wording.cautions import CautionedTask, cautions

_PIXELS = 1.2  # of a picture per drawing unit: two stand side by side


@dataclass(frozen=True, eq=False)
class GalleryCard:
    """One part of the page. ``before`` shows its undersides, ``after`` its supports in place; both are None
    where the plan came without geometry."""

    name: str
    address: str
    ready: bool
    headline: str
    decided: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    shapes: Mapping[int, str]
    carried: bool
    before: pictures.Picture | None
    after: pictures.Picture | None


def card(plan: Plan, address: str) -> GalleryCard:
    """What the page shows of a plan whose own report lies at ``address``."""
    judged = readiness(plan)
    together = plan.part_cost + plan.support_cost
    before = after = None
    if plan.geometry is not None:
        scene = make_scene(plan.geometry)
        before = pictures.draw_picture(scene, plan.undersides, pictures.BELOW_LEFT, pixels=_PIXELS)
        after = pictures.draw_picture(
            scene, plan.undersides, pictures.ABOVE_RIGHT, supports=True, pixels=_PIXELS
        )
    facts = (
        ("price", figures.price(together.price)),
        ("time", figures.duration(together.time_s)),
        ("filament", figures.mass(together.mass_g)),
        ("of which support", figures.mass(plan.support_cost.mass_g)),
        ("size", figures.size(plan.part.size_mm)),
    )
    said = tuple(verdict(plan))
    return GalleryCard(
        plan.part.name,
        address,
        judged.ready,
        figures.sentence(judged.headline),
        said if judged.ready else said[1:],  # the headline is said above them
        facts,
        {u.number: str(u.kind) for u in plan.undersides},
        bool(plan.pieces),
        before,
        after,
    )


def gallery_html(
    title: str, notice: str, plans: Mapping[str, Plan], links: Mapping[str, str], watch: Watch = QUIET
) -> str:
    """One self-contained page of plans, by the address of each one's own report.

    ``links`` are further pages beside them: sentence by address. The same plans give the same bytes. Raises
    ``Cancelled`` on request.
    """
    cards = []
    for k, (address, plan) in enumerate(plans.items()):
        watch.at("pictures", k / len(plans))
        cards.append(card(plan, address))
    return paper.render(
        "gallery.html",
        title=title,
        notice=notice,
        cards=cards,
        links=links,
        cautions=cautions(CautionedTask.PRINT, CautionedTask.TAKE_OFF, CautionedTask.USE),
        words=figures,
    )
