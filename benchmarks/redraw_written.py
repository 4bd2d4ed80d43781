"""The files that a redraw writes, read and planned anew: what was promised against what is found.

    python benchmarks/redraw_written.py PART … [--turn X,Y,Z] [--scale S] [--kinds corbel,ribs]

For each part: CPU time of a plan, of the redraw (no split) and its measure in plans; the price promised for
the redrawn part and those that plans of ``redrawn.stl`` and ``redrawn.3mf`` find; islands and asking
undersides of the part, as promised and as found; whether our reader, trimesh and manifold3d take the files
for sound solids (closed, no face crossing another, each named solid of ``changes.3mf`` too); how many
undersides are settled by what. The last line counts what differs. Meshes are arguments: nothing is fetched.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections import Counter
from pathlib import Path

import trimesh
from manifold3d import Error, Manifold, Mesh64

from falsework.errors import FalseworkError
from falsework.files.redraw import CHANGES, MESH, PACKAGE, write_redraw
from falsework.need.underside import UndersideKind
from falsework.part import read_part
from falsework.part.part import Part
from falsework.planning import plan
from falsework.planning.value import Plan
from falsework.redrawing import redraw
from falsework.redrawing.printed import printed_of

CENT = 0.005


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="+", type=Path)
    parser.add_argument("--turn", default="0,0,0")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--kinds")
    asked = parser.parse_args()
    plan(trimesh_box())
    redraw(trimesh_box(), split=False, other_lies=False)
    wrong = 0
    for path in asked.parts:
        try:
            wrong += report(path, asked)
        except FalseworkError as error:
            print(f"{path.name}: {error}", flush=True)
    print(f"{wrong} of {len(asked.parts)} differ from what was promised")


def trimesh_box() -> Part:
    from falsework.part.demo import demo_parts

    return demo_parts()["table"]()


def report(path: Path, asked: argparse.Namespace) -> int:
    part = read_part(path)
    turn = tuple(float(v) for v in asked.turn.split(","))
    begin = time.process_time()
    plan(part, turn_deg=turn, scale=asked.scale)
    planned_s = time.process_time() - begin
    begin = time.process_time()
    kinds = asked.kinds.split(",") if asked.kinds else None
    found = redraw(part, split=False, turn_deg=turn, scale=asked.scale, kinds=kinds)
    took_s = time.process_time() - begin
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{path.name}: plan {planned_s:.1f} s, redraw {took_s:.1f} s = {took_s / planned_s:.1f} plans, "
        f"{peak_mb:.0f} MB; best: {found.best}",
        flush=True,
    )
    kinds_taken = Counter(str(t.chosen) for t in found.treated)
    print(f"  {len(found.treated)} treated: {dict(kinds_taken)}; before {found.before.price:.2f}")
    for line in (*found.notes[1:], *(found.combined.dropped if found.combined else ())):
        print(f"  {line}")
    if found.combined is None or found.geometry is None or found.geometry.replan is None:
        return 0
    promised, before = found.geometry.replan, found.geometry.plan
    faults = []
    with tempfile.TemporaryDirectory() as folder:
        write_redraw(found, Path(folder) / "out")
        for name in (MESH, PACKAGE):
            file = Path(folder) / "out" / name
            again = plan(read_part(file), release=False)
            price = printed_of(again).price
            print(
                f"  {name}: promised {found.combined.after.price:.4f}, found {price:.4f}; islands "
                f"{islands(before)} → {islands(promised)}, found {islands(again)}; asking "
                f"{found.before.undersides} → {found.combined.after.undersides}, found "
                f"{printed_of(again).undersides}"
            )
            if abs(price - found.combined.after.price) > CENT:
                faults.append(f"{name}: price")
            if islands(again) > islands(before):
                faults.append(f"{name}: {islands(again) - islands(before)} new islands")
            faults += [f"{name}: {fault}" for fault in unsound(file)]
        faults += [f"{CHANGES}: {fault}" for fault in unsound(Path(folder) / "out" / CHANGES, several=True)]
    for fault in faults:
        print(f"  DIFFERS: {fault}")
    return int(bool(faults))


def islands(planned: Plan) -> int:
    return sum(under.kind is UndersideKind.ISLAND for under in planned.undersides)


def unsound(path: Path, several: bool = False) -> list[str]:
    """What our reader, trimesh and manifold3d have against a file."""
    faults = []
    if not several:
        health = read_part(path).health
        if not health.closed:
            faults.append("our reader: open")
        if health.self_intersections:
            faults.append(f"our reader: {health.self_intersections} faces cross")
        faults += [f"our reader: {f.what}" for f in health.findings if f.serious]
    for name, mesh in bodies(path):
        if not (mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0.0):
            faults.append(f"trimesh: {name} is no sound solid")
        solid = Manifold(Mesh64(mesh.vertices, mesh.faces.astype("uint64")))
        if solid.status() != Error.NoError:
            faults.append(f"manifold3d: {name}: {solid.status()}")
    return faults


def bodies(path: Path) -> list[tuple[str, trimesh.Trimesh]]:
    loaded = trimesh.load(path, process=False, force=None if path.suffix == ".3mf" else "mesh")
    meshes = loaded.geometry.items() if isinstance(loaded, trimesh.Scene) else [(path.name, loaded)]
    for _, mesh in meshes:
        mesh.merge_vertices(digits_vertex=9)
    return list(meshes)


if __name__ == "__main__":
    main()
