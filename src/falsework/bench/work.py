"""What workers do: one function for each stage writes its result into a folder that nobody sees yet."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from falsework.bench.stages import Stage
from falsework.documents import decode, encode
from falsework.errors import FalseworkError, ProgramError
from falsework.request.store import Store
from falsework.watch import Watch
from falsework.wording.heading import Heading

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from falsework.droop.belief import Belief
    from falsework.part.part import Part
    from falsework.planning.value import Inspection, Plan
    from falsework.process.settings import Process
    from falsework.request import Context, Request

Arguments = Mapping[str, Any]

KEPT_STEPS = 40
BRIEF = "brief.json"  # beside the whole plan: what the tray tells of it
_BY_HAND = {"show": "faces to keep clean", "spare": "faces supports must not touch"}


@dataclass
class Bench:
    """What a worker has at hand: the bench's data folder, marks and processor cores that came with a job,
    steps done before."""

    folder: Path
    marks: Mapping[str, str] = field(default_factory=dict)
    cores: int = 1
    store: Store = field(default_factory=lambda: Store(KEPT_STEPS))


def part_file(folder: Path, digest: str) -> Path:
    """Where an uploaded file lies: alone in a folder of its own, so that it can point to no other."""
    return folder / "parts" / digest / "part"


def program_file(folder: Path, digest: str) -> Path:
    """Where a machine program lies that was dropped on a sheet, as it came."""
    return folder / "programs" / digest / "program"


def fit_file(folder: Path, digest: str) -> Path:
    """Where a fit of the ledger's readings lies, by the hash of its text."""
    return folder / "fits" / digest


def do(what: str, bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    """Do the work called ``what``; FalseworkError where the input is refused."""
    _WORK[what](bench, arguments, staging, watch)


def _read(bench: Bench, arguments: Arguments, watch: Watch) -> Part:
    from falsework.part import read_part

    path, name, unit = (
        part_file(bench.folder, arguments["digest"]),
        arguments["name"],
        arguments["placing"]["unit"],
    )
    return bench.store.get(
        ("read", arguments["digest"], name, unit), lambda: read_part(path, name=name, unit=unit, watch=watch)
    )


def _request(bench: Bench, arguments: Arguments, watch: Watch) -> Request:
    """What is asked, with the faces that were marked by hand as face sets of the part."""
    from falsework.request import Placing, Request, Wish

    part, wish = _read(bench, arguments, watch), decode(Wish, arguments["wish"])
    for field_name, digest in arguments.get("marks", {}).items():
        marked = None if digest is None else _marked(bench, digest, len(part.faces))
        if marked is not None and marked.any():
            faces, title = getattr(wish, field_name), _BY_HAND[field_name]
            part = part.with_face_set(title, marked)
            wish = replace(wish, **{field_name: replace(faces, face_sets=(*faces.face_sets, title))})
    return Request(part, decode(Placing, arguments["placing"]), wish)


def _context(bench: Bench, arguments: Arguments, watch: Watch) -> Context:
    from falsework.process.settings import Process
    from falsework.request import Context

    process = decode(Process, arguments["wish"]["process"])
    belief = _belief(bench, arguments["fit"], process)
    return Context(belief, bench.store, watch, cores=bench.cores)


def _belief(bench: Bench, digest: str, process: Process) -> Belief:
    """What the fit that the sheet was made with holds of its printer and material; else the prior."""
    from falsework.droop.belief import PRIOR

    if not digest:
        return PRIOR

    def read() -> Belief:
        from falsework.tuning.belief import belief_of
        from falsework.tuning.posterior import Posterior

        try:
            posterior = Posterior.from_json(fit_file(bench.folder, digest).read_text("utf-8"))
        except FalseworkError:
            return PRIOR  # of another version: until it is made anew, figures say they are uncalibrated
        return belief_of(posterior, process.printer.name, process.material)

    return bench.store.get(("belief", digest, process.printer.name, repr(process.material)), read)


def _marked(bench: Bench, digest: str, faces: int) -> NDArray[np.bool_]:
    """(faces,) the faces that a person marked; what was marked on another mesh is cut or padded."""
    import numpy as np

    bits = np.frombuffer(base64.b64decode(bench.marks[digest]), np.uint8)
    marked = np.unpackbits(bits, bitorder="little")[:faces].astype(bool)
    return np.pad(marked, (0, faces - len(marked)))


def _text(staging: Path, name: str, text: str) -> None:
    (staging / name).write_bytes(text.encode("utf-8", "replace"))


def _json(staging: Path, name: str, value: Any) -> None:
    _text(staging, name, json.dumps(value, ensure_ascii=False, allow_nan=False))


def _part(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.bench import figures
    from falsework.bench.buffers import write_buffers
    from falsework.part import fits
    from falsework.planning.pipeline import placed_part
    from falsework.request import Placing

    width, depth, height = arguments["build_mm"]
    raw = _read(bench, arguments, watch.part(0.0, 0.7))
    placed, summary = placed_part(raw, decode(Placing, arguments["placing"]), (width, depth), bench.store)
    watch.at("drawing the part", 0.8)
    mesh = figures.part_mesh(placed)
    write_buffers(staging / "part.mesh", mesh, figures.mesh_meta(mesh, len(placed.faces)))
    coarse = figures.coarse_mesh(placed)
    write_buffers(staging / "coarse.mesh", coarse, figures.mesh_meta(coarse, len(placed.faces)))
    told_of_it = {
        "part": encode(summary),
        "bed_mm": [width, depth, height],
        "face_sets": sorted(raw.face_sets),
        "fits": fits(placed, (width, depth, height)),
    }
    _json(staging, "part.json", told_of_it)


def _inspected(bench: Bench, arguments: Arguments, watch: Watch) -> Inspection:
    from falsework.planning import inspect_for

    request = _request(bench, arguments, watch.part(0.0, 0.4))
    return inspect_for(request, _context(bench, arguments, watch.part(0.4, 1.0)))


def _mesh_of(bench: Bench, inspection: Inspection) -> dict[str, NDArray[Any]]:
    """Triangles of the undersides; how supports are built does not change them."""
    from falsework.bench import figures

    ground = inspection.ground
    assert ground is not None
    key = ("undersides", ground.part.digest, repr(inspection.process.with_usual_structure()))
    return bench.store.get(key, lambda: figures.undersides_mesh(ground))


def _undersides(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.bench import figures
    from falsework.bench.buffers import write_buffers

    inspection = _inspected(bench, arguments, watch.part(0.0, 0.8))
    assert inspection.ground is not None
    watch.at("drawing undersides", 0.8)
    _text(staging, "inspection.json", inspection.to_json(said=True))
    write_buffers(staging / "undersides.mesh", _mesh_of(bench, inspection), {})
    write_buffers(staging / "need.layers", figures.need_layers(inspection.ground), {})


def _totals(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.planning import totals_for

    request = _request(bench, arguments, watch.part(0.0, 0.1))
    result = totals_for(request, _context(bench, arguments, watch.part(0.1, 1.0)))
    if result.sparing is not None:  # the page has the faces themselves
        result = replace(result, sparing=replace(result.sparing, faces=()))
    _text(staging, "totals.json", result.to_json(said=True))


def _planned(bench: Bench, arguments: Arguments, watch: Watch, *, release: bool) -> Plan:
    """The plan, its steps kept: judging the release of a plan that was shown does not build it again."""
    from falsework.planning import judged, plan_for

    def build() -> Plan:
        request = _request(bench, arguments, watch.part(0.0, 0.05))
        context = _context(bench, arguments, watch.part(0.05, 0.6 if release else 1.0))
        return plan_for(request, context, release=False)

    beside = ("supports_as", "program", "heading")  # what a plan does not depend on
    depends = {name: value for name, value in arguments.items() if name not in beside}
    key = hashlib.sha256(json.dumps(depends, sort_keys=True).encode("utf-8", "surrogatepass")).digest()
    built = bench.store.get(("plan", key), build)
    if not release:
        return built
    context = _context(bench, arguments, watch.part(0.6, 1.0))
    return bench.store.get(("judged", key), lambda: judged(built, context))


def _supports(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.bench import figures
    from falsework.bench.buffers import write_buffers
    from falsework.process.forces import LEAST_BUCKLING_SAFETY, LEAST_TOPPLE_SAFETY
    from falsework.report.verdict import stands, verdict

    plan = _planned(bench, arguments, watch.part(0.0, 0.95), release=False)
    assert plan.geometry is not None
    watch.at("drawing supports", 0.95)
    _text(staging, "supports.json", plan.to_json(said=True))
    least = {"buckling": LEAST_BUCKLING_SAFETY, "topple": LEAST_TOPPLE_SAFETY}
    _json(staging, "words.json", {"verdict": verdict(plan), "stands": stands(plan), "least": least})
    write_buffers(staging / "supports.mesh", figures.supports_mesh(plan.geometry), {})
    carries = {piece.number: piece.undersides for piece in plan.pieces}
    meta = {"width_mm": plan.process.line_width_mm, "undersides_of": carries}
    write_buffers(staging / "supports.layers", figures.supports_layers(plan.geometry), meta)


def _release(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.ledger.looking import spots_of_plan, summary
    from falsework.report.release import doing
    from falsework.report.verdict import verdict

    plan = _planned(bench, arguments, watch, release=True)
    assert plan.release is not None
    steps = {piece.number: doing(piece) for piece in plan.release.pieces}
    _text(staging, "plan.json", plan.to_json(said=True))
    _json(staging, "words.json", {"verdict": verdict(plan), "doing": steps})
    _json(staging, BRIEF, _brief(plan))
    spots = [encode(spot) for spot in spots_of_plan(plan)]
    _json(staging, "spots.json", {"summary": summary(plan), "spots": spots})


def _brief(plan: Plan) -> dict[str, Any]:
    """What the tray says of a plan."""
    from falsework.planning.readiness import readiness

    found = readiness(plan)
    return {
        "size_mm": plan.part.size_mm,
        "time_s": plan.part_cost.time_s + plan.support_cost.time_s,
        "mass_g": plan.part_cost.mass_g + plan.support_cost.mass_g,
        "price": plan.price.total,
        "ready": found.ready,
        "wrong": [reason.notice.text for reason in found.reasons],
    }


def _remedies(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.planning.pipeline import remedies

    plan = _planned(bench, arguments, watch.part(0.0, 0.4), release=True)
    found = remedies(plan, _context(bench, arguments, watch.part(0.4, 1.0)))
    _json(staging, "remedies.json", {"remedies": [encode(remedy, said=True) for remedy in found]})


def _files(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.files.folder import REPORT, write_files
    from falsework.report import report_html

    plan = _planned(bench, arguments, watch.part(0.0, 0.5), release=True)
    heading = decode(Heading, arguments["heading"])
    report = {REPORT: report_html(plan, watch.part(0.5, 0.9), heading=heading)}
    names = write_files(
        plan,
        staging,
        supports_as=arguments["supports_as"],
        extra=report,
        heading=heading,
        watch=watch.part(0.9, 1.0),
    )
    listed = []
    for name in names:
        with open(staging / name, "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        listed.append({"name": name, "bytes": (staging / name).stat().st_size, "sha256": digest})
    _json(staging, "files.json", {"files": listed})


def _faces(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    """Bores, pins and flat faces that may have to fit something, and which triangles are theirs."""
    import numpy as np

    from falsework.bench.buffers import write_buffers
    from falsework.redrawing import candidates

    part = _read(bench, arguments, watch.part(0.0, 0.8))
    watch.at("looking for bores and mating faces", 0.8)
    found = candidates(part)
    label = np.zeros(len(part.faces), np.uint16)
    for number, one in enumerate(found, 1):
        label[list(one.faces)] = number
    write_buffers(staging / "faces.bin", {"label": label}, {})
    _json(staging, "faces.json", {"faces": [encode(one) for one in found]})


def _redraw(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    """The changes to the part itself: its files, the page about them, and what the sheet shows."""
    from falsework.bench import figures
    from falsework.bench.buffers import write_buffers
    from falsework.files.redraw import PAGE, STEP_NAMES, with_step, write_redraw_files
    from falsework.redrawing import Scope, redraw_for
    from falsework.report.redraw import redraw_html, redraw_words

    request, wanted = _request(bench, arguments, watch.part(0.0, 0.05)), arguments["redrawing"]
    spare = request.wish.spare
    spare = replace(spare, face_sets=(*spare.face_sets, *wanted["keep"]))
    request = replace(request, wish=replace(request.wish, spare=spare))
    context = _context(bench, arguments, watch.part(0.05, 0.9))
    change = {int(number): kind for number, kind in wanted["change"].items()}
    scope = Scope(split=wanted["cuts"], change=change)
    result = redraw_for(request, context, scope)
    step = None
    if arguments["name"].lower().endswith(STEP_NAMES):
        source = part_file(bench.folder, arguments["digest"])
        result, step = with_step(result, source, watch.part(0.9, 0.93))
    page = redraw_html(result, watch.part(0.93, 0.97))
    names = write_redraw_files(result, staging, step=step, extra={PAGE: page}, watch=watch.part(0.97, 1.0))
    _json(staging, "words.json", {**redraw_words(result), "files": names})
    write_buffers(staging / "redrawn.mesh", *figures.redrawn_mesh(result))


def _audit(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    """A machine program held against the plan: the findings, the page about them, and what is seen around
    each."""
    from falsework.auditing import Reads, audit
    from falsework.bench import figures
    from falsework.bench.buffers import write_buffers
    from falsework.report.audit import figure_rows, page_of, pictures_of, underside_row, where

    program = arguments["program"]
    plan = _planned(bench, arguments, watch.part(0.0, 0.2), release=False)
    path = program_file(bench.folder, program["digest"])
    try:
        found = audit(
            path,
            plan,
            belief=_belief(bench, arguments["fit"], plan.process),
            reads=Reads(volumetric=program["volumetric"]),
            watch=watch.part(0.2, 0.8),
        )
    except ProgramError as error:  # it says the name under which the file is kept
        raise ProgramError(program["name"], error.wrong, error.cure) from None
    found = replace(found, program=program["name"])
    pictures = pictures_of(found, watch.part(0.8, 1.0))
    _text(staging, "audit.json", found.to_json())
    _text(staging, "report.html", page_of(found, pictures))
    said = {
        "program": program,
        "fit": arguments["fit"],
        "where": {finding.number: where(finding) for finding in found.findings},
        "figures": figure_rows(found),
        "undersides": [underside_row(underside) for underside in found.undersides],
        "pictures": sorted(pictures),
    }
    _json(staging, "words.json", said)
    for number, (view, drawn) in pictures.items():
        write_buffers(staging / f"around-{number}.bin", figures.strands_around(view), encode(drawn))


def _lies(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.part import place
    from falsework.planning.orienting import orientations_for
    from falsework.planning.value import orientations_json
    from falsework.report.orientations import sphere_of

    request = _request(bench, arguments, watch.part(0.0, 0.1))
    assert not isinstance(request.part, str | Path)
    placed = place(request.part, scale=request.placing.scale, bed_mm=request.wish.bed_mm)
    lies = orientations_for(placed, request.wish, _context(bench, arguments, watch.part(0.1, 0.95)))
    _text(staging, "lies.json", orientations_json(lies, said=True))
    sphere = sphere_of(lies, placed, (0.0, 0.0, 0.0), request.wish.process, watch.part(0.95, 1.0))
    _json(staging, "sphere.json", asdict(sphere))


def _patches(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    from falsework.bench import figures
    from falsework.bench.buffers import write_buffers

    part = _read(bench, arguments, watch.part(0.0, 0.8))
    watch.at("finding whole faces", 0.8)
    label = figures.smooth_patches(part)
    write_buffers(staging / "patches.bin", {"label": label}, {"labels": int(label.max()) + 1})


def _demo(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    """A part of the harbour museum as an STL file, as if somebody had dropped it."""
    from falsework.files.stl import write_stl
    from falsework.part.demo import demo_parts
    from falsework.part.stl import INVENTED

    watch.at("making the part", 0.0)
    part = demo_parts()[arguments["name"]]()
    write_stl(staging / "part", part.vertices, part.faces, f"{part.name}, of the {INVENTED}")


def _coupon(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    """A test piece: its files, its recording sheet, and what there is to look at."""
    from falsework.coupon import Condition, CouponKind, PieceLimits
    from falsework.coupon.designing import design_coupon
    from falsework.files.coupon import write_coupon
    from falsework.ledger.looking import spots_of_piece
    from falsework.process.settings import Process
    from falsework.report.coupon import plan_pictures, sheet_files

    cells, process = arguments["cells"], decode(Process, arguments["process"])
    piece = design_coupon(
        CouponKind(arguments["kind"]),
        process,
        _belief(bench, arguments["fit"], process),
        seed=arguments["seed"],
        limits=PieceLimits(arguments["minutes"], arguments["grams"]),
        cells=None if cells is None else [decode(Condition, cell) for cell in cells],
        watch=watch.part(0.0, 0.7),
    )
    written = write_coupon(piece, staging / "piece", extra=sheet_files(piece), watch=watch.part(0.7, 1.0))
    for path in written:
        path.rename(staging / path.name)
    (staging / "piece").rmdir()
    for name, picture in plan_pictures(piece).items():  # shown while it is read off; no file to take
        (staging / name).write_bytes(picture)
    _json(staging, "spots.json", {"spots": [encode(spot) for spot in spots_of_piece(piece)]})


def _tune(bench: Bench, arguments: Arguments, staging: Path, watch: Watch) -> None:
    """The fit of all readings, what follows for one process, and the tuned process as a file."""
    from falsework.ledger import Ledger
    from falsework.process.settings import Process
    from falsework.report.tuning import tuning_html
    from falsework.tuning.of_ledger import fit_ledger
    from falsework.tuning.process_file import process_file
    from falsework.tuning.results import tune

    process = decode(Process, arguments["process"])
    ledger = Ledger.existing(Path(arguments["ledger"]))
    fitted = fit_ledger(ledger, process, keep=False, watch=watch.part(0.0, 0.4))
    if fitted.recorded or (ledger is not None and ledger.fit() is not None):
        _text(staging, "fit.json", fitted.posterior.to_json())
    tuned = tune(
        fitted,
        process,
        most_minutes=arguments["minutes"],
        most_grams=arguments["grams"],
        watch=watch.part(0.4, 0.9),
    )
    _text(staging, "tuning.json", tuned.to_json())
    _text(staging, "tuning.html", tuning_html(tuned))
    _text(staging, "process.toml", process_file(tuned.recommendation, fitted.recorded))


_WORK: dict[str, Callable[[Bench, Arguments, Path, Watch], None]] = {
    Stage.PART: _part,
    Stage.UNDERSIDES: _undersides,
    Stage.TOTALS: _totals,
    Stage.SUPPORTS: _supports,
    Stage.RELEASE: _release,
    Stage.REMEDIES: _remedies,
    Stage.FILES: _files,
    Stage.REDRAW: _redraw,
    Stage.AUDIT: _audit,
    Stage.FACES: _faces,
    Stage.LIES: _lies,
    Stage.PATCHES: _patches,
    "demo": _demo,
    "coupon": _coupon,
    "tune": _tune,
}
