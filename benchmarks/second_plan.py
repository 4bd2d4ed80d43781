"""A second plan after one changed choice, beside the first: CPU seconds, and which steps ran again.

    python benchmarks/second_plan.py FOLDER [--only NAME ...] [--steps] [--same]

For parts of a folder whose ``index.csv`` names them. Each part is planned once, on one core, with a store, as
the bench in the browser keeps one; from there a process is forked for every change, so that each finds what
the first plan left and nothing else. A row gives the seconds of the first plan with start-up, then those of
each second plan and their share of it; ``--steps`` adds where they went, by the steps that a plan tells;
``--same`` holds each against a plan with an empty store. CPU seconds of a busy machine are up to twice those
of an idle one: read the shares.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from shores import mesh_part, meshes

PARTS = (
    "so101_upper_arm", "so101_webcam_mount", "so101_base.", "so101_moving_jaw", "odri_stand_fork",
    "chess_knight", "penguin", "spot", "tea_cup", "cat",
)  # fmt: skip


def changes(process: Any, plan: Any) -> dict[str, dict[str, Any]]:
    """Options of each second plan by what it changes."""
    structure = process.structure

    def built(**how: Any) -> dict[str, Any]:
        return {"process": replace(process, structure=replace(structure, **how))}

    def material(**how: Any) -> dict[str, Any]:
        return {"process": replace(process, material=replace(process.material, **how))}

    from falsework import Weights

    served = {number for piece in plan.pieces for number in piece.undersides}
    asks = [choice.underside for choice in plan.choices if choice.underside in served]
    bare = [c.underside for c in plan.choices if c.underside not in served and c.chosen.value == "leave"]
    out = {
        "weights": {"weights": Weights(time=2.0)},
        "filament's price": material(price_per_kg=30.0),
        "speed": {"process": replace(process, support_speed_mm_s=50.0)},
        "spacing": built(spacing_mm=3.0),
        "weave": built(weave="crossed"),
        "interface": built(interface_layers=structure.interface_layers + 1),
        "interface below": built(interface_layers_below=structure.interface_layers_below + 1),
        "foot": built(foot_layers=structure.foot_layers + 1),
        "air gap": built(air_gap_layers=structure.air_gap_layers + 1.0),
        "air gap below": built(air_gap_below_layers=structure.air_gap_below_layers + 1.0),
        "side gap": built(side_gap_mm=structure.side_gap_mm + 0.2),
        "all from the bed": {"standing": "bed"},
    }
    if asks:
        out["one left"] = {"overrules": {asks[0]: "leave"}}
    if bare:
        out["one more"] = {"overrules": {bare[0]: "bed-or-part"}}
    return out


def digest(plan: Any) -> str:
    """Of all that a plan says and builds."""
    scheme = plan.geometry.scheme
    out = hashlib.sha256(plan.to_json().encode())
    for array in (*vars(scheme.strands).values(), scheme.vertices, scheme.faces, scheme.face_piece):
        out.update(array.tobytes())
    return out.hexdigest()[:12]


def apart(work: Callable[[], Any]) -> Any:
    """What ``work`` gives in a process forked from here."""
    sys.stdout.flush()
    reads, writes = os.pipe()
    child = os.fork()
    if not child:
        code = 1
        try:
            os.write(writes, json.dumps(work()).encode())
            code = 0
        finally:
            os._exit(code)
    os.close(writes)
    with os.fdopen(reads) as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    if not said:
        raise SystemExit("a second plan ended early")
    return json.loads(said)


class Steps:
    """CPU seconds by the step that was last told."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self._last, self._since = "start", time.process_time()

    def tell(self, step: str, _: float) -> None:
        now = time.process_time()
        self.spent[self._last] = self.spent.get(self._last, 0.0) + now - self._since
        self._last, self._since = step, now


def one_part(source: str, scale: float, release: bool, same: bool) -> None:
    """Its first plan and its second ones, a JSON line each: name, seconds, steps, whether equal (None: not
    asked)."""
    import falsework
    from falsework.watch import Watch

    part = mesh_part(source)
    usual = falsework.load_process("pla-0.4")

    def planned(store: Any, process: Any = usual, **how: Any) -> tuple[Any, float, dict[str, float]]:
        start, steps = time.process_time(), Steps()
        plan = falsework.plan(
            part, process, scale=scale, release=release, cores=1, store=store, watch=Watch(steps.tell), **how
        )
        steps.tell("", 1.0)
        return plan, time.process_time() - start, steps.spent

    store = falsework.Store()
    plan, own, steps = planned(store)
    print(json.dumps(["first", time.process_time(), steps, None]), flush=True)
    print(json.dumps(["its own work", own, {}, None]), flush=True)
    gc.freeze()
    for name, how in changes(usual, plan).items():

        def second(how: dict[str, Any] = how) -> list[Any]:
            made, spent, steps = planned(store, **how)
            return [spent, steps, digest(made) if same else ""]

        spent, steps, found = apart(second)
        equal = None
        if same:
            equal = found == apart(lambda how=how: digest(planned(falsework.Store(), **how)[0]))
        print(json.dumps([name, spent, steps, equal]), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path, help="of meshes, with an index.csv")
    parser.add_argument("--only", nargs="*", default=PARTS, help="parts whose names hold one of these")
    parser.add_argument("--steps", action="store_true", help="where the seconds of each went")
    parser.add_argument("--release", action="store_true", help="how supports come off is judged too")
    parser.add_argument("--same", action="store_true", help="hold each against a plan with an empty store")
    parser.add_argument("--one", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        one_part(asked.one[0], float(asked.one[1]), asked.release, asked.same)
        return
    shares: dict[str, list[float]] = {}
    flags = [f"--{name}" for name in ("release", "same") if getattr(asked, name)]
    for name, source, scale in meshes(asked.folder):
        if not any(word in name for word in asked.only):
            continue
        command = [sys.executable, __file__, str(asked.folder), "--one", source, repr(scale), *flags]
        done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=False)
        rows = [json.loads(line) for line in done.stdout.splitlines()]
        if done.returncode or not rows:
            print(f"| {name} | left out |", flush=True)
            continue
        first = rows[0][1]
        cells = [f"{first:.2f}", f"{rows[1][1]:.2f}"]
        for what, seconds, _, equal in rows[2:]:
            shares.setdefault(what, []).append(seconds / first)
            cells.append(
                f"{what} {seconds:.2f}, {seconds / first:.2f}{' NOT THE SAME' if equal is False else ''}"
            )
        print(f"| {name} | {' | '.join(cells)} |", flush=True)
        if asked.steps:
            print_steps(rows)
    for what, found in shares.items():
        print(f"{what}: median {statistics.median(found):.2f}, worst {max(found):.2f}")


def print_steps(rows: list[list[Any]]) -> None:
    """A table of steps by changes, hundredths of a second."""
    steps = list(dict.fromkeys(step for row in rows for step in row[2]))
    columns = [row for row in rows if row[2]]
    for step in steps:
        spent = [row[2].get(step, 0.0) for row in columns]
        if max(spent) >= 0.02:
            print(f"    {step:36s}" + "".join(f"{100 * one:6.0f}" for one in spent))
    print("    " + ", ".join(row[0] for row in columns))


if __name__ == "__main__":
    main()
