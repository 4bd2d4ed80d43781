"""The loop of test pieces against invented printers: how soon the settings are found, from a wrong belief.

The printers are ``falsework.tuning.invented``: a truth of their own, not the model's equations. Each is given
a limit angle 10° off, up or down, and a gap one layer off, up or down, from what is believed at first.

Then, whether a full ledger slows planning: its fit is read by ``plan``, the readings are not.

    python benchmarks/loop.py [--printers 100] [--only tray|cells|plan]
"""

from __future__ import annotations

import argparse
import datetime
import os
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from falsework.cli.belief import chosen_belief
from falsework.coupon import Condition, CouponKind, LetGo, Reading, candidate_conditions, design_coupon
from falsework.coupon.conditions import run_mm, support_condition
from falsework.droop.laws import Laws
from falsework.ledger import Entry, Ledger
from falsework.part.demo import demo_parts
from falsework.planning import plan
from falsework.process import Process, builtin
from falsework.tuning.belief import belief_of
from falsework.tuning.fit import fit_readings
from falsework.tuning.invented import InventedPrinter, invented_printer
from falsework.tuning.next_test import MadeUpReadings
from falsework.tuning.of_ledger import fit_ledger
from falsework.tuning.posterior import PRIOR_POSTERIOR, Posterior
from falsework.tuning.survey import SettingSurvey, survey

PIECES = (CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP, CouponKind.WEAVE)
LIMIT_OFF_DEG, GAP_OFF_LAYERS = 10.0, 1.0
WITHIN_DEG, WITHIN_LAYERS = 3.0, 0.5
LADDER = (2, 1, 3, 4, 5, 6)  # layers, the middle first
COUNTS = (1, 2, 3, 4, 5, 6, 8)
WANTED = 0.95


def processes() -> dict[str, Process]:
    """Usual layers, thin ones and thick ones."""
    usual = builtin("pla-0.4")
    thick = replace(builtin("pla-1.2"), layer_height_mm=0.9, first_layer_height_mm=0.9, line_width_mm=1.4)
    return {
        "0.45 × 0.2": usual,
        "0.45 × 0.1": replace(usual, layer_height_mm=0.1, first_layer_height_mm=0.1),
        "1.4 × 0.9": thick,
    }


def printer_off(k: int, process: Process, believed: SettingSurvey) -> InventedPrinter:
    """The k-th printer, as far off as stated; all four combinations of up and down in turn."""
    up, wide = 1 if k % 2 else -1, 1 if (k // 2) % 2 else -1
    limit = float(np.median(believed.limit_deg)) + up * LIMIT_OFF_DEG
    gap = float(np.median(believed.gap_layers)) + wide * GAP_OFF_LAYERS
    printer = invented_printer(1000 + k, name="invented")
    return printer.with_limit(process, limit).with_gap(process, max(gap, 0.2) * process.layer_height_mm)


def learned(readings: Sequence[Reading], process: Process) -> Posterior:
    return fit_readings(readings, {process.material.name: process.material}) if readings else PRIOR_POSTERIOR


def first_tray(process: Process, printers: int) -> dict[str, float]:
    """One of each test piece as designed for the first belief, printed, read and fitted."""
    pieces = [design_coupon(kind, process) for kind in PIECES]
    trays = [[cell.condition for cell in piece.cells] for piece in pieces]
    believed = survey(PRIOR_POSTERIOR, process, "invented")
    off: list[tuple[float, float, float]] = []
    inside: list[tuple[bool, bool, bool]] = []
    seconds = 0.0
    for k in range(printers):
        printer = printer_off(k, process, believed)
        readings = [r for n, tray in enumerate(trays) for r in printer.readings(tray, 100 * k + n)]
        start = time.process_time()
        found = survey(learned(readings, process), process, "invented")
        seconds += time.process_time() - start
        truth = (
            printer.limit_deg(process),
            printer.gap_mm(process) / process.layer_height_mm,
            printer.longest_clean_bridge_mm(process),
        )
        ends = [
            np.quantile(v, (0.05, 0.5, 0.95)) for v in (found.limit_deg, found.gap_layers, found.bridge_mm)
        ]
        off.append((ends[0][1] - truth[0], ends[1][1] - truth[1], float(np.log(ends[2][1] / truth[2]))))
        inside.append(tuple(bool(e[0] <= t <= e[2]) for e, t in zip(ends, truth, strict=True)))  # type: ignore[arg-type]
    miss = np.abs(np.array(off))
    held = np.array(inside)
    limit, gap = miss[:, 0] <= WITHIN_DEG, miss[:, 1] <= WITHIN_LAYERS
    return {
        "cells": sum(map(len, trays)),
        "min": sum(p.minutes for p in pieces),
        "g": sum(p.grams for p in pieces),
        "limit": limit.mean(),
        "gap": gap.mean(),
        "both": (limit & gap).mean(),
        "bridge": (miss[:, 2] <= np.log(1.2)).mean(),
        "limit held": held[:, 0].mean(),
        "gap held": held[:, 1].mean(),
        "bridge held": held[:, 2].mean(),
        "CPU s": seconds / printers,
    }


Chooser = Callable[[Posterior, int, Process], Condition]


def next_of_ladder(posterior: Posterior, count: int, process: Process) -> Condition:
    layers = LADDER[count % len(LADDER)]
    return support_condition(process, run_mm(Laws(process)), air_gap_mm=layers * process.layer_height_mm)


def most_telling(posterior: Posterior, count: int, process: Process) -> Condition:
    """The cell of a gap piece that tells most about the gap."""
    belief = belief_of(posterior, "invented", process.material)
    cells = candidate_conditions(CouponKind.GAP, Laws(process, belief))
    here = survey(posterior, process, "invented", more=cells)
    trial = MadeUpReadings(here, [q for q in here.questions() if q.name == "air gap"])
    best = trial.best_cells(range(len(cells)), 1)
    return cells[best[0]] if best else next_of_ladder(posterior, count, process)


def by_hand(readings: list[Reading], process: Process) -> float:
    """Gap in layers by the rule of thumb: between the widest that stuck and the next."""
    stuck = [
        r.condition.air_gap_mm / process.layer_height_mm
        for r in readings
        if r.let_go in (LetGo.FUSED, LetGo.SCRAPED) and r.condition.air_gap_mm is not None
    ]
    return max(stuck, default=0.0) + 0.5


def cells_needed(process: Process, printers: int, choose: Chooser) -> dict[int, tuple[float, float]]:
    """Share of printers whose gap is known within half a layer after so many cells: by the model, by hand."""
    believed = survey(PRIOR_POSTERIOR, process, "invented")
    hits: dict[int, list[tuple[bool, bool]]] = {n: [] for n in COUNTS}
    for k in range(printers):
        printer = printer_off(k, process, believed)
        truth = printer.gap_mm(process) / process.layer_height_mm
        readings: list[Reading] = []
        posterior = PRIOR_POSTERIOR
        for n in range(1, max(COUNTS) + 1):
            readings += printer.readings([choose(posterior, n - 1, process)], 1000 * k + n)
            if n in hits or choose is most_telling:
                posterior = learned(readings, process)
            if n in hits:
                found = survey(posterior, process, "invented")
                model = abs(float(np.median(found.gap_layers)) - truth) <= WITHIN_LAYERS
                hits[n].append((model, abs(by_hand(readings, process) - truth) <= WITHIN_LAYERS))
    return {
        n: (float(np.mean([m for m, _ in h])), float(np.mean([b for _, b in h]))) for n, h in hits.items()
    }


def enough(shares: dict[int, float]) -> str:
    """The first count from which the share stays at ``WANTED``, within one printer in fifty."""
    good = [n for n in shares if all(shares[m] >= WANTED - 0.02 for m in shares if m >= n)]
    return str(min(good)) if good else f"more than {max(shares)}"


def full_ledger(path: Path, process: Process, count: int) -> float:
    """A ledger of ``count`` readings at five layer heights with its fit; CPU seconds of the fit."""
    ledger = Ledger.open(path)
    ledger.introduce(process.printer, process.material)
    printer = invented_printer(1, name=process.printer.name)
    readings: list[Reading] = []
    seed = 0
    while len(readings) < count:
        here = replace(process, layer_height_mm=(0.12, 0.16, 0.2, 0.24, 0.28)[seed % 5])
        for kind in PIECES:
            readings += printer.readings(candidate_conditions(kind, Laws(here)), seed)
        seed += 1
    day = datetime.date(2024, 3, 4)
    ledger.add_many([Entry(r, cell=str(k), measured_on=day) for k, r in enumerate(readings[:count])])
    start = time.process_time()
    fit_ledger(ledger, process)
    return time.process_time() - start


def planning(process: Process) -> None:
    """Plans by the fit of no, a small and a full ledger, in turn; the best of three."""
    part = demo_parts()["gull"]()
    with tempfile.TemporaryDirectory() as folder:
        places = {"none": "none"}
        fits = {"none": 0.0}
        for count in (50, 10_000):
            path = Path(folder) / f"{count}.sqlite3"
            fits[str(count)] = full_ledger(path, process, count)
            places[str(count)] = str(path)
        best = dict.fromkeys(places, (np.inf, np.inf))
        plan(part, process)
        for _ in range(3):
            for name, place in places.items():
                start = time.process_time()
                belief = chosen_belief(process, place)
                read = time.process_time() - start
                plan(part, process, belief=belief)
                best[name] = min(best[name], (time.process_time() - start, read))
    print("\nPlanning a gull by the fit of a ledger, CPU s.\n")
    print("| readings | reading the fit | with the plan | against none | the fit itself |")
    print("|---:|---:|---:|---:|---:|")
    for name, (total, read) in best.items():
        share = total / best["none"][0] - 1
        print(f"| {name} | {read:.3f} | {total:.2f} | {share:+.1%} | {fits[name]:.1f} |")


def trays(printers: int) -> None:
    print("| strand mm | cells | min / g | limit within 3° | gap within ½ layer | both | bridge within 20 % |"
          " 90 % intervals hold the truth: limit / gap / bridge | CPU s a printer |")  # fmt: skip
    print("|---|---:|---:|---:|---:|---:|---:|---:|---:|")
    for name, process in processes().items():
        f = first_tray(process, printers)
        print(
            f"| {name} | {f['cells']} | {f['min']:.0f} / {f['g']:.1f} | {f['limit']:.0%} | {f['gap']:.0%} | "
            f"{f['both']:.0%} | {f['bridge']:.0%} | "
            f"{f['limit held']:.0%} / {f['gap held']:.0%} / {f['bridge held']:.0%} | {f['CPU s']:.1f} |",
            flush=True,
        )


def cell_by_cell(printers: int) -> None:
    print(
        "\nShare of printers whose gap is known within half a layer, by cells printed one after the other.\n"
    )
    print(f"| strand mm | way | {' | '.join(map(str, COUNTS))} | cells for 95 % |")
    print("|---|---|" + "---:|" * (len(COUNTS) + 1))
    for name, process in list(processes().items())[:2]:
        ladder = cells_needed(process, printers, next_of_ladder)
        chosen = cells_needed(process, printers, most_telling)
        rows = {
            "ladder, rule of thumb": {n: hand for n, (_, hand) in ladder.items()},
            "ladder, model": {n: model for n, (model, _) in ladder.items()},
            "most telling cell, model": {n: model for n, (model, _) in chosen.items()},
        }
        for way, shares in rows.items():
            cells = " | ".join(f"{shares[n]:.0%}" for n in COUNTS)
            print(f"| {name} | {way} | {cells} | {enough(shares)} |", flush=True)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--printers", type=int, default=100)
    options.add_argument("--only", choices=("tray", "cells", "plan"))
    asked = options.parse_args()
    print(f"{asked.printers} invented printers; limit 10° off, gap one layer off.\n")
    if asked.only in (None, "tray"):
        trays(asked.printers)
    if asked.only in (None, "cells"):
        cell_by_cell(asked.printers)
    if asked.only in (None, "plan"):
        planning(builtin("pla-0.4"))


if __name__ == "__main__":
    main()
