"""Proposals for every underside against plans of the same part, in one run.

    python benchmarks/redraw.py [--quick]

CPU time (user + system) of one process, code compiled beforehand by smaller parts. ``plan`` is a whole plan
with release; ``× plan`` what all proposals take in its measure: planning the part, drawing and proving every
kind of change for every underside that asks, the best together planned again, and another lie; no split (see
``redraw_split.py``). ``share`` is what drawing and proving alone take of that. ``closed``: the mesh by
trimesh. Prints a Markdown table; ``--quick`` leaves out the part of 203,000 triangles.
"""

from __future__ import annotations

import argparse
import resource
import time

import trimesh

from falsework.part.demo import demo_parts, gull
from falsework.part.part import Part
from falsework.planning import plan
from falsework.redrawing import redraw
from falsework.watch import Watch


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    makers = demo_parts()
    for name in ("table", "pulley block", "lamp bracket"):
        redraw(makers[name](), split=False)
    plan(makers["table"]())
    print("| part | triangles | asking | settled | plan s | redraw s | × plan | share | closed | MB |")
    print("|---|---:|---:|---:|---:|---:|---:|---:|---|---:|")
    for part in [make() for make in makers.values()] + ([] if quick else [gull(200_000)]):
        print(row(part), flush=True)


def row(part: Part) -> str:
    begin = time.process_time()
    plan(part)
    planned = time.process_time() - begin
    steps: list[tuple[str, float]] = []
    begin = time.process_time()
    found = redraw(
        part, split=False, watch=Watch(tell=lambda step, _: steps.append((step, time.process_time())))
    )
    took = time.process_time() - begin
    at = [now for step, now in steps if step.startswith("underside ")]
    ends = [now for _, now in steps if at and now > at[-1]]
    drawing = ends[0] - at[0] if ends else 0.0
    assert found.geometry is not None
    redrawn, closed = found.geometry.redrawn, "–"
    if redrawn is not None:
        mesh = trimesh.Trimesh(redrawn.vertices, redrawn.faces, process=False)
        closed = "yes" if mesh.is_watertight and mesh.is_winding_consistent else "no"
    asking = len(found.treated) + len(found.left)
    gone = len(found.combined.gone) if found.combined else 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return (
        f"| {part.name} | {len(part.faces):,} | {asking} | {gone} | {planned:.2f} | {took:.2f} "
        f"| {took / planned:.1f} | {drawing / took:.2f} | {closed} | {peak:.0f} |"
    )


if __name__ == "__main__":
    main()
