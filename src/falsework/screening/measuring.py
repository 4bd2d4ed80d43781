"""The columns of a row, from what is found of a part: mesh, undersides, plan, release, position.

Each function gives figures by column name; nothing is reckoned here that a plan does not say itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from falsework.cost.cost import Cost
from falsework.need.underside import Underside, UndersideKind
from falsework.objective import Price
from falsework.planning.orienting import ExpectedLie
from falsework.planning.readiness import readiness
from falsework.planning.value import Inspection, PartSummary, Plan, Totals
from falsework.release.state import ReleaseState
from falsework.request.standing import Standing
from falsework.request.value import Turn
from falsework.screening.row import LOOKED_AT, NOT_READY, READY, RowFigures
from falsework.support.standing import Choice
from falsework.wording import figures
from falsework.wording.notices import Notice, TooLarge

_LIFTING = (ReleaseState.STAYS, ReleaseState.BY_HAND, ReleaseState.BY_TOOL)


def of_part(part: PartSummary, layers: int) -> RowFigures:
    """The mesh."""
    x_mm, y_mm, z_mm = part.size_mm
    return {
        "triangles": part.triangles,
        "bodies": part.bodies,
        "closed": part.closed,
        "healed": len(part.findings),
        "doubtful": sum(finding.serious for finding in part.findings),
        "findings": tuple(figures.plain(figures.finding(f.count, f.what, f.done)) for f in part.findings),
        "unit": part.unit,
        "size_x_mm": x_mm,
        "size_y_mm": y_mm,
        "size_z_mm": z_mm,
        "volume_mm3": part.volume_mm3,
        "layers": layers,
    }


def of_undersides(undersides: tuple[Underside, ...], choices: tuple[Choice, ...]) -> RowFigures:
    """What is printed over air, and how far it sags as was chosen for it."""
    kinds = [under.kind for under in undersides]
    sags = [
        under.droop_mm if choice.chosen is Standing.LEAVE else under.supported_droop_mm
        for under, choice in zip(undersides, choices, strict=True)
    ]
    return {
        "undersides": len(undersides),
        "bridges": kinds.count(UndersideKind.BRIDGE),
        "cantilevers": kinds.count(UndersideKind.CANTILEVER),
        "islands": kinds.count(UndersideKind.ISLAND),
        "need_mm2": float(sum(u.area_mm2 for u in undersides if u.kind is not UndersideKind.HOLDS)),
        "supported": sum(choice.chosen is not Standing.LEAVE for choice in choices),
        "sag_mm": max((sag.value for sag in sags), default=0.0),
        "sag_high_mm": max((sag.high for sag in sags), default=0.0),
    }


def of_cost(part: Cost, support: Cost, price: Price) -> RowFigures:
    """What it takes, and the total price with its terms."""
    return {
        "part_g": part.mass_g,
        "part_s": part.time_s,
        "support_g": support.mass_g,
        "support_s": support.time_s,
        "price": (part + support).price,
        "total": price.total,
        "loss": price.total - price.printing,
        **{f"price_{term}": value for term, value in asdict(price).items()},
    }


def of_warnings(warnings: tuple[Notice, ...]) -> RowFigures:
    """What is warned of, in sentences and by kind."""
    return {
        "warnings": tuple(figures.plain(figures.sentence(notice.text)) for notice in warnings),
        "warning_kinds": tuple(dict.fromkeys(notice.code for notice in warnings)),
    }


def of_look(found: Inspection, totals: Totals) -> RowFigures:
    """A part at depth 'look': by columns, nothing built."""
    chosen = next(row for row in totals.alternatives if row.name == "chosen")
    warnings = (*found.warnings, *totals.warnings)
    large = [notice for notice in warnings if isinstance(notice, TooLarge)]
    return {
        "state": NOT_READY if large else LOOKED_AT,
        "why": _sentences(large),
        **of_part(found.part, found.layers.count),
        **of_undersides(found.undersides, totals.choices),
        **of_cost(totals.part_cost, chosen.cost, chosen.price),
        "left_mm2": chosen.left_mm2,
        **of_warnings(warnings),
        "rests_on": found.rests_on,
    }


def of_plan(plan: Plan) -> RowFigures:
    """A part that is planned; how its supports come off where the plan judges that."""
    judged = readiness(plan)
    chosen = plan.alternatives[-1]
    return {
        "state": READY if judged.ready else NOT_READY,
        "why": _sentences([reason.notice for reason in judged.reasons]),
        **of_part(plan.part, plan.layers.count),
        **of_undersides(plan.undersides, plan.choices),
        **of_cost(plan.part_cost, plan.support_cost, plan.price),
        "pieces": len(plan.pieces),
        "weak_pieces": sum(piece.weak for piece in plan.pieces),
        "contact_mm2": float(sum(piece.contact_mm2 for piece in plan.pieces)),
        "scar_mm2": float(sum(piece.scar_mm2 for piece in plan.pieces)),
        "left_mm2": chosen.left_mm2,
        "stands": None if plan.stance is None else plan.stance.stands,
        **of_warnings(plan.warnings),
        "rests_on": plan.rests_on,
        **_of_release(plan),
    }


def _of_release(plan: Plan) -> RowFigures:
    if plan.release is None:
        return {}
    states = [piece.state for piece in plan.release.pieces]
    return {
        "release": figures.plain(plan.release.verdict),
        "pieces_lifting": sum(state in _LIFTING for state in states),
        "pieces_breaking": states.count(ReleaseState.BREAK),
        "pieces_dug": states.count(ReleaseState.DIG),
        "pieces_trapped": states.count(ReleaseState.TRAPPED),
        "tearing": sum(piece.tears for piece in plan.release.pieces),
    }


def of_turned(plan: Plan) -> RowFigures:
    """The same part in the recommended position."""
    return _of_position(plan.part.turn_deg, plan.part_cost, plan.support_cost, plan.price) | {
        "turned_state": READY if readiness(plan).ready else NOT_READY,
    }


def of_expected(lie: ExpectedLie) -> RowFigures:
    """The same by columns alone, nothing planned."""
    chosen = lie.totals.alternatives[-1]
    return _of_position(lie.turn_deg, lie.totals.part_cost, chosen.cost, chosen.price) | {
        "turned_state": LOOKED_AT if lie.fits else NOT_READY,
        "device": lie.device,
    }


def _of_position(turn_deg: Turn, part: Cost, support: Cost, price: Price) -> RowFigures:
    together = part + support
    return {
        "turn": ",".join(f"{angle:g}" for angle in turn_deg),
        "turned": any(turn_deg),
        "turned_g": together.mass_g,
        "turned_support_g": support.mass_g,
        "turned_s": together.time_s,
        "turned_price": together.price,
        "turned_total": price.total,
    }


def _sentences(notices: Sequence[Notice]) -> str:
    return figures.plain(" ".join(figures.sentence(notice.text) for notice in notices))
