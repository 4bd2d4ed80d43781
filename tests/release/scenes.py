"""Parts and supports made of solids, for tests of release without planning."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from manifold3d import CrossSection, Manifold, Mesh64

from falsework.cost.cost import Cost
from falsework.layers import layer_boundaries, stack_layers
from falsework.layers.stack import LayerStack
from falsework.need.underside import NeedMap
from falsework.part.part import Part
from falsework.process.derived import Gap
from falsework.process.settings import Process
from falsework.release.value import Release
from falsework.request.context import Context
from falsework.support.geometry import Geometry
from falsework.support.scheme import SupportMesh, SupportPiece, SupportScheme, SupportStrands

PLA = Process(name="test")
NO_NEED = NeedMap(
    0.225,
    48.0,
    (),
    np.empty(0, dtype=object),
    np.empty(0, dtype=np.int64),
    np.empty(0, dtype=np.int64),
    np.empty(0, dtype=bool),
)


def box(low, high) -> Manifold:
    return Manifold.cube(tuple(b - a for a, b in zip(low, high, strict=True))).translate(tuple(low))


def rod(radius, height, at=(0.0, 0.0, 0.0), sides=64, top=None) -> Manifold:
    """An upright cylinder or cone from its foot's middle."""
    return Manifold.cylinder(height, radius, radius if top is None else top, sides).translate(tuple(at))


def revolved(profile, sides=64) -> Manifold:
    return Manifold.revolve(CrossSection([np.asarray(profile, dtype=np.float64)]), sides)


def arrays(solid: Manifold) -> tuple[np.ndarray, np.ndarray]:
    mesh = solid.to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3].copy(), np.asarray(mesh.tri_verts).astype(np.int32)


def part_of(solid: Manifold) -> Part:
    return Part("test", *arrays(solid))


def solid_of(vertices, faces) -> Manifold:
    return Manifold(
        Mesh64(np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.uint64))
    )


def piece(number=1, undersides=(), contact=20.0, foot=0.0, scar=0.0) -> SupportPiece:
    return SupportPiece(
        number, tuple(undersides), contact, foot, scar, 0.0, 1.0, 1.0, 10.0, 10.0, "", False, Cost(price=0.1)
    )


def scheme_of(
    solids: Sequence[Manifold], pieces: Sequence[SupportPiece] | None = None, gap_mm: float = 0.4
) -> SupportScheme:
    """A scheme of one piece per solid, without strands; all stand on the part unless ``pieces`` says else."""
    vertices, faces, owner, total = [np.empty((0, 3))], [np.empty((0, 3), np.int32)], [], 0
    for k, solid in enumerate(solids):
        points, triangles = arrays(solid)
        vertices.append(points)
        faces.append(triangles + total)
        owner.append(np.full(len(triangles), k))
        total += len(points)
    none = np.empty(0, dtype=object)
    empty = np.empty(0, dtype=np.int64)
    return SupportScheme(
        Gap(gap_mm, round(gap_mm / 0.2), gap_mm),
        Gap(0.2, 1, 0.2),
        tuple(pieces or [piece(k + 1, scar=1.0) for k in range(len(solids))]),
        none,
        none,
        none,
        none,
        SupportStrands(np.empty((0, 4)), empty, np.empty(0, np.int8), empty),
        partial(
            SupportMesh,
            np.concatenate(vertices),
            np.concatenate(faces).astype(np.int32),
            np.concatenate([np.empty(0, np.int64), *owner]).astype(np.int64),
        ),
    )


def stack_of_part(part: Part, process: Process = PLA) -> LayerStack:
    height = float(part.vertices[:, 2].max())
    return stack_layers(
        part, layer_boundaries(height, process.first_layer_height_mm, process.layer_height_mm)
    )


def judged(solid: Manifold, supports: Sequence[Manifold], pieces=None, **options) -> Release:
    """Release of solids used as supports from a solid used as part."""
    from falsework.release import Pulls, judge_release
    from falsework.release.value import Tool

    part = part_of(solid)
    process = options.pop("process", PLA)
    scheme = scheme_of(supports, pieces, options.pop("gap_mm", 0.4))
    need = options.pop("need", NO_NEED)
    pulls = Pulls(options.pop("tool", Tool()), options.pop("directions", 300))
    planned = Geometry(part, stack_of_part(part, process), need, scheme)
    return judge_release(planned, process, Context(**options), pulls)
