"""Figures as people write them: with a unit, with as many digits as tell something, never with an exponent.

A space that must not break stands between a number and its unit (U+00A0) and between thousands (U+202F);
minus is U+2212. Whatever prints where those are in the way (a terminal, a pipe) takes :func:`plain` of it.
A greater value never reads as a smaller one, and what is read differs from the value by less than its last
digit shown; what is too small to show says so ('under 0.01 mm') and is not written as nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_UP, Context, Decimal
from typing import Protocol

BEYOND = "beyond the model"
PRICE_UNIT = "¤"  # the sign for 'some currency': that of the process file
SPACE, THIN_SPACE, MINUS = "\u00a0", "\u202f", "\u2212"

_EXACT = Context(prec=400, rounding=ROUND_HALF_UP)  # holds every float to the last digit
_PLAIN = str.maketrans({SPACE: " ", THIN_SPACE: " "})
LEAST_SHOWN = 0.005  # what is less is 'under 0.01'
UNKNOWN_FACTOR = 50.0  # of the ends of an interval, from which on it is no figure
_DAY_H = 100  # from so many hours on minutes tell nothing


class Ranged(Protocol):
    """A figure with the ends of its interval, such as ``droop.estimate.Estimate``."""

    @property
    def value(self) -> float: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...


def plain(text: str) -> str:
    """Text with ordinary spaces.

    >>> plain(duration(7200)) == "2 h", plain(number(1234567)) == "1 234 567"
    (True, True)
    """
    return text.translate(_PLAIN)


def number(value: float, digits: int | None = None) -> str:
    """A number with ``digits`` decimals, or with as many as make sense at its size.

    >>> [plain(number(v)) for v in (0.0, 0.004, 0.5, 12.34, 123.4, 4030.0)]
    ['0', 'under 0.01', '0.50', '12.3', '123', '4 030']
    >>> number(-0.2, 0)
    '0'
    """
    if not math.isfinite(value):
        return BEYOND
    if value == 0.0:
        return "0"
    size = abs(value)
    if digits is None:
        if size < LEAST_SHOWN:
            return "under 0.01" if value > 0.0 else "0"
        digits = 2 if size < 0.995 else 1 if size < 99.95 else 0
    return _signed(value, _fixed(size, digits))


def given(value: float, most_digits: int = 3) -> str:
    """A number as someone gave it: with up to ``most_digits`` decimals, none of them a closing zero.

    >>> given(0.2), given(45.0), given(0.1234), plain(given(100000.0))
    ('0.2', '45', '0.123', '100 000')
    """
    if not math.isfinite(value):
        return BEYOND
    text = _fixed(abs(value), most_digits)
    return _signed(value, text.rstrip("0").rstrip(".") if "." in text else text)


def _fixed(size: float, digits: int) -> str:
    """Half up, as the page's ``toFixed`` rounds, and for any size."""
    rounded = Decimal(size).quantize(Decimal(1).scaleb(-digits), context=_EXACT)
    return f"{rounded:,f}".replace(",", THIN_SPACE)


def _signed(value: float, text: str) -> str:
    return MINUS + text if value < 0.0 and text.strip("0.") else text


def with_unit(value: float, unit: str, digits: int | None = None) -> str:
    """``1.2 mm``, joined so that it does not break; the sign of degrees stands close.

    >>> plain(with_unit(1.23, "mm")), with_unit(45.2, "°", 0)
    ('1.2 mm', '45°')
    """
    return _joined(number(value, digits), value, unit)


def given_unit(value: float, unit: str) -> str:
    """A number as someone gave it, with its unit: ``0.2 mm``."""
    return _joined(given(value), value, unit)


def _joined(text: str, value: float, unit: str) -> str:
    if not math.isfinite(value) or not unit:
        return text
    return f"{text}{'' if unit == '°' else SPACE}{unit}"


def duration(seconds: float) -> str:
    """Seconds below a minute, then minutes, then hours and minutes, from 100 h on hours.

    >>> [plain(duration(s)) for s in (0.2, 40, 840, 7200, 11400, 1e6)]
    ['under 1 s', '40 s', '14 min', '2 h', '3 h 10 min', '278 h']
    """
    if not math.isfinite(seconds):
        return BEYOND
    size = abs(seconds)
    if size < 59.5:
        return f"under 1{SPACE}s" if 0.0 < seconds < 0.5 else with_unit(seconds, "s", 0)
    minutes = math.floor(size / 60.0 + 0.5)
    hours, rest = divmod(minutes, 60)
    if not hours:
        text = f"{minutes}{SPACE}min"
    elif hours < _DAY_H:
        text = f"{hours}{SPACE}h {rest}{SPACE}min" if rest else f"{hours}{SPACE}h"
    else:
        text = f"{_fixed(size / 3600.0, 0)}{SPACE}h"
    return _signed(seconds, text)


def length(mm: float) -> str:
    """``3.5 mm``; from 10 m on in metres."""
    return with_unit(mm, "mm") if abs(mm) < 9999.5 else with_unit(mm / 1000.0, "m")


def area(mm2: float) -> str:
    """In mm², from 1 000 on in cm².

    >>> plain(area(170.2)), plain(area(4030.0))
    ('170 mm²', '40.3 cm²')
    """
    return with_unit(mm2, "mm²") if abs(mm2) < 999.5 else with_unit(mm2 / 100.0, "cm²")


def volume(mm3: float) -> str:
    """In mm³, from 1 000 on in cm³."""
    return with_unit(mm3, "mm³") if abs(mm3) < 999.5 else with_unit(mm3 / 1000.0, "cm³")


def mass(grams: float) -> str:
    """``12.4 g``."""
    return with_unit(grams, "g")


def force(newtons: float) -> str:
    """To two digits, for no more is known of one; below 0.1 N to one decimal.

    >>> [plain(force(n)) for n in (0.02, 3.21, 538.0, 18240.0)]
    ['0.0 N', '3.2 N', '540 N', '18 000 N']
    """
    return with_unit(float(f"{newtons:.1e}"), "N", 1 if abs(newtons) < 9.95 else 0)


def about_force(estimate: Ranged) -> str:
    """``about 540 N (410 to 720 N)``; what is certainly no force to speak of is said to be less than half a
    newton; an interval wider than by ``UNKNOWN_FACTOR`` tells nothing, and that is said instead."""
    if estimate.high < 0.5:
        return f"less than 0.5{SPACE}N"
    if estimate.high > UNKNOWN_FACTOR * estimate.low:
        return "a force that is not known until a test piece of gaps is read"
    low = force(estimate.low).removesuffix(f"{SPACE}N")
    return f"about {force(estimate.value)} ({low} to {force(estimate.high)})"


def price(amount: float) -> str:
    """In the currency of the process file: ``2.35 ¤``."""
    return with_unit(amount, PRICE_UNIT, 2)


def finding(count: int, what: str, done: str, where: str = "") -> str:
    """What was found in a mesh, and what was done about it.

    >>> finding(2, "holes", "closed"), finding(1, "open edge", "")
    ('2 × holes: closed', 'open edge: left as it is')
    """
    many = f"{count} × " if count > 1 else ""
    return f"{many}{what}{where}: {done or 'left as it is'}"


def share(fraction: float) -> str:
    """Whole percents.

    >>> [plain(share(f)) for f in (0.0, 0.001, 0.17, 1.0)]
    ['0 %', 'under 1 %', '17 %', '100 %']
    """
    return f"under 1{SPACE}%" if 0.0 < fraction < 0.005 else with_unit(100.0 * fraction, "%", 0)


def interval(estimate: Ranged, unit: str) -> str:
    """``0.10 to 0.90 mm``; a lower end that rounds to nothing is 0."""
    low = "0" if abs(estimate.low) < 0.005 else number(estimate.low)
    return f"{low} to {with_unit(estimate.high, unit)}"


def estimated(estimate: Ranged, unit: str) -> str:
    """``0.45 mm (0.10 to 0.90 mm)``."""
    return f"{with_unit(estimate.value, unit)} ({interval(estimate, unit)})"


def size(mm: Iterable[float]) -> str:
    """``60.0 × 40.0 × 12.5 mm``."""
    return f"{' × '.join(number(v, 1) for v in mm)}{SPACE}mm"


def place(mm: Iterable[float]) -> str:
    """``x 10.0, y 20.0, z 3.2 mm``."""
    return f"{axes(mm)}{SPACE}mm"


def axes(mm: Iterable[float]) -> str:
    """``x 10.0, y 20.0``."""
    return ", ".join(f"{axis} {number(v, 1)}" for axis, v in zip("xyz", mm, strict=False))


def span(low: float, high: float, digits: int = 1) -> str:
    """``3.0 to 4.5``, or one number where both read the same."""
    ends = number(low, digits), number(high, digits)
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def counted(count: int, one: str, many: str = "") -> str:
    """A count and what is counted.

    >>> plain(counted(1, "piece")), plain(counted(3, "piece")), plain(counted(2, "body", "bodies"))
    ('1 piece', '3 pieces', '2 bodies')
    """
    return f"{number(count, 0)}{SPACE}{one if count == 1 else many or one + 's'}"


def listed(items: Sequence[str]) -> str:
    """``a, b and c``."""
    return "".join(items) if len(items) < 2 else f"{', '.join(items[:-1])} and {items[-1]}"


def numbered(what: str, numbers: Sequence[int]) -> str:
    """Things by their rising numbers, runs of three or more shortened.

    >>> numbered("piece", [3]), numbered("piece", [1, 4, 5, 6, 9])
    ('piece 3', 'pieces 1, 4 to 6 and 9')
    """
    runs: list[list[int]] = []
    for one in numbers:
        if runs and one == runs[-1][-1] + 1:
            runs[-1].append(one)
        else:
            runs.append([one])
    said: list[str] = []
    for run in runs:
        said += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else map(str, run)
    return f"{what}{'s' if len(numbers) > 1 else ''} {listed(said)}"


def sentence(text: str) -> str:
    """With a capital and a stop at its end."""
    return text[:1].upper() + text[1:] + ("" if not text or text[-1] in ".!?" else ".")
