"""A long run of spoilt machine programs through the audit: each must be judged or refused, in bounded time.

    python tests/auditing/long_fuzz.py [--cases 100000] [--seed 1] [--slow 20]

Prints how many were judged, how many refused, and every case that raised anything else or took longer than
``--slow`` seconds, with the seed that makes it again; exits with 1 if there was any.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from audited import SCENES
from falsework.auditing import Audit, audit
from falsework.errors import FalseworkError
from programs import Writer
from spoilt import spoil


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--slow", type=float, default=20.0)
    arguments = parser.parse_args()
    seeds = [make(Writer()).end().bytes()[:20_000] for make in SCENES.values()]
    judged = refused = bad = 0
    for case in range(arguments.cases):
        rng = np.random.default_rng([arguments.seed, case])
        data = spoil(seeds[int(rng.integers(len(seeds)))], rng)
        begin = time.process_time()
        try:
            result = audit(data)
            assert Audit.from_json(result.to_json()) == result
            judged += 1
        except FalseworkError as error:
            assert str(error)
            refused += 1
        except Exception:
            bad += 1
            print(f"case {case} of seed {arguments.seed}:")
            traceback.print_exc(limit=4, file=sys.stdout)
        took = time.process_time() - begin
        if took > arguments.slow:
            bad += 1
            print(f"case {case} of seed {arguments.seed} took {took:.1f} s")
        if case % 1000 == 999:
            print(f"{case + 1}: {judged} judged, {refused} refused, {bad} bad", flush=True)
    print(f"{arguments.cases} cases: {judged} judged, {refused} refused, {bad} bad")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
