"""Sound programs that must pass, and planted faults that must be named: what the audit makes of both.

    python benchmarks/audit_faults.py [--every 1] [--parts 10] [--cores 1] [--only NAME] [--list]

Programs come from the tests' own slicing (``tests/sliced.py``, ``planted.py``, ``unforeseen.py`` there):
ten solids of primitives, in walls, skins, sparse fill, bridges, supports (upright walls, and those that are
designed); thirteen recipes, twelve plates and five dialects; faults by construction, one to a program. 'open'
kinds were looked at while the audit was made; 'sealed' ones were set aside, counted, and looked at then;
'later' ones were thought of after that. 'looked at' and 'held back' are two halves, drawn by lot, of kinds
(``unforeseen.py``) that were all written down before any was run; the latter were looked at since. So are
'tuned on' and 'further held back' (``further.py``), written before the comparison by principle was made.
'afresh' kinds (``afresh.py``) were written when all of those were known, and looked at since; those of
``practice.py`` after them, both halves looked at since. Those of ``mishaps.py`` came last: of their sealed
half only sums are printed, so that nobody mends for them.
'right first': the first finding names the fault; 'found': any finding of caution or more names it; 'noticed':
that, or any finding of weight, by whatever name, for its sound twin has none. The last table is what is asked
for: programs of kinds looked at, of kinds unknown to whoever mended, and of both together.
Prints Markdown tables.
"""

from __future__ import annotations

import argparse
import multiprocessing
import re
import sys
import time
import warnings
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import afresh
import further
import mishaps
import planted
import practice
import unforeseen
from falsework.auditing import FindingLevel, audit
from falsework.errors import FalseworkError

GROUPS = {
    "open": planted.OPEN,
    "sealed": planted.SEALED,
    "later": planted.LATER,
    "looked at": unforeseen.LOOKED_AT,
    "held back": unforeseen.HELD_BACK,
    "tuned on": further.TUNED_ON,
    "further held back": further.SEALED,
    "afresh, tuned on": afresh.TUNED_ON,
    "afresh, held back": afresh.SEALED,
    "practice, tuned on": practice.TUNED_ON,
    "practice, sealed": practice.SEALED,
    "mishaps, tuned on": mishaps.TUNED_ON,
    "mishaps, sealed": mishaps.SEALED,
}
_MODULES = planted, unforeseen, further, afresh, practice, mishaps
_KINDS = {name: one for module in _MODULES for name, one in module.FAULTS.items()}
_UNSEEN = ("mishaps, sealed",)


@dataclass(frozen=True)
class Share:
    """What one process does: sound programs by number, or the faults of a kind in a part."""

    group: str  # 'by themselves', 'against their plan', or one of faults
    kind: str
    part: str
    number: int = 0
    every: int = 1


@dataclass(frozen=True)
class Told:
    """Of one program: its name, kinds of weighty findings, whether its fault is first, and found."""

    group: str
    kind: str
    name: str
    weighty: tuple[str, ...]
    first: bool
    found: bool
    noticed: bool
    seconds: float


def _told(group: str, kind: str, case: planted.Case) -> Told:
    begin = time.process_time()
    try:
        findings = audit(case.program, case.plan).findings
    except FalseworkError:  # most lines make no sense: that names a garbled program, and nothing else
        refused = "garbled" in case.kinds
        return Told(group, kind, case.name, ("refused",), refused, refused, True, time.process_time() - begin)
    first = bool(findings) and findings[0].kind in case.kinds
    named = any(f.kind in case.kinds and f.level.rank >= FindingLevel.CAUTION.rank for f in findings)
    weighty = tuple(f.kind for f in findings if f.level.rank >= FindingLevel.FAULT.rank)
    noticed = first or named or bool(weighty)
    if case.kinds and not first:
        weighty = tuple(f.kind for f in findings[:4])
    return Told(group, kind, case.name, weighty, first, first or named, noticed, time.process_time() - begin)


def done(share: Share) -> list[Told]:
    """All programs of one share; the slicing of a part is kept by the process."""
    warnings.simplefilter("ignore")
    if share.kind:
        cases = planted.cases_of((share.kind,), (share.part,), _KINDS)
    else:
        sound = planted.sound_alone if share.group == "by themselves" else planted.sound_planned
        cases = sound(share.every * _STRIDE, share.every * share.number)
    return [_told(share.group, share.kind, case) for case in cases]


_STRIDE = 32  # into so many shares sound programs are dealt out


def shares(only: tuple[str, ...], every: int, parts: tuple[str, ...]) -> Iterator[Share]:
    for group in ("by themselves", "against their plan"):
        if not only or group in only:
            yield from (Share(group, "", "", k, every) for k in range(_STRIDE))
    for group, kinds in GROUPS.items():
        if not only or group in only:
            yield from (Share(group, kind, part) for part in parts for kind in kinds)


def _sound(told: list[Told]) -> None:
    print("| sound programs | number | without a fault | median faults | most |\n|---|---:|---:|---:|---:|")
    for group in ("by themselves", "against their plan"):
        counts = [len(t.weighty) for t in told if t.group == group]
        if counts:
            clean = sum(n == 0 for n in counts)
            print(
                f"| {group} | {len(counts)} | {clean} ({100 * clean / len(counts):.1f} %) |"
                f" {np.median(counts):.0f} | {max(counts)} |"
            )


def _faults(told: list[Told]) -> None:
    print("| faults | kind | number | right first | found | noticed |\n|---|---|---:|---:|---:|---:|")
    for group in GROUPS:
        rows: dict[str, list[Told]] = defaultdict(list)
        for t in told:
            if t.group == group:
                rows[t.kind].append(t)
        if group not in _UNSEEN:
            for kind, mine in sorted(rows.items()):
                first, found, noticed = (sum(getattr(t, f) for t in mine) for f in _FIGURES)
                print(f"| {group} | {kind} | {len(mine)} | {first} | {found} | {noticed} |")
        every = [t for mine in rows.values() for t in mine]
        if every:
            print(f"| {group} | **all {len(rows)}** | {_shares(every)} |")
    known = [t for t in told if t.kind and t.group not in _UNSEEN]
    unknown = [t for t in told if t.group in _UNSEEN]
    halves = ("looked at", known), ("unknown", unknown), ("together", known + unknown)
    print("\n| kinds | number | right first | found | noticed |\n|---|---:|---:|---:|---:|")
    for name, some in halves:
        if some:
            print(f"| {name} | {_shares(some)} |")


_FIGURES = "first", "found", "noticed"


def _shares(some: list[Told]) -> str:
    """Number of programs, and how many are named first, found, and noticed, as cells of a table."""
    counts = [sum(getattr(t, figure) for t in some) for figure in _FIGURES]
    return " | ".join([str(len(some)), *(f"{count} ({100 * count / len(some):.1f} %)" for count in counts)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only each so-manieth sound program")
    parser.add_argument("--parts", type=int, default=len(planted.PARTS), help="how many solids get faults")
    parser.add_argument("--cores", type=int, default=1, help="how many processes work")
    parser.add_argument(
        "--only", action="append", default=[], help="one group, such as held.back; repeatable"
    )
    parser.add_argument("--seconds", type=float, default=1e9, help="stop then, and say how far it came")
    parser.add_argument("--list", action="store_true", help="name what went wrong on stderr")
    parser.add_argument("--quick", action="store_true", help="two solids, every twentieth sound program")
    arguments = parser.parse_args()
    if arguments.quick:
        arguments.parts, arguments.every = 2, 20
    parts = planted.PARTS[: arguments.parts]
    only = tuple(
        re.sub("^(afresh|practice|mishaps) ", r"\1, ", name.replace(".", " ")) for name in arguments.only
    )
    work = list(shares(only, arguments.every, parts))
    told: list[Told] = []
    begin, finished = time.monotonic(), 0
    with multiprocessing.get_context("spawn").Pool(arguments.cores) as pool:
        # pieces of one part together, so that it is sliced and planned by few
        for some in pool.imap_unordered(done, work, chunksize=4):
            told += some
            finished += 1
            for t in some:
                wrong = bool(t.weighty) if not t.kind else not t.first
                if arguments.list and wrong and t.group not in _UNSEEN:
                    print(f"  {t.group}: {t.name}: {list(t.weighty)}", file=sys.stderr, flush=True)
            if time.monotonic() - begin > arguments.seconds:
                break
    if any(not t.kind for t in told):
        _sound(told)
    if any(t.kind for t in told):
        _faults(told)
    seconds = sum(t.seconds for t in told)
    print(f"\n{seconds:.0f} s of CPU in audits, of {len(told)} programs; {finished} of {len(work)} shares.")


if __name__ == "__main__":
    main()
