"""The changed body as a whole: holes closed, voids shut in, pieces come loose, spared faces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from falsework.kernels.graph import joined_groups
from falsework.kernels.mesh.crossing import crossing_faces
from falsework.layers.stack import Floats, LayerStack
from falsework.need.underside import NeedMap
from falsework.part.part import MeshFinding, Part
from falsework.redrawing.body.solids import areas_left_mm2, mesh_of, shells_of
from falsework.redrawing.changes.draft import ChangeKind
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.site.value import PlannedPart
from falsework.wording import figures

if TYPE_CHECKING:
    from manifold3d import Manifold

CLOSES_A_HOLE = (ChangeKind.MEMBRANE,)  # on purpose, until it is cut out
# What a reader finds and need not mend.
HARMLESS = ("separate shells", "closed voids", "search for crossing faces", "bodies wholly inside another")
# Faces that cross deeper than this, and lie farther outside the part, are none that a union hides. A few go
# when the mesh is rounded; whether they did is asked of what is written.
CROSSING_MM, SHOWS_MM, FEW_CROSSING = 1e-4, 0.15, 4
TOUCH_MM = 0.05  # bodies that are nearer are printed as one
MOST_PAIRS = 60  # of faces, tested for one another
SPARED_LOSS_MM2 = 0.01  # of a spared face, what rounding may take
SPARED_LOSS_SHARE = 1e-6


def body_faults(changed: Changed) -> list[str]:
    """Faults of the whole body: holes closed, voids shut in, pieces come loose, bodies joined; of a change
    made alone, that its own faces cross too."""
    faults = []
    before, after = changed.ground.shells, shells_of(changed.solid)
    drafts = changed.drafts
    closing = any(draft.kind in CLOSES_A_HOLE for draft in drafts)
    if after.handles < before.handles and not closing:
        faults.append("it would close a hole of the part")
    fins = any(draft.kind is ChangeKind.FINS for draft in drafts)  # once snapped off they leave neither
    if after.voids > before.voids and not closing and not fins:
        faults.append("it would shut in a void")
    if after.bodies > before.bodies and not fins:
        faults.append("a piece would come loose")
    if after.bodies < before.bodies and not fins and after.bodies < _apart(changed.ground.solid):
        faults.append("it would join bodies that are apart")
    if len(drafts) == 1 and any(_crosses_itself(changed.ground, r.solid) for r in drafts[0].added):
        faults.append("faces of what is added would cross one another")
    return faults


def _apart(solid: Manifold) -> int:
    """How many bodies of a solid are apart: those that touch are printed as one."""
    bodies = [shell for shell in solid.decompose() if shell.volume() > 0.0]
    touching = [
        (i, j)
        for i, one in enumerate(bodies)
        for j, other in enumerate(bodies[:i])
        if one.min_gap(other, TOUCH_MM) < TOUCH_MM
    ]
    a, b = np.array(touching, dtype=np.int32).reshape(-1, 2).T
    return len(np.unique(joined_groups(len(bodies), a, b)))


def _crosses_itself(ground: PlannedPart, solid: Manifold) -> bool:
    """Whether faces of a body cross where they would show, outside the part."""
    vertices, faces = mesh_of(solid)
    flags, _ = crossing_faces(vertices, faces, CROSSING_MM, MOST_PAIRS * len(faces))
    middles = vertices[faces[flags > 0]].mean(axis=1)
    if not len(middles):
        return False
    layer = np.clip(np.searchsorted(ground.stack.z_mm, middles[:, 2]) - 1, 0, ground.stack.count - 1)
    away = ground.outlines.distance_mm(np.ascontiguousarray(middles[:, :2]), layer.astype(np.int64))
    return int((away > SHOWS_MM).sum()) > FEW_CROSSING


@dataclass(frozen=True, eq=False)
class Written:
    """A changed part as its files hold it, in their frame; its layers and need in the place of the ground,
    which lies ``shift_mm`` from the files'."""

    part: Part
    shift_mm: Floats
    stack: LayerStack
    need: NeedMap


def mended(before: Part, after: Part) -> list[MeshFinding]:
    """What a reader mends in a part, or would have to, and did not in the one that it was made from."""
    known = {finding.what for finding in before.health.findings}
    return [f for f in after.health.findings if f.what not in known and f.what not in HARMLESS]


def written_faults(before: Part, written: Written) -> tuple[list[str], list[tuple[float, ...]]]:
    """What a reader would mend in the written part, or could not; and where, in the place of the ground."""
    health, found = written.part.health, mended(before, written.part)
    faults = [f"the written mesh would not be sound: {f.count} {f.what}" for f in found]
    if before.health.closed and not health.closed and not faults:
        faults.append("the written mesh would not be closed")
    spots = [f.where_mm for f in found if f.where_mm is not None]
    return faults, [tuple(np.add(spot, written.shift_mm).tolist()) for spot in spots]


def spared_faults(changed: Changed) -> list[str]:
    """Whether any of the spared surface was covered or cut away."""
    ground = changed.ground
    before = areas_left_mm2(ground.part, ground.solid, ground.solid)
    after = areas_left_mm2(ground.part, ground.solid, changed.solid)
    lost: Floats = (before - after)[ground.spared]
    allowed = SPARED_LOSS_MM2 + SPARED_LOSS_SHARE * float(before[ground.spared].sum())
    if float(lost.sum()) <= allowed:
        return []
    return [f"{figures.area(float(lost.sum()))} of the faces to keep would be changed"]
