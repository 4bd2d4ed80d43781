"""The five pictures of an underside and the five ways of letting go, in words: for sheets, prompts, pages."""

from __future__ import annotations

from falsework.coupon.reading import LetGo

FINISH: dict[int, str] = {
    1: "loops hang down; it is open or torn",
    2: "strands have sagged apart; there are gaps between them",
    3: "closed, with visible sag",
    4: "closed and even; the strands can be felt with a fingernail",
    5: "as an upright wall of the same print",
}
"""Common practice, no source: what a print room sees when it holds the underside to the light."""

LET_GO: dict[LetGo, str] = {
    LetGo.FUSED: "not without damage to the part",
    LetGo.SCRAPED: "in bits, with a blade or a scraper",
    LetGo.TOOL: "in one go, with pliers",
    LetGo.HAND: "in one go, by hand",
    LetGo.TOUCH: "by itself, at the first touch",
    LetGo.FELL: "before the print was done",
    LetGo.EARLY: "by itself, before the print was done or at the first touch",
}
