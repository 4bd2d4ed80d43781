"""What is said of work that could not be done: it took too much memory, time or disk, or its process died."""

from __future__ import annotations

Error = dict[str, str]

_PROGRAM = ("audit",)  # works on a machine program; everything else works on a part
_COMMAND = "Audit it with 'falsework audit' on a machine with more memory and time"


def no_memory(what: str) -> Error:
    """The work called ``what`` (see ``work.do``) took more memory than a worker may have."""
    wrong = "there is not enough memory for it"
    cure = "Use a coarser mesh or thicker layers, or a machine with more memory"
    if what in _PROGRAM:
        return {"kind": "ProgramError", "subject": "program", "wrong": wrong, "cure": _COMMAND}
    return {"kind": "PartError", "subject": "part", "wrong": wrong, "cure": cure}


def no_room() -> Error:
    """Its result found no room on the disk; the sentence is that of edits and readings."""
    wrong, cure = "the disk is full; nothing was recorded", "Make room, then do it again"
    return {"kind": "OutputError", "subject": "bench", "wrong": wrong, "cure": cure}


def too_long(what: str, seconds: float) -> Error:
    """It took longer than the ``seconds`` that a job may have."""
    wrong = f"the work took more than {seconds / 60:.0f} minutes and was stopped"
    if what in _PROGRAM:
        return {"kind": "TooLong", "subject": "program", "wrong": wrong, "cure": _COMMAND}
    return {
        "kind": "TooLong",
        "subject": "part",
        "wrong": wrong,
        "cure": "Use a coarser mesh or thicker layers",
    }


def crashed(what: str, code: int) -> Error:
    """Its process ended with that exit code, negative for a signal."""
    how = f"signal {-code}" if code < 0 else f"exit code {code}"
    subject = "program" if what in _PROGRAM else "part"
    repair = "keep the file" if what in _PROGRAM else "repair or simplify the mesh and keep the file"
    return {
        "kind": "Crashed",
        "subject": subject,
        "wrong": f"the work on it ended suddenly ({how})",
        "cure": f"Try again; if it happens again, {repair} for a report",
    }
