"""The changed part as STEP with its own faces: the changes made on the boundary representation itself.

Reading, booleans and writing are OpenCASCADE's, through the optional bindings; they run in a process of their
own, which may be stopped and may crash without harm. What is added or taken are solids with plane faces: the
faces of the part that they do not touch stay as they were drawn, cylinders as cylinders.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import signal
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.watch import QUIET, Watch

CPU_S, MOST_S = 60, 240.0  # of one try, and on a machine that is busy with other work
MOST_TRIANGLES = 4000  # of all changes: the modeller takes a second for some hundred
SAME_SHARE, SAME_MM3 = 0.005, 2.0  # of the volume, against the mesh's, which stands inside round faces
SPECK_MM3 = 1e-3
FUZZY_MM = (1e-5, 1e-4, 1e-3)  # how near is the same, in turn: faces that nearly touch may lose the body


_OUT_OF_TIME = -signal.SIGXCPU if hasattr(signal, "SIGXCPU") else None  # what the process then ends with


@dataclass(frozen=True, eq=False)
class BRepChange:
    """One solid to be added, or taken away: (n, 3) vertices and (m, 3) faces in the frame of the files."""

    added: bool
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]


@dataclass(frozen=True)
class BRepResult:
    """Whether the file was written; if not, ``why`` in words, else how many faces the part had and has."""

    written: bool
    why: str = ""
    faces_before: int = 0
    faces_after: int = 0


def write_changed_step(
    source: Path,
    path: Path,
    frame: NDArray[np.float64],
    changes: Sequence[BRepChange],
    volume_mm3: float,
    watch: Watch = QUIET,
) -> BRepResult:
    """Make the changes on the solids of a STEP file and write the result as STEP.

    ``frame`` (3, 3): turn and scale from the file's own frame; ``volume_mm3``: what the changed part must
    come to. Nothing is written where the bindings are not installed, or the result is no sound solid of that
    volume: the answer says why.
    """
    if importlib.util.find_spec("OCP") is None:
        return BRepResult(False, "the package cadquery-ocp-novtk is not installed (falsework[step] has it)")
    if sum(len(change.faces) for change in changes) > MOST_TRIANGLES:
        return BRepResult(False, "the changes are too curved to be drawn with plane faces")
    with tempfile.TemporaryDirectory(prefix="falsework-brep-") as folder:
        arrays: dict[str, Any] = {"frame": frame, "added": [change.added for change in changes]}
        for k, change in enumerate(changes):
            arrays[f"v{k}"], arrays[f"f{k}"] = change.vertices, change.faces
        work = Path(folder) / "changes.npz"
        np.savez(work, **arrays)
        answer = _answer([str(source.resolve()), str(work), str(path)], watch)
    if "why" in answer:
        return BRepResult(False, answer["why"])
    off = abs(answer["volume_mm3"] - volume_mm3)
    if off > SAME_MM3 + SAME_SHARE * volume_mm3:
        path.unlink(missing_ok=True)
        return BRepResult(False, f"its volume would differ by {off:.1f} mm³ from that of the mesh")
    return BRepResult(True, "", answer["before"], answer["after"])


def _answer(arguments: list[str], watch: Watch) -> dict[str, Any]:
    """What the process says: figures, or why there are none."""
    command = [sys.executable, "-m", "falsework.files.brep", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        waited, said = 0.0, ""
        try:
            while True:
                watch.at("making the changes on the STEP's own faces", min(0.95, waited / CPU_S))
                try:
                    said, _ = process.communicate(timeout=0.25)
                    break
                except subprocess.TimeoutExpired:
                    waited += 0.25
                    if waited > MOST_S:
                        break
        finally:
            if process.poll() is None:
                process.kill()
    if waited > MOST_S or process.returncode == _OUT_OF_TIME:
        return {"why": f"it took more than {CPU_S} s of computing"}
    lines = said.strip().splitlines()
    if process.returncode != 0 or not lines:
        return {"why": "the solid modeller could not make them"}
    answer: dict[str, Any] = json.loads(lines[-1])
    return answer


def _made(source: str, work: str, path: str) -> dict[str, Any]:
    """Read, change, check and write, in the process that has the bindings."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.gp import gp_Trsf
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Reader, STEPControl_Writer

    reader = STEPControl_Reader()
    if reader.ReadFile(source) != IFSelect_RetDone:
        return {"why": "the STEP file could not be read"}
    reader.TransferRoots()
    shape = reader.OneShape()
    before = _count(shape)
    with np.load(work) as arrays:
        frame, added = arrays["frame"], arrays["added"].tolist()
        meshes = [(arrays[f"v{k}"], arrays[f"f{k}"]) for k in range(len(added))]
    turn = gp_Trsf()
    rows = np.column_stack([frame, np.zeros(3)])
    turn.SetValues(*rows.ravel().tolist())
    shape = BRepBuilderAPI_Transform(shape, turn, True).Shape()
    for more, (vertices, faces) in zip(added, meshes, strict=True):
        tool = _solid(vertices, faces)
        if tool is None:
            return {"why": "a change is no closed solid with plane faces"}
        shape = _changed(shape, tool, more)
        if shape is None:
            return {"why": "the solid modeller could not unite a change with the part"}
    shape = _without_specks(shape)
    if not BRepCheck_Analyzer(shape).IsValid():
        return {"why": "the changed solid would not be sound"}
    writer = STEPControl_Writer()
    writer.Transfer(shape, STEPControl_AsIs)
    if writer.Write(path) != IFSelect_RetDone:
        return {"why": "the STEP file could not be written"}
    return {"before": before, "after": _count(shape), "volume_mm3": _volume_mm3(shape)}


def _changed(shape: Any, tool: Any, more: bool) -> Any:
    """The shape with a solid added or taken away; None where no try comes to a volume that it can have."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse

    was, by = _volume_mm3(shape), _volume_mm3(tool)
    least, most = (max(was, by), was + by) if more else (was - by, was)
    for fuzzy_mm in FUZZY_MM:
        step = (BRepAlgoAPI_Fuse if more else BRepAlgoAPI_Cut)(shape, tool)
        step.SetFuzzyValue(fuzzy_mm)
        step.Build()
        if not step.IsDone():
            continue
        made = _unified(step.Shape())
        if least - SAME_MM3 <= _volume_mm3(made) <= most + SAME_MM3:
            return made
    return None


def _solid(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Any:
    """A closed mesh as a solid, its triangles in one plane as one face; None where it does not close."""
    from OCP.BRepBuilderAPI import (
        BRepBuilderAPI_MakeFace,
        BRepBuilderAPI_MakePolygon,
        BRepBuilderAPI_MakeSolid,
        BRepBuilderAPI_Sewing,
    )
    from OCP.gp import gp_Pnt
    from OCP.TopAbs import TopAbs_SHELL
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    sewing = BRepBuilderAPI_Sewing(1e-6)
    points = [gp_Pnt(*row) for row in vertices.tolist()]
    for a, b, c in faces.tolist():
        wire = BRepBuilderAPI_MakePolygon(points[a], points[b], points[c], True)
        if wire.IsDone():
            face = BRepBuilderAPI_MakeFace(wire.Wire(), True)
            if face.IsDone():
                sewing.Add(face.Face())
    sewing.Perform()
    shells = TopExp_Explorer(sewing.SewedShape(), TopAbs_SHELL)
    if not shells.More() or sewing.NbFreeEdges() > 0:
        return None
    cast = getattr(TopoDS, "Shell_s", None) or TopoDS.Shell
    solid = BRepBuilderAPI_MakeSolid(cast(shells.Current())).Solid()
    return _unified(solid)


def _unified(shape: Any) -> Any:
    """The shape with faces in one plane, and edges in one line, put together."""
    from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain

    unify = ShapeUpgrade_UnifySameDomain(shape, True, True, False)
    unify.Build()
    return unify.Shape()


def _without_specks(shape: Any) -> Any:
    """The shape without shells of next to no volume, which uniting faces that nearly touch leaves inside."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid
    from OCP.TopAbs import TopAbs_SHELL, TopAbs_SOLID
    from OCP.TopoDS import TopoDS

    shells = _explored(shape, TopAbs_SHELL)
    real = [shell for shell in shells if abs(_volume_mm3(shell)) > SPECK_MM3]
    if len(real) == len(shells) or len(_explored(shape, TopAbs_SOLID)) != 1:
        return shape
    cast = getattr(TopoDS, "Shell_s", None) or TopoDS.Shell
    solid = BRepBuilderAPI_MakeSolid()
    for shell in real:
        solid.Add(cast(shell))
    return solid.Solid()


def _explored(shape: Any, sort: Any) -> list[Any]:
    from OCP.TopExp import TopExp_Explorer

    left, found = TopExp_Explorer(shape, sort), []
    while left.More():
        found.append(left.Current())
        left.Next()
    return found


def _count(shape: Any) -> int:
    from OCP.TopAbs import TopAbs_FACE

    return len(_explored(shape, TopAbs_FACE))


def _volume_mm3(shape: Any) -> float:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    properties = GProp_GProps()
    measure = getattr(BRepGProp, "VolumeProperties_s", None) or BRepGProp.VolumeProperties
    measure(shape, properties)
    return float(properties.Mass())


def _limited() -> None:
    """Let the system end this process where it computes for longer than it may."""
    with contextlib.suppress(ImportError):  # a system without such limits
        import resource

        resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 1))


if __name__ == "__main__":
    _limited()
    print(json.dumps(_made(*sys.argv[1:])))
