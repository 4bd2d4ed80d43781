"""The recording sheet of a test piece: one page to print, once as HTML and once as PDF."""

from __future__ import annotations

import json
from dataclasses import dataclass

from falsework.coupon.guide import TITLES, TRIES, differing
from falsework.coupon.reading import LET_GO_GRADES, ConditionKind
from falsework.coupon.value import Cell, Coupon, Shape
from falsework.coupon.words import FINISH, LET_GO
from falsework.documents import encode
from falsework.errors import OutputError
from falsework.files.coupon import SHEET, SHEET_PDF, file_names, with_geometry
from falsework.planning.handling import job_of
from falsework.process.settings import Process
from falsework.report import paper
from falsework.report.coupon_figures import calipers_svg, finish_svg, plan_svg
from falsework.report.names import font_folders, with_letters_at_hand
from falsework.wording.cautions import RULES, CautionedTask, cautions
from falsework.wording.figures import sentence


@dataclass(frozen=True)
class Figure:
    """A drawing, what it shows in words, and the caption beneath it."""

    svg: str
    seen: str
    caption: str


@dataclass(frozen=True)
class CellLine:
    """One cell's line to fill in."""

    label: str
    supported: bool
    nominal: str
    tried: str


@dataclass(frozen=True)
class RecordingSheet:
    """Everything on the sheet; the two templates only lay it out."""

    title: str
    code: str
    tries: str
    facts: tuple[tuple[str, str], ...]
    steps: tuple[str, ...]
    plans: tuple[Figure, ...]
    looks: tuple[Figure, ...]
    finishes: tuple[Figure, ...]
    lets_go: tuple[tuple[str, str], ...]
    lines: tuple[CellLine, ...]
    in_common: str
    arrows: bool  # whether the plans show which way strands run
    left_out: str
    cautions: tuple[str, ...]


def sheet_files(coupon: Coupon) -> dict[str, bytes]:
    """``sheet.html`` and ``sheet.pdf``, to be written with the piece (``write_coupon(extra=…)``)."""
    return {SHEET: sheet_html(coupon).encode(), SHEET_PDF: sheet_pdf(coupon)}


def plan_pictures(coupon: Coupon) -> dict[str, bytes]:
    """The pieces from above with their cells named, as on the sheet: SVG files by name."""
    return {f"plan-{k}.svg": figure.svg.encode() for k, figure in enumerate(_plans(coupon), 1)}


def sheet_html(coupon: Coupon) -> str:
    """The recording sheet as one self-contained page; ``OutputError`` for a piece without geometry."""
    return paper.render("coupon.html", styles=("coupon.css",), sheet=_sheet(coupon))


def sheet_pdf(coupon: Coupon) -> bytes:
    """The recording sheet as a PDF tagged for screen readers; the same piece gives the same bytes."""
    import typst

    source, inputs = typst_sheet(coupon)
    folders = font_folders()
    plain = {name: with_letters_at_hand(text) for name, text in inputs.items()}
    # with the fonts that come with packages; with those of the machine; without letters that none has
    for ours_alone, told in ((True, inputs), (False, inputs), (True, plain)):
        try:
            pdf: bytes = typst.compile(
                source,
                sys_inputs=told,
                font_paths=typst.Fonts(font_paths=folders, include_system_fonts=not ours_alone),
                pdf_standards="ua-1",
                timestamp=0,
            )
        except typst.TypstError as error:
            wrong = error
        else:
            return pdf
    raise OutputError(SHEET_PDF, f"cannot be set ({wrong})", f"Use {SHEET} instead")


def typst_sheet(coupon: Coupon) -> tuple[bytes, dict[str, str]]:
    """The sheet for the Typst typesetter: its source, and what is on it as inputs."""
    data = json.dumps(encode(_sheet(coupon)), ensure_ascii=False)
    return paper.page_file("coupon.typ").encode(), {"sheet": data}


def _sheet(coupon: Coupon) -> RecordingSheet:
    process = coupon.process
    supported = any(cell.condition.kind is ConditionKind.SUPPORT for cell in coupon.cells)
    files = ", then ".join(file_names(batch)[0] for batch in coupon.batches)
    cells = sorted(coupon.cells, key=lambda cell: cell.label)
    own, in_common = differing([cell.condition for cell in cells])
    facts = (
        ("Printer", process.printer.name),
        ("Material", process.material.name),
        ("Process", process.name),
        ("File", files),
        ("Takes", f"{coupon.minutes:.0f} min, {coupon.grams:.1f} g"),
    )
    return RecordingSheet(
        title=TITLES[coupon.kind],
        code=coupon.code,
        tries=TRIES[coupon.kind],
        facts=facts,
        steps=coupon.notes,
        plans=_plans(coupon),
        looks=_looks(coupon.cells),
        finishes=tuple(
            Figure(finish_svg(k), f"Drawing of finish {k}: {FINISH[k]}", f"{k}  {FINISH[k]}") for k in FINISH
        ),
        lets_go=tuple((way.value, LET_GO[way]) for way in LET_GO_GRADES) if supported else (),
        lines=tuple(_line(cell, words) for cell, words in zip(cells, own, strict=True)),
        in_common=in_common,
        arrows=any(cell.condition.kind is not ConditionKind.OVERHANG for cell in cells),
        left_out=_left_out(coupon),
        cautions=_cautions(process),
    )


def _cautions(process: Process) -> tuple[str, ...]:
    found = cautions(CautionedTask.PRINT, CautionedTask.TAKE_OFF, job=job_of(process))
    return (*(sentence(caution.line) for caution in found), RULES)


def _plans(coupon: Coupon) -> tuple[Figure, ...]:
    out = []
    for number, (batch, body) in enumerate(zip(coupon.batches, with_geometry(coupon).bodies, strict=True)):
        labels = ", ".join(cell.label for cell in coupon.cells if cell.batch == number)
        caption = f"Piece {batch.code} from above"
        if batch.name:
            caption += f", printed with the fan at {100 * batch.fan:.0f} %"
        seen = f"{caption}. The code stands at the front left; its cells from front to back are {labels}."
        out.append(Figure(plan_svg(coupon, number, body), seen, caption))
    return tuple(out)


def _looks(cells: tuple[Cell, ...]) -> tuple[Figure, ...]:
    """What to look at and where the calipers go, once for each shape."""
    by_shape: dict[Shape, list[Cell]] = {}
    for cell in cells:
        by_shape.setdefault(cell.shape, []).append(cell)
    out = []
    for shape, alike in by_shape.items():
        labels, first = [cell.label for cell in alike], alike[0]
        named = f"Cell{'' if len(labels) == 1 else 's'} {', '.join(labels)}"
        out.append(
            Figure(
                calipers_svg(shape, "".join(labels)),
                f"Drawing from the side: {first.calipers}. {named}.",
                f"{named}: look at {first.look}. Thickness: {first.calipers}.",
            )
        )
    return tuple(out)


def _line(cell: Cell, words: str) -> CellLine:
    nominal = "" if cell.nominal_mm is None else f"{cell.nominal_mm:.2f}"
    return CellLine(cell.label, cell.condition.kind is ConditionKind.SUPPORT, nominal, words)


def _left_out(coupon: Coupon) -> str:
    if not coupon.left_out:
        return ""
    reasons = list(dict.fromkeys(one.why for one in coupon.left_out))
    return f"Left out: {'; '.join(one.what for one in coupon.left_out)}. Why: {'; '.join(reasons)}."
