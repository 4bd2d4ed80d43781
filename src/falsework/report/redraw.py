"""The redraw as a page: what to do, every underside with its changes, pictures before and after."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from falsework.part.part import CROSSING
from falsework.planning.handling import job_of
from falsework.redrawing.changes.draft import Refusal
from falsework.redrawing.split.value import Printed, Split
from falsework.redrawing.value import Change, Redraw, Treated
from falsework.report import paper, pictures
from falsework.report.colour import BED, PART, SUPPORT, Rgb, hatch_rgb
from falsework.watch import QUIET, Watch
from falsework.wording import figures as words
from falsework.wording import terms
from falsework.wording.cautions import CautionedTask, cautions
from falsework.wording.notices import ThinPart

if TYPE_CHECKING:
    from manifold3d import Manifold

    from falsework.report.pictures import Picture, View
    from falsework.report.scene import Soup

ADDED: Rgb = (0.42, 0.58, 0.74)
TAKEN: Rgb = (0.84, 0.75, 0.45)
CUT: Rgb = (0.95, 0.94, 0.91)
_PLAIN, _CUT, _ADDED, _TAKEN = 0, 1, 2, 3
_TONES = (PART, CUT, ADDED, TAKEN)
_HATCHES = (0, 0, 2, 1)  # diagonal: added; upright: taken away
_MARGIN_SHARE, _LEAST_MARGIN_MM = 0.35, 5.0  # of the block that is cut out around a change
_PIXELS, _SMALL_PIXELS, _COARSE_PIXELS = 1.2, 0.9, 0.25
_VIEWS = (pictures.BELOW_LEFT, pictures.BELOW_BACK, pictures.ABOVE_RIGHT)
_LEAST_SHOWN = 0.015  # of the picture: what shows less is cut open
_INKS = pictures.Tones(
    np.array([*_TONES, SUPPORT, BED]),
    np.array([*_HATCHES, 0, 0], dtype=np.int64),
    np.array([hatch_rgb(tone) for tone in (*_TONES, SUPPORT, BED)]),
)
_MOST_CARDS, _MOST_OTHERS = 10, 3
_MOSTLY = 0.5  # of a part narrower than a line, of which nothing else is worth being said first
_LEAST_PRICE, _SAME = 0.005, "costs the same"  # what is less rounds to nothing
_AROUND_MM = 1.0  # no block reaches farther past the part


@dataclass(frozen=True)
class ChangeRow:
    """One underside: what it is, what its support takes, what is done instead, in cells."""

    number: int
    what: str
    support: str
    change: str
    done: bool
    by_hand: str
    notes: tuple[str, ...]
    volume: str
    difference: str
    section: str
    dimensions: tuple[str, ...]
    menu: tuple[MenuLine, ...]
    others: tuple[str, ...]


@dataclass(frozen=True)
class MenuLine:
    """One thing that may be done about an underside; ``kind`` is what ``--change`` takes, 'leave' included.

    ``state``: 'made', 'offered', 'on request', 'not drawn' or 'does not hold'; ``saved`` the price that it
    saves, below 0 where it costs more, ``difference`` the same in words, with filament and time: at most, of
    what was not drawn (not ``drawn``); ``hand`` the minutes of hands that it leaves; ``harms`` what of the
    part's function it spoils.
    """

    kind: str
    state: str
    words: str
    drawn: bool
    saved: float
    difference: str
    hand: str
    harms: tuple[str, ...]
    dimensions: tuple[str, ...]


@dataclass(frozen=True)
class Way:
    """One way to print the part, beside the others; ``name`` is that in ``Redraw.best``."""

    name: str
    said: str
    chosen: bool
    printed: tuple[str, str, str, str]  # filament, of which support, time, price
    asking: str


@dataclass(frozen=True)
class ShownChange:
    """A picture of a block around one change, and what it is."""

    caption: str
    picture: Picture


@dataclass(frozen=True)
class PieceCard:
    """Pictures of what may be done about one underside: before and after, then what else would hold."""

    number: int
    words: str
    pictures: tuple[ShownChange, ...]
    others: tuple[ShownChange, ...]


def redraw_html(redraw: Redraw, watch: Watch = QUIET) -> str:
    """A self-contained page of a redraw; without geometry, no pictures.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> found = falsework.redraw(table(), kinds=("drawn-in fins",), split=False, other_lies=False)
    >>> falsework.redraw_html(found)[:15]
    '<!doctype html>'
    """
    size = " × ".join(words.number(v, 1) for v in redraw.part.size_mm)
    views, cards = _drawn(redraw, watch)
    options = redraw.splits.options if redraw.splits is not None else ()
    common = [n for n in options[0].notes if all(n in s.notes for s in options)] if options else []
    return paper.render(
        "redraw.html",
        redraw=redraw,
        size=f"{size}\u00a0mm",
        sheet=redraw.part.digest[:12],
        verdict=verdict(redraw),
        ways=ways(redraw),
        rows=tuple(row(t) for t in redraw.treated),
        left=left_lines(redraw),
        views=views,
        cards=cards,
        splits=tuple(
            _split(s, common, k == 0 and redraw.geometry is not None) for k, s in enumerate(options)
        ),
        common=tuple(words.sentence(n) for n in common),
        why_not=_why_not(redraw),
        notes=notes(redraw),
        cautions=cautions(*CautionedTask, job=replace(job_of(redraw.process), turned=True)),
        span=words.with_unit(redraw.span_mm, "mm"),
        limit=words.with_unit(redraw.limit_deg, "°", 0),
        words=words,
    )


def redraw_words(redraw: Redraw) -> dict[str, object]:
    """What the page says, for another skin: verdict, ways, rows, splits, notes; no pictures."""
    splits, combined = redraw.splits, redraw.combined
    return {
        "verdict": verdict(redraw),
        "before": redraw.before.price,
        "after": redraw.combined.price if redraw.combined else None,
        "best": redraw.best,
        "ways": [asdict(way) for way in ways(redraw)],
        "rows": [asdict(row(t)) for t in redraw.treated],
        "left": left_lines(redraw),
        "splits": [] if splits is None else [_split_line(split) for split in splits.options],
        "why_not": _why_not(redraw),
        "by_hand": [words.sentence(line) for line in combined.by_hand] if combined else [],
        "notes": notes(redraw),
    }


def notes(redraw: Redraw) -> list[str]:
    """What to mind: on strength, on changes that were dropped, on the part as it came."""
    dropped = redraw.combined.dropped if redraw.combined else ()
    came = (
        f"as it came: {words.finding(found.count, found.what, found.done)}"
        for found in redraw.part.findings
        if found.serious or found.what == CROSSING
    )
    printed = (f"as it is: {notice.text}" for notice in redraw.warnings)
    return [words.sentence(line) for line in (*redraw.notes, *dropped, *came, *printed)]


def _why_not(redraw: Redraw) -> str:
    """Why the part is better left whole, and what helps; '' where a split gains or none was looked for."""
    splits = redraw.splits
    if splits is None or not splits.why_not:
        return ""
    return words.sentence(splits.why_not) + (f" {words.sentence(splits.cure)}" if splits.cure else "")


def _split_line(split: Split) -> str:
    glue = words.area(split.glue_mm2)
    pins = sum(len(joint.pins) for joint in split.joints)
    price = words.price(split.price)
    return f"{words.sentence(split.words)} {price} in all, glue area {glue}, {words.counted(pins, 'pin')}."


def verdict(redraw: Redraw) -> list[str]:
    """What to do, in plain sentences."""
    said = {
        "as it is": "Print it as it is.",
        "another position": "Print it in another position: the part need not be changed.",
        "split": "Cut it into pieces and glue them.",
        "redraw": "Redraw it as proposed here.",
    }
    lines = [f"{said[redraw.best]} {words.sentence(redraw.why)}"]
    thin = next((w for w in redraw.warnings if isinstance(w, ThinPart) and w.share > _MOSTLY), None)
    if thin is not None:
        lines.insert(0, f"Draw its walls thicker before anything else. {words.sentence(thin.text)}")
    combined = redraw.combined
    if combined is not None:
        gone, all_ = len(combined.gone), len(combined.undersides)
        if gone == all_:
            lines.append(
                f"With the changes made, planned again, {words.counted(gone, 'underside')} that needed "
                f"support {'does' if gone == 1 else 'do'} so no more."
            )
        else:
            need = f"{gone} of {all_} undersides need no support any more"
            lines.append(f"With the changes made, planned again, {need}.")
        if combined.after.needs_no_support:
            lines.append("The redrawn part needs no support at all.")
    elif redraw.treated:
        lines.append(_unchanged(redraw))
    elif redraw.left:
        lines.append("No underside costs enough for a change to pay.")
    else:
        lines.append("No underside needs support: nothing has to be redrawn.")
    return lines


def _unchanged(redraw: Redraw) -> str:
    """Why nothing is changed although changes were looked for."""
    changes = [change for row in redraw.treated for change in row.changes]
    if any(change.offered for change in changes):
        return "No change that holds saves more than it costs, or it was to be left."
    refused = (refusal for row in redraw.treated for refusal in row.declined)
    if any(change.proven for change in changes) or any(refusal.harms for refusal in refused):
        return "Every change that may hold would spoil something: it is made only when asked for."
    return "No change that may pay makes an underside hold."


def ways(redraw: Redraw) -> tuple[Way, ...]:
    """The part as it is, laid another way, redrawn, split, with what printing each takes."""
    found = [("as it is", "as it was given", redraw.before, redraw.before.price)]
    if redraw.lie is not None:
        found.append(("another position", redraw.lie.words, redraw.lie.printed, redraw.lie.printed.price))
    if redraw.combined is not None:
        done, minutes = len(redraw.combined.undersides), redraw.combined.hand_min
        hands = f", {words.with_unit(minutes, 'min', 0)} of hand work" if minutes >= 0.5 else ""
        said = f"{words.counted(done, 'underside')} changed as below{hands}"
        found.append(("redraw", said, redraw.combined.after, redraw.combined.price))
    table = [
        Way(name, said, name == redraw.best, _printed(printed, price), _asking(printed.undersides))
        for name, said, printed, price in found
    ]
    if redraw.splits is not None and redraw.splits.options:
        best = redraw.splits.options[0]
        support_g = sum(p.printed.support.mass_g for p in best.pieces)
        table.append(
            Way(
                "split",
                f"{words.counted(len(best.pieces), 'piece')}, glued",
                redraw.best == "split",
                (
                    words.mass(best.mass_g),
                    words.mass(support_g) if support_g else "none",
                    words.duration(best.time_s),
                    words.price(best.price),
                ),
                _asking(sum(p.printed.undersides for p in best.pieces)),
            )
        )
    return tuple(table)


def _printed(printed: Printed, price: float) -> tuple[str, str, str, str]:
    return (
        words.mass(printed.mass_g),
        words.mass(printed.support.mass_g) if printed.support.mass_g else "none",
        words.duration(printed.time_s),
        words.price(price),
    )


def _asking(count: int) -> str:
    return "none" if count == 0 else f"{count} need{'s' if count == 1 else ''} support"


def row(treated: Treated) -> ChangeRow:
    """The cells of one underside."""
    under, change = treated.underside, treated.change
    shown = change or next((c for c in treated.changes if c.proven), None)
    kind = terms.KIND[under.kind]
    z = words.with_unit(under.height_mm, "mm", 1)
    support = "left without support"
    if treated.support.mass_g > 0.0:
        support = f"{words.mass(treated.support.mass_g)}, {words.duration(treated.support.time_s)}"
    refused = (refusal for refusal in treated.declined if not refusal.on_request)
    others = [f"{r.kind}: {r.why}{'. ' + r.cure if r.cure else ''}" for r in refused]
    return ChangeRow(
        number=under.number,
        what=f"{kind}, {words.area(under.area_mm2)}, at z {z}",
        support=support,
        change=words.sentence(treated.outcome),
        done=change is not None,
        by_hand=change.by_hand if change else "",
        notes=tuple(words.sentence(note) for note in _notes(change)) if change else (),
        volume=_volume(shown) if shown else "–",
        difference=_difference(shown) if shown else "–",
        section=_section(shown) if shown else "–",
        dimensions=change.dimensions if change else (),
        menu=_menu(treated),
        others=tuple(words.sentence(o) for o in others),
    )


def _notes(change: Change) -> tuple[str, ...]:
    """What to mind of a change that is made, first of all what it harms."""
    return (*(f"harms {what}" for what in change.touches), *change.notes)


def _menu(treated: Treated) -> tuple[MenuLine, ...]:
    """What may be done about an underside, what was drawn best first, and leaving it last."""
    lines = []
    for change in treated.changes:
        state = "offered" if change.offered else "on request"
        if not change.proven:
            state = "does not hold"
        elif change is treated.change:
            state = "made"
        lines.append(
            MenuLine(
                str(change.kind),
                state,
                words.sentence(change.words if change.proven else "; ".join(change.faults)),
                True,
                change.saved_price if change.proven else 0.0,
                _difference(change) if change.proven else "–",
                words.with_unit(change.hand_min, "min", 1) if change.hand_min else "none",
                change.touches,
                change.dimensions,
            )
        )
    lines += [_undrawn(refusal) for refusal in treated.declined if refusal.on_request]
    leave = "made" if treated.change is None else "offered"
    lines.append(MenuLine("leave", leave, "As planned.", True, 0.0, _SAME, "none", (), ()))
    return tuple(lines)


def _undrawn(refusal: Refusal) -> MenuLine:
    """The line of a change that is drawn only when asked for."""
    most = max(0.0, refusal.most_price or 0.0)
    return MenuLine(
        str(refusal.kind),
        "on request" if refusal.harms else "not drawn",
        words.sentence(refusal.cure if refusal.harms else f"{refusal.why}. {refusal.cure}"),
        False,
        most,
        f"saves {words.price(most)} at most" if most >= _LEAST_PRICE else "saves nothing",
        "–",
        refusal.harms,
        (),
    )


def _volume(change: Change) -> str:
    parts = []
    for sign, mm3 in (("+", change.added_mm3), ("\u2212", change.removed_mm3)):
        if mm3 >= 0.05:
            parts.append(f"{sign}{words.volume(mm3)}")
    return ", ".join(parts) or "none"


def _difference(change: Change) -> str:
    """What a change saves or costs: ``saves about 0.24 ¤, 0.1 g and 1 min more``; no sign is to be read."""
    amount = change.saved_price
    said = [
        f"saves about {words.price(amount)}" if amount > 0.0 else f"costs about {words.price(-amount)} more"
    ]
    if abs(amount) < _LEAST_PRICE:
        said = [_SAME]
    saved = ((change.saved_g, 0.05, "g", 1), (change.saved_s / 60.0, 0.5, "min", 0))
    for sign, side in ((1.0, "less"), (-1.0, "more")):
        some = [
            words.with_unit(sign * v, unit, digits) for v, least, unit, digits in saved if sign * v >= least
        ]
        said += [f"{words.listed(some)} {side}"] if some else []
    return ", ".join(said)


def _section(change: Change) -> str:
    before, after = change.smallest_before_mm2, change.smallest_after_mm2
    if not before and not after:  # it touches no piece of the part's own
        return "–"
    return f"{words.number(before, 1)} → {words.with_unit(after, 'mm²', 1)}"


def left_lines(redraw: Redraw) -> tuple[str, ...]:
    """Undersides for which nothing was drawn, those with the same reason together."""
    reasons: dict[str, list[int]] = {}
    for one in sorted(redraw.left, key=lambda one: one.underside):
        reasons.setdefault(one.why, []).append(one.underside)
    return tuple(words.sentence(f"{words.numbered('number', some)}: {why}") for why, some in reasons.items())


def _split(split: Split, common: Sequence[str], pictured: bool) -> dict[str, object]:
    return {
        "words": words.sentence(split.words),
        "price": words.price(split.price),
        "glue": words.area(split.glue_mm2),
        "pins": [
            f"{words.number(pin.across_mm)}\u00a0mm across, {words.number(pin.length_mm)}\u00a0mm long, "
            f"in holes of {words.number(pin.hole_mm)}\u00a0mm "
            f"(clearance {words.with_unit(pin.clearance_mm, 'mm')})"
            for joint in split.joints
            for pin in joint.pins
        ],
        "pieces": [
            (
                piece.name,
                _asking(piece.printed.undersides),
                words.mass(piece.printed.mass_g),
                words.duration(piece.printed.time_s),
                "on its cut face" if piece.on_cut else "on its best side",
            )
            for piece in split.pieces
        ],
        "notes": [words.sentence(n) for n in split.notes if n not in common],
        "fits": split.fits,
        "pictures": _pieces(split) if pictured else (),
    }


def _pieces(split: Split) -> tuple[Picture, ...]:
    """The pieces as they lie when printed, all at one scale; none where only figures are known."""
    from falsework.part.placing import turn_matrix
    from falsework.redrawing.body.solids import mesh_of
    from falsework.report.scene import plain_soup

    meshes = []
    for piece in split.pieces:
        if piece.solid is None:
            return ()
        vertices, faces = mesh_of(piece.solid)
        vertices = vertices @ turn_matrix(piece.lie.turn_deg).T
        meshes.append((vertices - 0.5 * (vertices.min(axis=0) + vertices.max(axis=0)), faces))
    reach = np.max([np.abs(vertices).max(axis=0) for vertices, _ in meshes], axis=0)
    room = np.array([[(-1.0, 1.0)[k >> d & 1] * reach[d] for d in range(3)] for k in range(8)])
    drawn = []
    for vertices, faces in meshes:
        soup = plain_soup(vertices, faces)
        soup = replace(soup, tag=np.zeros(len(faces), dtype=np.int64))
        ink = pictures.draw_soups(soup, None, None, _INKS, pictures.ABOVE_RIGHT, _SMALL_PIXELS, room)
        drawn.append(pictures.composed(ink, []))
    return tuple(drawn)


def _drawn(redraw: Redraw, watch: Watch) -> tuple[tuple[Picture, ...], tuple[PieceCard, ...]]:
    """The whole part redrawn, from two sides, and a block around each change before and after."""
    if redraw.geometry is None:
        return (), ()
    from falsework.redrawing.body.solids import solid_of

    watch.at("pictures", 0.0)
    whole = solid_of(redraw.geometry.placed)
    every = [t.change for t in redraw.treated if t.change is not None]
    views: tuple[Picture, ...] = ()
    if every:
        changed = _applied(whole, every)
        views = tuple(
            _picture(changed, every, view, _PIXELS) for view in (pictures.BELOW_LEFT, pictures.ABOVE_RIGHT)
        )
    shown = [t for t in redraw.treated if any(c.proven for c in t.changes)][:_MOST_CARDS]
    cards = []
    for k, treated in enumerate(shown):
        watch.at("pictures of changes", (k + 1) / (len(shown) + 1))
        cards.append(_card(redraw, whole, treated))
    return views, tuple(cards)


def _card(redraw: Redraw, whole: Manifold, treated: Treated) -> PieceCard:
    """What was made of an underside before and after, or else what would hold best; then the others."""
    holding = [change for change in treated.changes if change.proven]
    first = treated.change or holding[0]
    number = treated.underside.number
    others = [c for c in holding if c is not first][:_MOST_OTHERS]
    before, after = _before_and_after(redraw, whole, first)
    named = "after" if first is treated.change else f"{first.kind} instead"
    return PieceCard(
        number,
        words.sentence(treated.outcome),
        (
            ShownChange(f"Before, underside {number}", before),
            ShownChange(f"{words.sentence(named)[:-1]}, underside {number}", after),
        ),
        tuple(
            ShownChange(
                f"{words.sentence(str(c.kind))[:-1]} instead, underside {number}",
                _before_and_after(redraw, whole, c)[1],
            )
            for c in others
        ),
    )


def _before_and_after(redraw: Redraw, whole: Manifold, change: Change) -> tuple[Picture, Picture]:
    """A block around a change, from where most of it shows, at one scale."""
    around = _block(redraw, change)
    near = whole ^ around  # the rest takes no part in it
    view, block = _best_view(_applied(near, (change,)), change, around)
    before, after = (
        _picture(solid ^ block, (change,), view, _SMALL_PIXELS, block)
        for solid in (near, _applied(near, (change,)))
    )
    return before, after


def changed_surface(redraw: Redraw) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The redrawn part in its place: (n, 3) vertices, (m, 3) faces and (m,) whether each is of the part (0),
    was added (1) or laid bare by cutting (2). ``redraw`` must hold its geometry and a combined proposal.
    """
    from falsework.redrawing.body.solids import mesh_of, solid_of

    assert redraw.geometry is not None
    every = [t.change for t in redraw.treated if t.change is not None]
    solid = _applied(solid_of(redraw.geometry.placed), every)
    tags = _tags(solid, every, None)
    return (*mesh_of(solid), np.select([tags == _ADDED, tags == _TAKEN], [1, 2], 0))


def _applied(solid: Manifold, changes: Iterable[Change]) -> Manifold:
    for change in changes:
        for region in change.regions:
            assert region.solid is not None
            solid = solid + region.solid if region.added else solid - region.solid
    return solid


def _block(redraw: Redraw, change: Change) -> Manifold:
    """A box around a change and its underside, with a margin, as far as it stands above the bed."""
    from manifold3d import Manifold

    assert redraw.geometry is not None
    boxes = [np.reshape(r.solid.bounding_box(), (2, 3)) for r in change.regions if r.solid is not None]
    low = np.min([box[0] for box in boxes], axis=0)
    high = np.max([box[1] for box in boxes], axis=0)
    margin = max(_MARGIN_SHARE * float((high - low).max()), _LEAST_MARGIN_MM)
    whole = redraw.geometry.placed.bounds_mm
    low = np.maximum(low - margin, np.minimum(low, whole[0]) - _AROUND_MM)
    high = np.minimum(high + margin, np.maximum(high, whole[1]) + _AROUND_MM)
    box: Manifold = Manifold.cube(tuple(high - low)).translate(tuple(low))
    return box.as_original()


def _best_view(after: Manifold, change: Change, block: Manifold) -> tuple[View, Manifold]:
    """From where most of a change shows, and the block about it; half of that where it shows from nowhere."""
    for one in (block, None):
        seen = []
        for view in _VIEWS:
            near = one if one is not None else _half(block, change, view)
            soup = _soup(after ^ near, (change,), near)
            drawing = pictures.draw_soups(soup, None, None, _INKS, view, _COARSE_PIXELS)
            shown = np.isin(drawing.tag, (_ADDED, _TAKEN)).sum() / max(1, int((drawing.tag >= 0).sum()))
            seen.append((float(shown), view, near))
        shown, view, near = max(seen, key=lambda row: row[0])
        if shown >= _LEAST_SHOWN:
            break
    return view, near


def _half(block: Manifold, change: Change, view: View) -> Manifold:
    """The half of a block that lies behind an upright plane through the middle of a change."""
    from manifold3d import Manifold

    boxes = [np.reshape(r.solid.bounding_box(), (2, 3)) for r in change.regions if r.solid is not None]
    middle = 0.5 * (np.min(boxes, axis=0)[0] + np.max(boxes, axis=0)[1])
    towards = view.axes[2] * (1.0, 1.0, 0.0)
    towards = towards / max(float(np.linalg.norm(towards)), 1e-9)
    far = float(np.ptp(np.reshape(block.bounding_box(), (2, 3)), axis=0).max()) * 2.0
    slab = Manifold.cube((far, 2.0 * far, 2.0 * far)).translate((-far, -far, -far))
    turned = slab.rotate((0.0, 0.0, float(np.degrees(np.arctan2(towards[1], towards[0])))))
    half: Manifold = (block ^ turned.translate(tuple(middle))).as_original()
    return half


def _picture(
    solid: Manifold, changes: Iterable[Change], view: View, pixels: float, block: Manifold | None = None
) -> Picture:
    """``solid`` with what the changes added and cut in tones of their own, and cut faces of a block plain."""
    room = None if block is None else _corners(block)  # before and after at one scale
    soup = _soup(solid, changes, block)
    return pictures.composed(pictures.draw_soups(soup, None, None, _INKS, view, pixels, room), [])


def _soup(solid: Manifold, changes: Iterable[Change], block: Manifold | None) -> Soup:
    from falsework.redrawing.body.solids import mesh_of
    from falsework.report.scene import plain_soup

    return replace(plain_soup(*mesh_of(solid)), tag=_tags(solid, changes, block))


def _corners(block: Manifold) -> np.ndarray:
    """(8, 3) corners of its box."""
    low, high = np.reshape(block.bounding_box(), (2, 3))
    return np.array([[(low, high)[k >> d & 1][d] for d in range(3)] for k in range(8)])


def _tags(solid: Manifold, changes: Iterable[Change], block: Manifold | None) -> np.ndarray:
    """(m,) where each face comes from: the part, a cut through it, what was added, what was taken."""
    mesh = solid.to_mesh64()
    of_run = np.full(len(mesh.run_original_id), _PLAIN, dtype=np.int64)
    ids = np.asarray(mesh.run_original_id, dtype=np.int64)
    if block is not None:
        of_run[ids == block.original_id()] = _CUT
    for change in changes:
        for region in change.regions:
            assert region.solid is not None
            mine = np.isin(ids, np.asarray(region.solid.to_mesh64().run_original_id, dtype=np.int64))
            of_run[mine] = _ADDED if region.added else _TAKEN
    ends = np.asarray(mesh.run_index, dtype=np.int64)
    return np.repeat(of_run, (ends[1:] - ends[:-1]) // 3)
