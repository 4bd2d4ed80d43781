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

    Examples
    --------
    >>> import falsework
    >>> try:
    ...     falsework.load_process("pla-9")
    ... except falsework.FalseworkError as error:
    ...     print(error.subject)
    pla-9
    """

    def __init__(self, subject: str, wrong: str, cure: str = "") -> None:
        self.subject, self.wrong, self.cure = subject, wrong, cure
        super().__init__(subject, wrong, cure)

    def __str__(self) -> str:
        from falsework.wording.figures import plain

        text = f"{self.subject}: {self.wrong}."
        return plain(f"{text} {self.cure}." if self.cure else text)


class PartError(FalseworkError):
    """The part's file cannot be read, or its mesh cannot be planned.

    Examples
    --------
    >>> import falsework
    >>> falsework.read_part("no-such-part.stl")
    Traceback (most recent call last):
        ...
    falsework.errors.PartError: no-such-part.stl: there is no such file. Check the path.
    """


class ProcessError(FalseworkError):
    """A printer, material, process or support setting is unknown or out of range.

    Examples
    --------
    >>> import falsework
    >>> falsework.Process(layer_height_mm=-0.1)
    Traceback (most recent call last):
        ...
    falsework.errors.ProcessError: layer_height_mm: -0.1 mm is out of range. Give 0.02 to 2.5 mm.
    """


class LedgerError(FalseworkError):
    """A record that cannot be right, a name the ledger does not know, or a ledger that cannot be used.

    Examples
    --------
    >>> import falsework, tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     ledger = falsework.Ledger.open(Path(folder) / "ledger.sqlite3")
    ...     ledger.reading(7)
    Traceback (most recent call last):
        ...
    falsework.errors.LedgerError: reading 7: the ledger has none of that number.
    """


class ProgramError(FalseworkError):
    """A machine program cannot be read, or holds nothing that a machine would print.

    Examples
    --------
    >>> import falsework
    >>> falsework.audit(b"M117 nothing is laid here")
    Traceback (most recent call last):
        ...
    falsework.errors.ProgramError: program: holds no move of a machine. ...
    """


class OutputError(FalseworkError):
    """Results cannot be written where the user asked.

    Examples
    --------
    >>> import falsework
    >>> falsework.write_stl("no/such/folder/a.stl", [(0, 0, 0), (1, 0, 0), (0, 1, 0)], [(0, 1, 2)], "a")
    Traceback (most recent call last):
        ...
    falsework.errors.OutputError: no/such/folder/a.stl: ...
    """


class Cancelled(FalseworkError):
    """The user stopped the work; nothing was written.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> falsework.plan(table(), watch=falsework.Watch(stop=lambda: True))
    Traceback (most recent call last):
        ...
    falsework.errors.Cancelled: cutting layers: stopped on request; nothing was written.
    """

    def __init__(self, subject: str = "work") -> None:
        super().__init__(subject, "stopped on request; nothing was written")
