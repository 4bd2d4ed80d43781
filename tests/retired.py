"""Words that were given up for plainer ones, or for ones of our own: they are shown nowhere."""

from __future__ import annotations

import re

RETIRED = {  # what is no longer said: what is said instead
    r"ways? to lie": "positions on the bed",
    r"[Hh]ow it should lie|should it lie|how it lies|as it lies now|lies another way": "position on the bed",
    r"(?:another|other|best|every|a|each|its) lies?\b": "position on the bed",
    r"\bLie \d": "Position 1",
    r"[Pp]art marks?\b": "file fingerprint",
    r"stood upon|[Ss]carred where|will scar|\b[Ss]cars?\b": "part surface marked by support feet",
    r"faces to spare|to be spared|not to be touched|faces not to touch": "faces supports must not touch",
    r"holds? by (?:itself|themselves)|(?:undersides|\d) that holds?\b": "prints unaided, just past the limit",
    r"\b\d+ asks?\b|asks? for support|asked for support": "need support",
    r"[Ww]eighed sum|weighs least": "total with finish and risk",
    r"as weighed": "automatic",
    r"what to mind|>Mind<": "attention",
    r"of it support": "of which support",
    r"\b[Rr]ealised": "gap as printed",
    r"[Ww]ords (?:for whoever|on underside|about)": "note to the operator",
    r"othing (?:is|weighs) against it": "no problem found",
    r"commands (?:made )?of letters": "the machine's own text commands",
    r"[Ww]hat it comes to|\bit comes to\b": "totals",
    r"[Oo]ut of reach": "area bed supports cannot reach",
    r"[Dd]roop left alone|left alone it|[Uu]nsupported, mm|[Dd]roop unsupported": "sag without support",
    r"general belief|rests? on general": "based on general values, not your prints",
    r"\b[Dd]ig out\b|\bdug out\b|\b[Tt]rapped\b": "pick out in bits, cannot be removed",
    r"\bsure 0\.|as good:|probability 0\.": "24 % likely right; equally good so far",
    r"[Bb]rush|[Ss]mooth patch|[Rr]ub out|[Bb]lock supports": "stroke, whole face, wipe; keep supports away",
    r"[Dd]ense (?:interface|layers)": "interface layers",
    r"\b(?:support|shore)(?:'s|s)? (?:roof|floor)": "cap, sole",
    r"(?:support|from|stand) anywhere": "bed or part",
    r"corner_speed": "time lost in a right-angled corner",
    r"pattern-comb|\bpattern =": "weave",
    r"hatched brick red": "hatched",
    r"weighs? as good|what weighs least|student laboratory|as quoted": "",
}
_FOUND = {words: re.compile(words) for words in RETIRED}
_SAG = re.compile(r"(?<![\w./-])[Dd]roops?(?:ing)?(?![\w/])(?!\.)")
"""Shown figures are of sag; droop is the word of the model's page and of columns of tables."""


def retired_in(text: str, *, sag: bool = True) -> list[str]:
    """What of the retired words stands in a text, with a few letters around it."""
    patterns = [*_FOUND.values(), *([_SAG] if sag else [])]
    return [
        text[max(m.start() - 25, 0) : m.end() + 25]
        for pattern in patterns
        for m in [pattern.search(text)]
        if m is not None
    ]
