"""Words that were given up are in no page, command, sheet or document; each one in use is explained."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from falsework.auditing.value import FindingLevel
from falsework.release.state import ReleaseState
from falsework.request.standing import Standing
from falsework.wording import terms

ROOT = Path(__file__).parents[2]
RETIRED = (
    *("Ways to lie", "Part mark", "stood upon", "Scarred where it stands", "Weighed sum", "as weighed"),
    *(
        "of it support",
        "Realised",
        ">Mind<",
        '"Mind"',
        "What it comes to",
        "Droop left alone",
        "general belief",
    ),
    *(
        "dug out",
        "trapped for ever",
        "commands of letters",
        "othing is against it",
        "smooth patch:",
        "rub out",
    ),
    *(
        "Block supports",
        "Dense interface",
        "dense interface",
        "dense layers on",
        "parallel lines, or two crossing",
    ),
    *("a grid of two crossing", "faces to spare", "what weighs least", "student laboratory", "as quoted"),
    *("corner_speed_mm_s =", "hold by themselves up to"),
)
SHOWN = (
    *(path for path in (ROOT / "src/falsework").rglob("*.py") if "kernels" not in path.parts),
    *(ROOT / "src/falsework/report/page").glob("*"),
    *(ROOT / "src/falsework/bench/page/js").rglob("*.js"),
    *(ROOT / "docs").glob("*.md"),
    ROOT / "README.md",
)
GLOSSARY = (ROOT / "docs/glossary.md").read_text("utf-8")


@pytest.mark.parametrize("words", RETIRED)
def test_a_retired_word_is_shown_nowhere(words: str) -> None:
    found = [str(path.relative_to(ROOT)) for path in SHOWN if words in path.read_text("utf-8")]
    assert found == []


def test_the_glossary_has_every_word_of_the_lists() -> None:
    told = {word.strip() for row in re.findall(r"^\| ([^|]+) \|", GLOSSARY, re.M) for word in row.split(",")}
    told |= {row.strip() for row in re.findall(r"^\| ([^|]+) \|", GLOSSARY, re.M)}
    lists = (map(str, Standing), map(str, ReleaseState), map(str, FindingLevel), ("weave", *terms.BASIS))
    lacking = [
        word
        for words in lists
        for word in words
        if word not in told and word not in GLOSSARY.replace("\n", " ")
    ]
    assert lacking == []
    for row in re.findall(r"^\| (?!term|-)([^|]+) \| ([^|]+) \|", GLOSSARY, re.M):
        assert row[1].strip() and "." not in row[1].strip()[:-1].replace("docs.", ""), row


def test_its_pictures_are_there() -> None:
    for picture in re.findall(r"\((pictures/[^)]+)\)", GLOSSARY):
        assert (ROOT / "docs" / picture).is_file(), picture
