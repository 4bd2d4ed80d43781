"""The folder of a redraw: the changed part, the changes as solids of their own, pieces of a split, words.

Part and changes are written about the drawing's own origin, scaled and turned as the part is to be printed:
where it is neither, they lie on the drawing they came from. ``Placement.words`` says which. Pieces of a split
are written as they are printed, lying on the bed.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from falsework.errors import OutputError
from falsework.files.atomic import atomic_folder
from falsework.files.step import StepSolid, write_step
from falsework.files.stl import write_stl
from falsework.files.threemf import MeshObject, write_solids
from falsework.part.placing import turn_matrix
from falsework.redrawing.body.solids import flattened, mesh_of
from falsework.redrawing.body.written import sound_solids, written_mesh
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from falsework.files.brep import BRepResult
    from falsework.redrawing.split.value import Split
    from falsework.redrawing.value import Redraw, RedrawGeometry

REDRAW, PACKAGE, MESH, REDRAWN_STEP, CHANGES, CHANGES_STEP, PAGE = (
    "redraw.json",
    "redrawn.3mf",
    "redrawn.stl",
    "redrawn.step",
    "changes.3mf",
    "changes.step",
    "redraw.html",
)
STEP_NAMES = (".step", ".stp")  # a part that came so gets its changes so
# Curved faces of changes are drawn flat within the least of these at which the solid modeller can make them;
# of so many tries.
FLAT_MM, MOST_TRIES = (0.0, 0.01, 0.02, 0.03, 0.05), 2
MOST_PIECES = 24
_PIECES = tuple(f"split-piece-{k}.stl" for k in range(1, MOST_PIECES + 1))
_PINS = "split-pins.stl"
OWN_NAMES = (REDRAW, PACKAGE, MESH, REDRAWN_STEP, CHANGES, CHANGES_STEP, PAGE, *_PIECES, _PINS)
_PIN_GAP_MM = 3.0  # between pins on the bed


def write_redraw(
    redraw: Redraw,
    folder: str | os.PathLike[str],
    *,
    step: bytes | None = None,
    extra: Mapping[str, str] | None = None,
    watch: Watch = QUIET,
) -> tuple[Path, ...]:
    """Write a redraw's files into ``folder`` and return their paths.

    ``redraw.json`` always; where something is changed ``redrawn.3mf``, ``redrawn.stl`` and ``changes.3mf``
    with each changed region as a named solid; with ``step`` (see :func:`with_step`) the same regions in
    ``changes.step`` and, if there are any, its bytes in ``redrawn.step``; where a
    split is offered the pieces of the best one and its pins as STL. ``extra`` adds texts by file name. An
    earlier redraw in the folder is replaced, files of the user's own beside it are kept. Raises
    ``OutputError`` where the folder cannot be written and ``Cancelled`` on request; it is then as it was.

    Examples
    --------
    >>> import falsework, tempfile
    >>> from falsework.part.demo import table
    >>> found = falsework.redraw(table(), kinds=("drawn-in fins",), split=False, other_lies=False)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     "redraw.json" in [path.name for path in falsework.write_redraw(found, folder)]
    True
    """
    folder = Path(folder)
    with atomic_folder(folder, mark=REDRAW, own=OWN_NAMES) as staging:
        names = write_redraw_files(redraw, staging, step=step, extra=extra, watch=watch)
    return tuple(folder / name for name in names)


def write_redraw_files(
    redraw: Redraw,
    staging: Path,
    *,
    step: bytes | None = None,
    extra: Mapping[str, str] | None = None,
    watch: Watch = QUIET,
) -> list[str]:
    """Write a redraw's files into a folder that exists and nobody sees yet; the names written."""
    if redraw.geometry is None:
        raise OutputError(
            str(staging),
            "this redraw was read from a file and holds no geometry",
            "Redraw the part again to write its files",
        )
    name = redraw.part.name
    geometry = redraw.geometry
    names = [REDRAW]
    if geometry.redrawn is not None:
        watch.at("writing the redrawn part", 0.0)
        vertices, faces = geometry.redrawn.vertices, geometry.redrawn.faces  # the numbers that were proved
        redrawn = MeshObject("model", f"{name}, redrawn", "redrawn", vertices, faces.astype(np.int64))
        write_solids(staging / PACKAGE, redrawn.name, [redrawn])
        write_stl(staging / MESH, vertices, faces, redrawn.name)
        names += [PACKAGE, MESH]
        watch.at("writing the changes", 0.4)
        solids = _changed_solids(redraw)
        if solids:
            write_solids(staging / CHANGES, f"changes to {name}", solids, whole=f"changes to {name}")
            names.append(CHANGES)
            if step is not None:
                bodies = [StepSolid(s.name, s.vertices, s.faces) for s in solids]
                write_step(staging / CHANGES_STEP, f"changes to {name}", bodies)
                names.append(CHANGES_STEP)
        if step:
            (staging / REDRAWN_STEP).write_bytes(step)
            names.append(REDRAWN_STEP)
    if redraw.splits is not None and redraw.splits.options:
        watch.at("writing the pieces of the split", 0.7)
        names += _write_split(staging, redraw.splits.options[0])
    for file, text in {REDRAW: redraw.to_json(), **(extra or {})}.items():
        # 'replace': a file name that is not valid Unicode may have lent the part its name
        (staging / file).write_bytes(text.encode("utf-8", "replace"))
        if file not in names:
            names.append(file)
    watch.at("written", 1.0)
    return names


def with_step(redraw: Redraw, source: Path, watch: Watch = QUIET) -> tuple[Redraw, bytes]:
    """The redraw of a part that came as the STEP file ``source``, and the changed part as STEP with its own
    faces kept; no bytes where it cannot be made. The redraw's notes say which, and why."""
    geometry = redraw.geometry
    if geometry is None or geometry.redrawn is None:
        return redraw, b""
    with tempfile.TemporaryDirectory(prefix="falsework-step-") as folder:
        path = Path(folder) / REDRAWN_STEP
        made, flat_mm = _made_on_brep(redraw, geometry, source, path, watch)
        held = path.read_bytes() if made.written else b""
    if made.written:
        flat = f"; curved faces of the changes are drawn flat within {flat_mm:g} mm" if flat_mm else ""
        note = (
            f"the changed part with its own faces is in {REDRAWN_STEP}: {made.faces_before} faces as drawn, "
            f"{made.faces_after:,} with the changes{flat}"
        )
    else:
        note = (
            f"the changed part is not written as STEP, for {made.why}; {MESH} holds it as "
            f"{len(geometry.redrawn.faces):,} flat triangles, {CHANGES_STEP} what to add and take away"
        )
    return replace(redraw, notes=(*redraw.notes, note)), held


def _made_on_brep(
    redraw: Redraw, geometry: RedrawGeometry, source: Path, path: Path, watch: Watch
) -> tuple[BRepResult, float]:
    """What came of making the changes on the faces of the STEP, and within what curved ones are flat, mm."""
    from falsework.files.brep import MOST_TRIANGLES, BRepChange, write_changed_step

    assert geometry.redrawn is not None
    placement, tries = geometry.placement, 0
    solids = [
        (region.added, solid)
        for row in redraw.treated
        if row.change is not None
        for region in row.change.regions
        if region.solid is not None
        for solid in sound_solids(region.solid, placement.shift_mm)
    ]
    for flat_mm in FLAT_MM:
        plain = [(added, flattened(solid, flat_mm) if flat_mm else solid) for added, solid in solids]
        if sum(solid.num_tri() for _, solid in plain) > MOST_TRIANGLES and flat_mm < FLAT_MM[-1]:
            continue
        at = watch.part(tries / MOST_TRIES, (tries + 1) / MOST_TRIES)
        changes = [BRepChange(added, *written_mesh(solid, placement.shift_mm)[:2]) for added, solid in plain]
        frame = placement.scale * placement.turn
        made = write_changed_step(source, path, frame, changes, geometry.redrawn.volume_mm3, at)
        tries += 1
        if made.written or tries == MOST_TRIES:
            break
    return made, flat_mm


def _changed_solids(redraw: Redraw) -> list[MeshObject]:
    """Every region of the changes proposed together, named, in the frame of the files, in short numbers."""
    assert redraw.geometry is not None
    shift_mm = redraw.geometry.placement.shift_mm
    named = [
        (f"{'add' if region.added else 'take away'}: {region.name}, underside {row.underside.number}", solid)
        for row in redraw.treated
        if row.change is not None
        for region in row.change.regions
        if region.solid is not None
        for solid in sound_solids(region.solid, shift_mm)
    ]
    return [
        MeshObject("model", title, f"change-{k}", *written_mesh(solid, shift_mm)[:2])
        for k, (title, solid) in enumerate(named, 1)
    ]


def _write_split(staging: Path, split: Split) -> list[str]:
    """The pieces as they lie when printed, and all pins in a row."""
    names = []
    for file, piece in zip(_PIECES, split.pieces, strict=False):
        vertices, faces = mesh_of(piece.solid)
        vertices = vertices @ turn_matrix(piece.lie.turn_deg).T
        low, high = vertices.min(axis=0), vertices.max(axis=0)
        middle = np.array([*(0.5 * (low + high))[:2], low[2]])
        write_stl(staging / file, vertices - middle, faces, piece.name)
        names.append(file)
    pins = [mesh_of(pin.solid) for joint in split.joints for pin in joint.pins]
    if pins:
        corners, triangles, at, total = [], [], 0.0, 0
        for vertices, faces in pins:
            low, high = vertices.min(axis=0), vertices.max(axis=0)
            corners.append(vertices - low + np.array([0.0, at, 0.0]))
            triangles.append(faces + total)
            at += float(high[1] - low[1]) + _PIN_GAP_MM
            total += len(vertices)
        write_stl(staging / _PINS, np.concatenate(corners), np.concatenate(triangles), "pins")
        names.append(_PINS)
    return names
