"""How a state of a sheet's history differs from the sheet as it stands, in words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from falsework.bench.choices import NAMES, differences, setting_words

_LONGEST = 300  # of words that are shown
_NOTHING = "–"
_STANDING = {
    "auto": "chosen for each underside",
    "leave": "no support",
    "bed": "support from the bed",
    "bed-or-part": "support from bed or part",
}


@dataclass(frozen=True)
class Differing:
    """One thing that differs: what it is, what it was in the earlier state, what it is now."""

    what: str
    then: str
    now: str


def differing(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[Differing]:
    """What differs between two states of a sheet, for people."""
    before, after = differences(now, then), differences(then, now)
    rows = [
        Differing(_named(path), _said(path, before[path]), _said(path, after[path]))
        for path in sorted(after, key=_place)
        if path.partition(".")[0] not in ("part", "process")
    ]
    if then["part"]["digest"] != now["part"]["digest"]:
        names = then["part"]["name"], now["part"]["name"]
        marks = [
            f"{name} ({part['part']['digest'][:12]})" for name, part in zip(names, (then, now), strict=True)
        ]
        rows.insert(0, Differing("part", *marks))
    of_the_process = any(path.startswith(("choices.process", "choices.settings.")) for path in after)
    if not of_the_process and then["process"] != now["process"]:
        rows.append(Differing("the process itself", "as it was kept then", "as it is kept now"))
    return [row for row in rows if row.then != row.now]


def _place(path: str) -> tuple[str, int, str]:
    """Underside 10 stands after underside 9."""
    stem, _, last = path.rpartition(".")
    return (stem, int(last), "") if last.isdecimal() else (stem, 0, last)


def _named(path: str) -> str:
    head, _, tail = path.partition(".")
    field, _, rest = tail.partition(".")
    if field == "overrules":
        return f"underside {rest}"
    if field == "underside_notes":
        return f"note on underside {rest}"
    if field == "settings":
        return setting_words(rest)[0]
    name = NAMES.get(f"{head}.{field}" if head == "choices" else head, field or head)
    return f"{name}: {rest.replace('_', ' ')}" if rest else name


def _said(path: str, value: Any) -> str:
    field = path.removeprefix("choices.").partition(".")[0]
    if value in (None, "", [], {}):
        return {"overrules": "as chosen for you", "settings": "as in the process", "unit": "as read"}.get(
            field, _NOTHING
        )
    if field in ("standing", "overrules"):
        return _STANDING[value]
    if field == "turn_deg":
        return ", ".join(f"{axis} {_plain(angle)}°" for axis, angle in zip("xyz", value, strict=True))
    text = f"{_plain(value)} {setting_words(path)[1]}".rstrip() if field == "settings" else _plain(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, Mapping):
        return str(value.get("name", ", ".join(f"{key} {_plain(one)}" for key, one in value.items())))
    if isinstance(value, list | tuple):
        return ", ".join(map(_plain, value))
    text = str(value)
    return f"marked on the figure ({text[:6]})" if re.fullmatch("[0-9a-f]{64}", text) else text
