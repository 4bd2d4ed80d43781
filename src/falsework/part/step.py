"""STEP solids, turned into triangles by OpenCASCADE through the optional cascadio."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tempfile
from pathlib import Path

from falsework.errors import PartError
from falsework.part.raw import RawMesh

CHORD_MM = 0.01  # how far a triangle may lie off the true surface
ANGLE_RAD = 0.2
SECONDS = 300
# In a process of its own: the library prints its complaints and can crash on a broken file.
CONVERT = (
    "import cascadio, sys; sys.exit(cascadio.step_to_glb(sys.argv[1], sys.argv[2], "
    "tol_linear=float(sys.argv[3]), tol_angular=float(sys.argv[4])))"
)


def read_step(path: Path, name: str) -> RawMesh:
    """Triangles of a STEP file, ``name`` in messages: within ``CHORD_MM`` of its surface, z up, in metres."""
    from falsework.part.scene import gltf_scene

    if importlib.util.find_spec("cascadio") is None:
        raise PartError(
            name,
            "reading STEP needs the optional package cascadio",
            "Install it with: pip install 'falsework[step]'; or export the part as 3MF or STL",
        )
    with tempfile.TemporaryDirectory(prefix="falsework-step-") as folder:
        out = Path(folder) / "part.glb"
        command = [sys.executable, "-c", CONVERT, str(path.resolve()), str(out)]
        command += [str(CHORD_MM), str(ANGLE_RAD)]
        try:
            done = subprocess.run(command, capture_output=True, timeout=SECONDS, check=False)
        except subprocess.TimeoutExpired:
            raise PartError(
                name,
                f"turning the STEP into triangles took more than {SECONDS} s",
                "Export the part as 3MF or STL",
            ) from None
        if done.returncode != 0 or not out.is_file():
            raise PartError(
                name, "the STEP is broken or holds no solid", "Export it again, or export 3MF or STL"
            )
        return gltf_scene(out.read_bytes(), name, z_up=True)
