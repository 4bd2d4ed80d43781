"""``Standing``: where the support of an underside may stand."""

from __future__ import annotations

from enum import StrEnum

from falsework.errors import ProcessError

AUTO = "auto"
"""The wish that a standing be chosen for each underside by its price."""


class Standing(StrEnum):
    """Where the support of an underside may stand."""

    NONE = "none"
    BED = "bed"
    ANYWHERE = "anywhere"


def standing_of(value: object, subject: str) -> Standing:
    """The standing that a word names; ``ProcessError`` for another."""
    if value not in list(Standing):
        raise ProcessError(subject, f"{value!r} is no standing", f"Use {_listed(Standing)}")
    return Standing(str(value))


def wished_standing(value: object) -> str:
    """The word of a standing, or 'auto'; ``ProcessError`` for another."""
    if value not in (*Standing, AUTO):
        raise ProcessError("standing", f"{value!r} is unknown", f"Use {_listed((*Standing, AUTO))}")
    return str(value)


def _listed(words: object) -> str:
    *most, last = map(str, words)  # type: ignore[call-overload]
    return f"{', '.join(most)} or {last}"
