"""What the text of a stored fit tells without its draws being unpacked, so that a server need not."""

from __future__ import annotations

import json

SCHEMA = "falsework.fit/2"


def can_be_read(text: str) -> bool:
    """Whether this version can read a stored fit; one of another is left aside."""
    try:
        return bool(json.loads(text)["schema"] == SCHEMA)
    except (ValueError, KeyError, TypeError):
        return False
