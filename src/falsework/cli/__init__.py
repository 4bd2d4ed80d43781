"""The command line. Exit codes: 0 done, 1 refused or stopped, 2 wrong usage, 3 a fault of falsework's own."""

from __future__ import annotations

import gc
import os
import sys

_FEW_LOOKS = (50_000, 20, 20)  # fresh objects between two looks for garbage, and rounds of these


def main() -> None:
    """Entry point of the ``falsework`` command."""
    # Nothing here multiplies large matrices: the library's idle threads would only spin beside the work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # What is loaded stays, and looking through all of it again and again takes a twentieth of a plan.
    gc.set_threshold(*_FEW_LOOKS)
    try:
        from falsework.cli.app import run

        code = run(sys.argv[1:])
    except KeyboardInterrupt:  # before or after the command had its own handler
        code = 1
    sys.exit(code)
