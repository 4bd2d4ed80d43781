"""A long run of spoilt machine programs through the audit: each must be judged or refused, in bounded time.

    python tests/auditing/long_fuzz.py [--cases 1000000] [--seed 1] [--minutes 60] [--slow 5] [--keep FOLDER]

Most cases are small programs of a few layers, in every dialect; one in a hundred is cut from a larger one,
one in five hundred is held against a part. Prints how many were judged, how many refused, and every case that
raised anything else or took more than ``--slow`` seconds of CPU, with what makes it again; ``--keep`` puts
these aside as files. A case that hangs ends the run with a traceback. Exits with 1 if there was any.
"""

from __future__ import annotations

import argparse
import faulthandler
import sys
import time
import traceback
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1]))

from audited import DIALECTS, SCENES, box_part, vase
from falsework.auditing import Audit, audit
from falsework.errors import FalseworkError
from falsework.process import load_process
from programs import Writer, block, heights
from spoilt import spoil

_HANGS_S = 900.0  # of waiting for a block of cases
_BLOCK = 500
_ROUND_TRIP = 20  # one case in so many goes to JSON and back
_LARGE, _PART = 100, 500


def small() -> Iterator[bytes]:
    """Programs of 1 to 4 kB: a block, a bridge, arcs, a path that climbs, two heights, in every dialect."""
    square = shapely.box(60, 60, 63, 63)
    for dialect in DIALECTS:
        yield block(Writer(**dialect), square, heights(0.8)).end().bytes()
        writer = Writer(**dialect)
        for z in (0.2, 0.4):
            for x in (50.0, 56.0):
                writer.slab(shapely.box(x, 50, x + 2, 52), z, 0.2)
        writer.slab(shapely.box(50, 50, 58, 52), 0.6, 0.2)
        yield writer.end().bytes()
        writer = Writer(**dialect)
        for k in range(1, 5):
            writer.layer(0.2 * k, 0.2)
            writer.travel(52.0, 50.0)
            writer.arc(48.0, 50.0, (50.0, 50.0), left=k % 2 == 0)
            writer.arc(52.0, 50.0, (50.0, 50.0), left=k % 2 == 0)
        yield writer.end().bytes()
        if not dialect.get("relative_moves"):
            yield vase(Writer(**dialect), turns=2).end().bytes()[:4000]
        yield block(Writer(**dialect), square, [(0.2, 0.2), (0.32, 0.12), (0.6, 0.28)]).end().bytes()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so long")
    parser.add_argument("--slow", type=float, default=5.0)
    parser.add_argument("--keep", type=Path, help="folder for cases that went wrong")
    arguments = parser.parse_args()
    seeds = list(small())
    large = [make(Writer()).end().bytes()[:20_000] for make in SCENES.values()]
    part, process = box_part(((0, 0, 0), (3, 3, 0.8))), load_process("pla-0.4")
    judged = refused = bad = done = 0
    finish = time.monotonic() + 60.0 * arguments.minutes
    for case in range(arguments.cases):
        if case % _BLOCK == 0:
            faulthandler.dump_traceback_later(_HANGS_S, exit=True)
            if time.monotonic() > finish:
                break
        rng = np.random.default_rng([arguments.seed, case])
        of = large if case % _LARGE == 1 else seeds
        data = spoil(of[int(rng.integers(len(of)))], rng)
        against = part if case % _PART == 2 else None
        given = process if case % 3 == 0 else None
        begin = time.process_time()
        wrong = ""
        try:
            result = audit(data, part=against, process=given)
            if case % _ROUND_TRIP == 0:
                assert Audit.from_json(result.to_json()) == result
            judged += 1
        except FalseworkError as error:
            if not str(error) or "\n" in str(error):
                wrong = f"says {str(error)!r}"
            refused += 1
        except Exception:
            wrong = traceback.format_exc(limit=-4)
        took = time.process_time() - begin
        if took > arguments.slow:
            wrong += f"took {took:.1f} s"
        if wrong:
            bad += 1
            print(f"case {case} of seed {arguments.seed}: {wrong}", flush=True)
            if arguments.keep:
                arguments.keep.mkdir(parents=True, exist_ok=True)
                (arguments.keep / f"{arguments.seed}-{case}.gcode").write_bytes(data)
        done = case + 1
        if done % 10_000 == 0:
            print(f"{done}: {judged} judged, {refused} refused, {bad} bad", flush=True)
    faulthandler.cancel_dump_traceback_later()
    print(f"{done} cases: {judged} judged, {refused} refused, {bad} bad")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
