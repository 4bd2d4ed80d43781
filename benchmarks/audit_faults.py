"""Sound programs that must pass, and planted faults that must be named: what the audit makes of both.

    python benchmarks/audit_faults.py [--every 1] [--parts 10] [--list]

Programs come from the tests' own slicing (``tests/sliced.py``, ``tests/planted.py``): ten solids of
primitives, in walls, skins, sparse fill, bridges, supports (upright walls, and those that are designed);
thirteen recipes, twelve plates and five dialects; faults by construction, one to a program. 'open' kinds were
looked at while the audit was made; 'sealed' ones were set aside, counted, and looked at then; 'later' ones
were thought of after that. 'right first': the first finding names the fault; 'found': any finding of caution
or more names it. Prints Markdown tables.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
import warnings
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import planted
from falsework.auditing import FindingLevel, audit


def _weighty(case: planted.Case) -> list[str]:
    found = audit(case.program, case.plan)
    return [f.kind for f in found.findings if f.level.rank >= FindingLevel.FAULT.rank]


def sound(name: str, cases: Iterable[planted.Case], *, list_all: bool) -> None:
    """One row: how many sound programs, how many of them without a fault, the median and the most."""
    counts = []
    for case in cases:
        kinds = _weighty(case)
        counts.append(len(kinds))
        if kinds and list_all:
            print(f"  {case.name}: {kinds}", file=sys.stderr)
    clean = sum(n == 0 for n in counts)
    print(
        f"| {name} | {len(counts)} | {clean} ({100 * clean / len(counts):.1f} %) |"
        f" {np.median(counts):.0f} | {max(counts)} |"
    )


def faulty(name: str, kinds: tuple[str, ...], parts: tuple[str, ...], *, list_all: bool) -> None:
    """One row for each kind of fault, and their sum."""
    rows: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for case in planted.cases_of(kinds, parts):
        found = audit(case.program, case.plan)
        first = bool(found.findings) and found.findings[0].kind in case.kinds
        named = any(
            f.kind in case.kinds and f.level.rank >= FindingLevel.CAUTION.rank for f in found.findings
        )
        row = rows[case.name.split(":")[0]]
        row[0], row[1], row[2] = row[0] + 1, row[1] + first, row[2] + (first or named)
        if not first and list_all:
            print(f"  {case.name}: {[f.kind for f in found.findings[:4]]}", file=sys.stderr)
    for kind, (n, first, named) in rows.items():
        print(f"| {name} | {kind} | {n} | {first} | {named} |")
    n, first, named = (sum(row[k] for row in rows.values()) for k in range(3))
    print(
        f"| {name} | **all** | {n} | {first} ({100 * first / n:.1f} %) | {named} ({100 * named / n:.1f} %) |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only each so-manieth sound program")
    parser.add_argument("--parts", type=int, default=len(planted.PARTS), help="how many solids get faults")
    parser.add_argument("--list", action="store_true", help="name what went wrong on stderr")
    arguments = parser.parse_args()
    warnings.simplefilter("ignore")
    begin = time.process_time()
    print("| sound programs | number | without a fault | median faults | most |\n|---|---:|---:|---:|---:|")
    sound("by themselves", planted.sound_alone(arguments.every), list_all=arguments.list)
    sound("against their plan", planted.sound_planned(arguments.every), list_all=arguments.list)
    print("\n| faults | kind | number | right first | found |\n|---|---|---:|---:|---:|")
    parts = tuple(itertools.islice(planted.PARTS, arguments.parts))
    faulty("open", planted.OPEN, parts, list_all=arguments.list)
    faulty("sealed", planted.SEALED, parts, list_all=arguments.list)
    faulty("later", planted.LATER, parts, list_all=arguments.list)
    print(f"\n{time.process_time() - begin:.0f} s of CPU in all.")


if __name__ == "__main__":
    main()
