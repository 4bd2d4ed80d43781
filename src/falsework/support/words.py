"""Numbers of undersides and pieces in words."""

from __future__ import annotations

from collections.abc import Sequence


def numbered(what: str, numbers: Sequence[int]) -> str:
    """``piece 3``, ``pieces 1, 2 and 5``, ``pieces 1 and 4 to 9``: rising numbers, runs of three or more
    shortened."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    said: list[str] = []
    for run in runs:
        said += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else map(str, run)
    head = f"{what}s " if len(numbers) > 1 else f"{what} "
    return head + (f"{', '.join(said[:-1])} and {said[-1]}" if len(said) > 1 else said[0])
