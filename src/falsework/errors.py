"""Everything falsework raises on purpose.

    FalseworkError            root: one sentence on what is wrong, one on the cure
    ├── PartError             the part's file or mesh
    ├── ProcessError          printer, material, process or support settings
    ├── LedgerError           a record that cannot be right, or the ledger's file
    ├── ProgramError          a machine program that cannot be read
    ├── OutputError           a folder or file that cannot be written
    └── Cancelled             the user stopped the work

A message reads ``subject: what is wrong. cure`` and is fit to be shown as it stands.
"""

from __future__ import annotations


class FalseworkError(Exception):
    """Root of all errors that are the input's fault.

    Parameters
    ----------
    subject : the file, field or value at fault, as the user knows it.
    wrong : what is wrong with it, without a full stop.
    cure : what to do about it, without a full stop.
    """

    def __init__(self, subject: str, wrong: str, cure: str = "") -> None:
        self.subject, self.wrong, self.cure = subject, wrong, cure
        super().__init__(subject, wrong, cure)

    def __str__(self) -> str:
        from falsework.wording.figures import plain

        text = f"{self.subject}: {self.wrong}."
        return plain(f"{text} {self.cure}." if self.cure else text)


class PartError(FalseworkError):
    """The part's file cannot be read, or its mesh cannot be planned."""


class ProcessError(FalseworkError):
    """A printer, material, process or support setting is unknown or out of range."""


class LedgerError(FalseworkError):
    """A record that cannot be right, a name the ledger does not know, or a ledger that cannot be used."""


class ProgramError(FalseworkError):
    """A machine program cannot be read, or holds nothing that a machine would print."""


class OutputError(FalseworkError):
    """Results cannot be written where the user asked."""


class Cancelled(FalseworkError):
    """The user stopped the work; nothing was written."""

    def __init__(self, subject: str = "work") -> None:
        super().__init__(subject, "stopped on request; nothing was written")
