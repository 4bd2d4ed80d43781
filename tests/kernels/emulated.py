"""Figures by the kernels for graphics processors, emulated, beside their twins'; run by ``test_gpu`` on its
own.

The emulator is chosen when numba is loaded: hence a process of its own. Prints one JSON object.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

os.environ["NUMBA_ENABLE_CUDASIM"] = "1"
sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np

from falsework.kernels.column import intervals as k
from falsework.orientation import device
from falsework.orientation.body import body_of
from falsework.orientation.device import ColumnLimits, Counter, devices, wanted
from falsework.orientation.directions import hull_corners, rotations_to_up
from falsework.watch import QUIET
from solids import box, merged

BUSY, FEW = device.BUSY, device.FEW
GRID, LIMITS = 8, ColumnLimits(8, 45.0, 0.1, 0.2, 0.5)
SOLID = (0.3, -0.2, 0.93)


def _bar():
    """A bar on one of its long edges: a sharp lower edge whose faces hold."""
    vertices, faces = box((20.0, 4.0, 4.0))
    c, s = np.cos(np.radians(50.0)), np.sin(np.radians(50.0))
    return np.asarray(vertices) @ np.array([[1, 0, 0], [0, c, -s], [0, s, c]]).T, faces


def _arm():
    """A bar that hangs in the air by a wall, an edge of it down."""
    vertices, faces = _bar()
    return merged((vertices + np.array([4.0, 3.0, 12.0]), faces), box((4.5, 9.0, 22.0)))


def shapes():
    """Meshes by name, and the directions that they are laid along."""
    portal = merged(box((5, 6, 20)), box((5, 6, 20), (20, 0, 0)), box((25, 6, 5), (0, 0, 20)))
    plates = merged(*(box((10, 10, 0.2), (0, 0, float(z))) for z in range(20)))
    vertices, faces = box((8, 7, 6))
    thin = np.vstack([faces, [[0, 0, 1]]])
    lone = (np.array([[0.0, 0, 0], [9, 0, 1], [0, 9, 4]]), np.array([[0, 1, 2]]))
    return {
        "portal": (portal, [(0.0, 0.0, 1.0), SOLID, (1.0, 0.0, 0.0)]),
        "arm": (_arm(), [(0.0, 0.0, 1.0), (0.02, 0.01, 1.0)]),
        "plates": (plates, [(0.0, 0.0, 1.0), (1.0, 0.1, 0.2)]),
        "open": ((vertices, np.asarray(faces)[2:]), [(0.0, 0.0, 1.0), SOLID]),
        "degenerate": ((vertices, thin), [SOLID]),
        "one triangle": (lone, [(0.0, 0.0, 1.0), SOLID]),
        "flat": ((np.array([[0.0, 0, 0], [9, 0, 0], [0, 9, 0]]), np.array([[0, 1, 2]])), [(1.0, 0.0, 0.0)]),
    }


def main() -> None:
    out: dict[str, object] = {"devices": devices(), "wanted": wanted("auto", many=True)}
    for name, ((vertices, faces), ups) in shapes().items():
        faces = np.asarray(faces, np.int32)
        body = body_of(np.asarray(vertices, float), faces, np.arange(len(faces)) % 3 == 0)
        ups = np.asarray(ups, float)
        ups /= np.linalg.norm(ups, axis=1)[:, None]
        turns = rotations_to_up(ups, 17.3)
        here = k.orientation_figures(
            body.vertices, body.faces, body.normals, body.show, body.edges, body.beside, turns, body.center,
            GRID, LIMITS.limit_deg, LIMITS.touch_mm, LIMITS.rim_mm, LIMITS.head_mm,
        )  # fmt: skip
        corners = hull_corners(body.points) if np.ptp(vertices, axis=0).min() > 0 else body.points
        device.BUSY = BUSY if name == "portal" else 1  # its threads are slow: one a triangle will do
        counter = Counter(body, corners)
        there = counter.figures(turns, LIMITS, QUIET, "counting")
        out[name] = {
            "here": here.tolist(),
            "there": there.tolist(),
            "sums here": k.facet_sums(body.areas, body.normals, ups, 0.8, 0.9).tolist(),
            "sums there": counter.surface_sums(ups, 0.8, 0.9).tolist(),
        }
        if name == "plates":
            device.FEW = 0
            out["too many"] = np.isnan(counter.figures(turns[:1], LIMITS, QUIET, "counting")).tolist()
            device.FEW = FEW
    print(json.dumps(out))


if __name__ == "__main__":
    main()
