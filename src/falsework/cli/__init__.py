"""The command line. Exit codes: 0 done, 1 refused or stopped, 2 wrong usage, 3 a fault of falsework's own."""

from __future__ import annotations

import sys


def main() -> None:
    """Entry point of the ``falsework`` command."""
    try:
        from falsework.cli.app import run

        code = run(sys.argv[1:])
    except KeyboardInterrupt:  # before or after the command had its own handler
        code = 1
    sys.exit(code)
