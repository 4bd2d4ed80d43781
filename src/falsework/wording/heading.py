"""``Heading``: what people call a work order and say to whoever prints it, on all that is handed over."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Heading:
    """The name of a work order ('' for the part's own) and the note to the operator ('' for none)."""

    title: str = ""
    note: str = ""

    def named(self, part: str) -> str:
        """The name, the part's where none was given."""
        return self.title or part


UNTITLED = Heading()
