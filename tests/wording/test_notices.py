"""Notices: every one has words, is described, and comes back from a document as it was."""

from __future__ import annotations

import dataclasses
import json
import typing
from pathlib import Path

import pytest

from falsework.documents import decode, encode
from falsework.wording.figures import plain
from falsework.wording.notices import Earlier, NarrowFirstLayer, Notice, Obstacle, Range

DOCS = Path(__file__).parents[2] / "docs" / "plan-json.md"
TOLD = {  # a value for every field that is no plain number
    "because": "cost",
    "kind": "bridge",
    "where": "both",
    "asked": "own",
    "axis": "x",
    "what": "hole",
    "done": "closed",
    "part": "cleat",
    "sentence": "it is so",
}


def example(kind: type[Notice]) -> Notice:
    def value(name: str, hint: typing.Any) -> typing.Any:
        if name in TOLD:
            return TOLD[name]
        if hint in (Range, Range | None):
            return Range(0.4, 0.1, 1.2)
        if hint == Obstacle | None:
            return Obstacle("gap", (1.0, 2.0, 3.0), 0.4, 0.6)
        arguments = [a for a in typing.get_args(hint) if a is not Ellipsis]
        if typing.get_origin(hint) is tuple:
            return tuple(a(2 + k) for k, a in enumerate(arguments))
        if type(None) in arguments:
            return value(name, arguments[0])
        return {float: 1.5, int: 3, bool: True}[hint]

    hints = typing.get_type_hints(kind)
    return kind(**{f.name: value(f.name, hints[f.name]) for f in dataclasses.fields(kind)})


@pytest.mark.parametrize("code", Notice.kinds)
def test_a_notice_has_words_and_comes_back(code: str) -> None:
    notice = example(Notice.kinds[code])
    assert len(notice.text) > 5 and not notice.text.endswith(".")
    told = json.loads(json.dumps(encode(notice, said=True)))
    assert told["code"] == code and told["text"] == notice.text
    assert decode(Notice, told) == notice
    assert decode(Notice, encode(notice)) == notice and "text" not in encode(notice)


@pytest.mark.parametrize("code", Notice.kinds)
def test_a_notice_is_described(code: str) -> None:
    (row,) = (line for line in DOCS.read_text("utf-8").splitlines() if line.startswith(f"| `{code}` |"))
    assert all(f"`{f.name}`" in row.rpartition(" | ")[2] for f in dataclasses.fields(Notice.kinds[code]))


def test_a_sentence_of_before_is_kept_and_an_unknown_code_refused() -> None:
    assert decode(Notice, "it will scar") == Earlier("it will scar")
    with pytest.raises(KeyError, match="unknown code 'sky'"):
        decode(Notice, {"code": "sky"})


@pytest.mark.parametrize(
    ("printable_mm2", "said"),
    [
        (0.0, "nothing is even half a line wide"),
        (4e-4, "nothing is even"),
        (0.12, "only 0.12 mm² are at least"),
    ],
)
def test_of_a_narrow_first_layer_what_rounds_to_nothing_reads_as_nothing(printable_mm2, said):
    text = plain(NarrowFirstLayer(0.41, printable_mm2).text)
    assert "of 0.41 mm² " in text and said in text
