"""``Standing``: where the support of an underside may start."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from falsework.errors import ProcessError

AUTO = "auto"
"""The wish that a standing be chosen for each underside by its price."""

EARLIER = {"none": "leave", "anywhere": "bed-or-part"}
"""Words of earlier versions, which are still read."""


class Standing(StrEnum):
    """Where the support of an underside may start.

    Examples
    --------
    >>> import falsework
    >>> [standing.value for standing in falsework.Standing]
    ['leave', 'bed', 'bed-or-part']
    """

    LEAVE = "leave"  # no support
    BED = "bed"
    BED_OR_PART = "bed-or-part"

    @classmethod
    def _missing_(cls, value: object) -> Standing | None:
        return cls(EARLIER[value]) if isinstance(value, str) and value in EARLIER else None


def standing_of(value: object, subject: str) -> Standing:
    """The standing that a word names; ``ProcessError`` for another."""
    try:
        return Standing(value)  # type: ignore[arg-type]
    except ValueError:
        raise ProcessError(subject, f"{value!r} is unknown", f"Use {_listed(Standing)}") from None


def wished_standing(value: object) -> str:
    """The word of a standing, or 'auto'; ``ProcessError`` for another."""
    word = EARLIER.get(value, value) if isinstance(value, str) else value
    if word not in (*Standing, AUTO):
        raise ProcessError("standing", f"{value!r} is unknown", f"Use {_listed((*Standing, AUTO))}")
    return str(word)


def renewed_words(values: Mapping[str, Any]) -> dict[str, Any]:
    """A kept record whose ``standing`` or ``name`` is a standing's word, by the words of this version."""
    fresh = {key: EARLIER.get(values.get(key, ""), values.get(key)) for key in ("standing", "name")}
    return {**values, **{key: word for key, word in fresh.items() if key in values}}


def _listed(words: object) -> str:
    *most, last = map(str, words)  # type: ignore[call-overload]
    return f"{', '.join(most)} or {last}"
