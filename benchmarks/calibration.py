"""Whether the fit's intervals hold what they promise: simulated printers drawn from the prior, read, fitted.

    python benchmarks/calibration.py [--printers 200] [--only 0] [--quick] [--cores 1] [--seconds 400]

For each simulated printer the unknowns and the law of the gap are drawn from the prior, a tray of readings is
drawn from them, and the fit sees the readings alone. The rank of the truth among the posterior's draws is
uniform if the fit is right. Prints Markdown tables: coverage of 50, 80 and 90 % intervals, the chance (χ², 10
classes) of ranks as uneven as found, hold-out across layer heights, and what a fit costs.
"""

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import takewhile
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from falsework.coupon.conditions import printed, support_condition
from falsework.coupon.reading import LET_GO_GRADES, Condition, ConditionKind, Reading
from falsework.droop.belief import Belief
from falsework.droop.bond import FULL_RUN_MM, log_bond, top_of
from falsework.droop.bridge import clean_span_mm, sag_mm
from falsework.droop.laws import Laws
from falsework.droop.outcome import finish_grading, let_go_grading, probabilities, removable_gaps_mm
from falsework.droop.overhang import threshold
from falsework.droop.parameters import NAMES, PRIORS, Parameters
from falsework.droop.strand import strand_of
from falsework.droop.supported import settled_mm
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.tuning.belief import belief_of, of_any_print
from falsework.tuning.evidence import ReadingOrigin, cell_of, laid
from falsework.tuning.fit import fit_readings
from falsework.tuning.invented import invented_printer
from falsework.tuning.model import CENTRES, FREEDOM, OUTLIERS, columns_of, map_of, outcome

Floats = NDArray[np.float64]
Found = TypeVar("Found")

PLA, PETG = load_process("pla-0.4"), load_process("petg-0.4")
PROCESSES = {
    "0.2": PLA,
    "0.12": replace(PLA, layer_height_mm=0.12),
    "0.32": replace(PLA, layer_height_mm=0.32, line_width_mm=0.6),
    "0.9": replace(PLA, layer_height_mm=0.9, line_width_mm=1.4, nozzle_mm=1.2),
    "petg 0.2": PETG,
}
MATERIALS = {p.material.name: p.material for p in PROCESSES.values()}
DRAWS = 300
_TOLD = 20  # printers, from one line on how far it is to the next


@dataclass(frozen=True)
class Layout:
    """Who reads what: so many readings of each (printer, process)."""

    name: str
    trays: tuple[tuple[str, str, int], ...]
    unseen: tuple[str, ...] = ()  # processes that are predicted for the first printer, but never read


LAYOUTS = (
    Layout("10 readings", (("a", "0.2", 10),), ("0.32",)),
    Layout("50 readings", (("a", "0.2", 35), ("a", "0.12", 15)), ("0.32",)),
    Layout(
        "300 readings, 2 printers, 2 materials",
        (("a", "0.2", 90), ("a", "0.32", 60), ("b", "0.2", 90), ("b", "petg 0.2", 60)),
        ("0.12", "petg 0.2"),
    ),
)
# learnt at one strand, predicted at others
HELD_OUT = Layout("learnt 0.2 mm layers", (("a", "0.2", 48),), ("0.12", "0.32", "0.9"))


def tray(process: Process, count: int, rng: np.random.Generator) -> list[Condition]:
    """Conditions such as test pieces have, at random."""
    h, w = process.layer_height_mm, process.line_width_mm
    found = []
    for k in range(count):
        if k % 3 == 0:
            angle = float(np.degrees(np.arctan(rng.uniform(0.15, 1.1) * w / h)))
            found.append(
                printed(ConditionKind.OVERHANG, process, angle_deg=angle, fan=float(rng.choice([1.0, 0.4])))
            )
        elif k % 3 == 1:
            span = float(np.exp(rng.uniform(np.log(8), np.log(70))))
            found.append(
                printed(ConditionKind.BRIDGE, process, span_mm=span, fan=float(rng.choice([1.0, 0.0])))
            )
        else:
            found.append(
                support_condition(
                    process,
                    float(rng.choice([20.0, 30.0])),
                    air_gap_mm=float(rng.choice([0.5, 1.0, 1.5, 2.0, 3.0])) * h,
                    interface_layers=int(rng.choice([0, 2])),
                    spacing_mm=float(rng.choice([1.2, 2.0, 4.0])) * w / 0.45,
                    weave=str(rng.choice(["parallel", "crossed"])),
                    crossing_deg=float(rng.choice([0.0, 90.0])),
                    perimeter_lines=int(rng.choice([0, 1])),
                )
            )
    return found


@dataclass(frozen=True, eq=False)
class Truth:
    """A simulated world: every cell's parameters, and by which law the gap counts."""

    parameters: dict[ReadingOrigin, Floats]
    by_layers: bool

    def of(self, cell: ReadingOrigin) -> Parameters:
        """Of one cell, arrays of one."""
        return Parameters(**{n: self.parameters[cell][k : k + 1] for k, n in enumerate(NAMES)})


def world(layout: Layout, rng: np.random.Generator) -> Truth:
    """Drawn from the prior."""
    cells = [
        ReadingOrigin(printer, process.material.name, (process.line_width_mm, process.layer_height_mm))
        for printer, name in [
            *((p, n) for p, n, _ in layout.trays),
            *(("a", n) for n in layout.unseen),
        ]
        for process in [PROCESSES[name]]
    ]
    cells = list(dict.fromkeys(cells))
    columns = columns_of(cells)
    centres = np.tile(CENTRES, len(cells))
    values = (centres + map_of(cells, columns) @ rng.standard_normal(len(columns))).reshape(len(cells), -1)
    return Truth(dict(zip(cells, values, strict=True)), bool(rng.integers(2)))


def readings(layout: Layout, truth: Truth, rng: np.random.Generator) -> list[Reading]:
    """What the trays would read."""
    found = []
    for printer, name, count in layout.trays:
        process = PROCESSES[name]
        for condition in tray(process, count, rng):
            p = truth.of(cell_of(printer, process.material.name, condition))
            p = replace(p, log_sag=p.log_sag + PRIORS["log_sag"].anew * rng.standard_normal())
            how = laid(condition.kind, [condition], [process.material])
            one, let_go = outcome(how, p, truth.by_layers), None
            if one.bond is not None:
                came_off = _grade(probabilities(-one.bond, let_go_grading(p))[0], rng)
                let_go = LET_GO_GRADES[came_off]
                one = outcome(how, p, truth.by_layers, np.array([came_off]))
            finish = 1 + _grade(probabilities(one.finish, finish_grading(p))[0], rng)
            error = float(np.sqrt(one.error_mm2[0])) * rng.standard_t(FREEDOM)
            droop = float(one.droop_mm[0]) + error if rng.random() < 0.6 else None
            mark = finish if droop is None or rng.random() < 0.7 else None
            found.append(Reading(printer, process.material.name, condition, let_go, mark, droop))
    return found


def from_case_to_case(p: Parameters, rng: np.random.Generator) -> Parameters:
    """The same with what is drawn anew for each prediction."""
    sds = {name: PRIORS[name].spread("anew") for name in NAMES}
    return replace(p, **{n: getattr(p, n) + sd * rng.standard_normal() for n, sd in sds.items() if sd > 0})


def _grade(chances: Floats, rng: np.random.Generator) -> int:
    """A grade, now and then one that says nothing."""
    mixed = (1.0 - OUTLIERS) * chances + OUTLIERS / len(chances)
    return int(rng.choice(len(mixed), p=mixed / mixed.sum()))


def quantities(process: Process, p: Parameters, by_layers: Floats) -> dict[str, Floats]:
    """What is shown to people for a process, (S,) each, from parameters (S, 1) or (1,)."""
    strand, h = strand_of(process), process.layer_height_mm
    still = strand_of(replace(process, fan=0.0))
    top = top_of(process, 2)
    gaps = removable_gaps_mm(FULL_RUN_MM, top, strand, p, by_layers)
    one, two = (log_bond(n * h, FULL_RUN_MM, top, strand, p, by_layers).ravel() for n in (1, 2))
    return {
        "limit angle": np.degrees(np.arctan(threshold(strand, p) * process.line_width_mm / h)).ravel(),
        "limit angle, fan off": np.degrees(
            np.arctan(threshold(still, p) * process.line_width_mm / h)
        ).ravel(),
        "clean bridge": clean_span_mm(max(h, 0.3), strand, p).ravel(),
        "clean bridge, fan off": clean_span_mm(max(h, 0.3), still, p).ravel(),
        "sag at 50 mm": sag_mm(50.0, strand, p).ravel(),
        "droop on support, gap 2 layers": settled_mm(2 * h, 20.0, 0.45, strand, p).ravel(),
        "gap, 4 of 5 removable": gaps,
        "log bond at 1 layer": one,
        "log bond at 2 layers": two,
    }


SHOWN = (
    "log_fluidity",
    "log_air",
    "log_taut",
    "threshold_by_fan",
    "log_onset",
    "log_clearance",
    "log_softness",
    "bond_by_coverage",
    "finish",
    "log_error",
    "log_error_share",
)


def ranks_of(layout: Layout, seed: int) -> dict[str, float]:
    """Where the truth lies among the posterior's draws, 0..1, by quantity."""
    rng = np.random.default_rng([seed, 77])
    truth = world(layout, rng)
    posterior = fit_readings(readings(layout, truth, rng), MATERIALS)
    found: dict[str, float] = {}

    def rank(name: str, true: float, draws: Floats) -> None:
        less, same = np.sum(draws < true), np.sum(draws == true)
        found[name] = float((less + rng.uniform(0, 1) * (same + 1)) / (len(draws) + 1))

    first = layout.trays[0]
    shown = [(first[1], ""), *((name, f" → {name}") for name in layout.unseen)]
    for name, tag in shown:
        process = PROCESSES[name]
        material = process.material
        belief: Belief = belief_of(posterior, "a", material, draws=DRAWS, seed=seed)
        cell = ReadingOrigin("a", material.name, (process.line_width_mm, process.layer_height_mm))
        p = belief.parameters(process)
        there = truth.of(cell)
        there = from_case_to_case(there, rng)
        there = of_any_print(there)
        true = quantities(process, there, np.array([truth.by_layers]))
        drawn = quantities(process, p, belief.by_layers[:, None])
        for quantity in true:
            rank(quantity + tag, float(true[quantity][0]), drawn[quantity])
        if not tag:
            for parameter in NAMES:
                rank(f"`{parameter}`", getattr(there, parameter).item(), getattr(p, parameter).ravel())
    found["law"] = posterior.layers_law if truth.by_layers else 1 - posterior.layers_law
    return found


@dataclass(frozen=True)
class Means:
    """How many processes, and until when on the performance counter."""

    cores: int = 1
    until: float = math.inf

    @property
    def over(self) -> bool:
        return time.perf_counter() > self.until


def mapped(work: Callable[[int], Found], seeds: Sequence[int], means: Means) -> Iterator[Found]:
    """What ``work`` makes of each seed, in order, while there is time."""
    if means.cores == 1:
        yield from (work(seed) for seed in takewhile(lambda _: not means.over, seeds))
        return
    with ProcessPoolExecutor(means.cores) as pool:
        for future in [pool.submit(work, seed) for seed in seeds]:
            if means.over:
                pool.shutdown(wait=False, cancel_futures=True)
            if not future.cancelled():
                yield future.result()


ALONE = Means()


def simulated(layout: Layout, printers: int, seed: int = 0, means: Means = ALONE) -> dict[str, Floats]:
    """Ranks of so many simulated printers; as many as there is time for."""
    ranks: dict[str, list[float]] = defaultdict(list)
    for count, one in enumerate(mapped(partial(ranks_of, layout), range(seed, seed + printers), means), 1):
        for name, rank in one.items():
            ranks[name].append(rank)
        if count % _TOLD == 0:
            shown = np.concatenate([r for name, r in ranks.items() if predictive(name)])
            print(
                f"{count} printers, {100 * coverage(shown, 0.9):.1f} % in 90 %", file=sys.stderr, flush=True
            )
    return {name: np.array(found) for name, found in ranks.items()}


def predictive(name: str) -> bool:
    """Whether a rank is of what is predicted, not of a parameter."""
    return not name.startswith("`") and name != "law"


def coverage(ranks: Floats, share: float) -> float:
    """Share of truths within the central interval of that probability."""
    return float(np.mean(np.abs(ranks - 0.5) <= share / 2))


def evenness(ranks: Floats) -> float:
    """Chance of ranks at least so uneven, were they uniform: χ² over ten classes."""
    expected = len(ranks) / 10
    classes = np.bincount(np.minimum((ranks * 10).astype(int), 9), minlength=10)
    return float(chdtrc(9, np.sum((classes - expected) ** 2) / expected))


def table(ranks: dict[str, Floats], names: Sequence[str]) -> str:
    """Markdown rows."""
    rows = ["| quantity | 50 % | 80 % | 90 % | χ² chance |", "|---|---:|---:|---:|---:|"]
    for name in names:
        r = ranks[name]
        shares = " | ".join(f"{100 * coverage(r, s):.0f}" for s in (0.5, 0.8, 0.9))
        rows.append(f"| {name} | {shares} | {evenness(r):.3f} |")
    return "\n".join(rows)


def report(layout: Layout, printers: int, seed: int, means: Means) -> None:
    """Tables of one layout."""
    start = time.perf_counter()
    ranks = simulated(layout, printers, seed, means)
    count = len(ranks["law"])
    per = (time.perf_counter() - start) * means.cores / count
    print(f"\n### {layout.name}\n\n{count} printers, {per:.2f} s each on one of {means.cores} cores.\n")
    told = [name for name in ranks if predictive(name)]
    print(table(ranks, told))
    shown = [f"`{n}`" for n in SHOWN]
    print()
    print(table(ranks, shown))
    pooled = {
        "predictive, pooled": np.concatenate([ranks[n] for n in told]),
        "parameters shown, pooled": np.concatenate([ranks[n] for n in shown]),
        "all parameters, pooled": np.concatenate([r for n, r in ranks.items() if n.startswith("`")]),
    }
    print()
    print(table(pooled, list(pooled)))
    law = ranks["law"]
    sure = law > 0.5
    said = np.where(sure, law, 1 - law)
    won, said = 100 * sure.mean(), 100 * said.mean()
    print(f"\nLaw of the gap: the true one wins in {won:.0f} %, {said:.0f} % were said.")


def held_of(seed: int) -> dict[tuple[str, str], bool]:
    """Whether the truths of one invented printer lie in the 90 % intervals, by quantity and process."""
    machine = invented_printer(seed)
    rng = np.random.default_rng([seed, 5])
    posterior = fit_readings(machine.readings(tray(PLA, 48, rng), seed), MATERIALS)
    belief = belief_of(posterior, machine.name, PLA.material)
    inside = {}
    for at in ("0.2", "0.12", "0.32", "0.9"):
        process = PROCESSES[at]
        height = process.layer_height_mm
        for what, found, true in (
            ("limit angle", Laws(process, belief).limit_angle_deg(), machine.limit_deg(process)),
            (
                "clean bridge",
                Laws(process, belief).longest_clean_bridge_mm(max(height, 0.3)),
                machine.longest_clean_bridge_mm(process),
            ),
            (
                "gap",
                Laws(process, belief).removable_gap_mm(top_of(process, 2), 24.0),
                machine.gap_mm(process),
            ),
        ):
            inside[what, at] = found.low <= true <= found.high
    return inside


def held_out(printers: int, seed: int, means: Means) -> None:
    """Learnt from 48 readings at one strand, predicted at others, of printers that do not obey the model."""
    inside: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for one in mapped(held_of, range(seed, seed + printers), means):
        for key, hit in one.items():
            inside[key].append(hit)
    print(f"\n### Held out: {printers} invented printers with a truth of their own, learnt at 0.2 mm\n")
    print("Share of truths in 90 % intervals, %.\n\n| quantity | at | 90 % |\n|---|---|---:|")
    for (what, at), hits in inside.items():
        print(f"| {what} | {at} | {100 * np.mean(hits):.0f} |")


FIT = """
import sys, time
sys.path.insert(0, sys.argv[1])
import numpy as np
import calibration as c
rng = np.random.default_rng(1)
layout = c.Layout("", (("a", "0.2", int(sys.argv[2])),))
found = c.readings(layout, c.world(layout, rng), rng)
before = time.process_time()
c.fit_readings(found, c.MATERIALS)
print(time.process_time() - before)
"""
START = "import falsework.tuning.fit"
PLAN = "import falsework; from falsework.part.demo import gull; falsework.plan(gull(200_000))"


def cpu_s(*command: str) -> tuple[float, str]:
    """CPU seconds of a whole process, and what it printed."""
    process = subprocess.Popen(
        [sys.executable, *command], stdout=subprocess.PIPE, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    )
    assert process.stdout is not None
    said = process.stdout.read().decode()
    _, status, used = os.wait4(process.pid, 0)
    process.stdout.close()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{command} failed")
    return used.ru_utime + used.ru_stime, said


def costs(counts: Sequence[int]) -> None:
    """What a fit costs in a fresh process, start-up included, against five plans of a large part."""
    print("\n### Cost, CPU seconds\n\n| what | s |\n|---|---:|")
    start, _ = cpu_s("-c", START)
    for count in counts:
        alone = float(cpu_s("-c", FIT, str(Path(__file__).parent), str(count))[1])
        print(f"| start and fit of {count:,} readings | {start + alone:.1f} |")
    cpu_s("-c", PLAN)  # compiles where it must
    print(f"| five plans of a part of 200 k triangles | {5 * cpu_s('-c', PLAN)[0]:.1f} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--printers", type=int, default=200)
    parser.add_argument(
        "--only", type=int, choices=range(4), help="one layout: 10, 50, 300 readings, held out"
    )
    parser.add_argument("--quick", action="store_true", help="20 printers, no fit of 10,000 readings")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument(
        "--seconds", type=float, default=math.inf, help="begin no further printer after these"
    )
    asked = parser.parse_args()
    means = Means(asked.cores, time.perf_counter() + asked.seconds)
    if asked.only is None:
        costs((50, 300) if asked.quick else (50, 300, 10_000))
        held_out(10 if asked.quick else 60, asked.seed, means)
    for k, layout in enumerate([*LAYOUTS, HELD_OUT]):
        if asked.only is None or asked.only == k:
            report(layout, 20 if asked.quick else asked.printers, asked.seed, means)
            sys.stdout.flush()


if __name__ == "__main__":
    main()
