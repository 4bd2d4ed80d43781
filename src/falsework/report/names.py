"""Names that people gave, in whatever script they write: on pages, where no font can be counted on.

Letters that every machine has stay text. Any other name becomes a picture set with the fonts that come with
packages, and the name itself is its description, so that it can be read out, searched and copied.
"""

from __future__ import annotations

import base64
from functools import lru_cache
from importlib.util import find_spec
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markupsafe import Markup

FONTS = (
    *("Libertinus Serif", "Noto Sans", "Noto Sans SC", "Noto Sans JP", "Noto Sans KR", "Noto Sans TC"),
    *("Noto Sans Thai", "Noto Sans Devanagari", "Noto Sans Arabic", "Noto Emoji"),
)
_FONT_PACKAGES = ("manimgx_fonts", "justmytype_intl_cjk")
_NO_LETTER = "\U0010fffd"  # for private use, and drawn as whatever is missing
_ARMENIAN, _PUNCTUATION, _GLAGOLITIC = 0x530, 0x2000, 0x2C00  # first code points of these blocks
_PICTURE = """
#set page(width: auto, height: auto, margin: 0pt, fill: none)
#set text(size: 12pt, top-edge: "ascender", bottom-edge: "descender", fill: rgb("#22282b"),
  font: json(bytes(sys.inputs.fonts)))
#sys.inputs.name
"""


def font_folders() -> list[str]:
    """Folders of the installed packages that bring fonts for other scripts than Latin ones."""
    found = (find_spec(name) for name in _FONT_PACKAGES)
    return [place for spec in found if spec is not None for place in spec.submodule_search_locations or ()]


def at_hand(letter: str) -> bool:
    """Whether any machine's fonts have this letter: Latin, Greek and Cyrillic ones, signs and punctuation."""
    return ord(letter) < _ARMENIAN or _PUNCTUATION <= ord(letter) < _GLAGOLITIC


def with_letters_at_hand(text: str) -> str:
    """A text with a question mark for every letter that the typesetter's own fonts may lack."""
    return "".join(letter if at_hand(letter) else "?" for letter in text)


def lacking(text: str) -> str:
    """The letters of a text, each once, that no font here has: on a page they stay text, for a browser that
    may have them, on paper they become question marks."""
    blank = _picture(_NO_LETTER)
    return "".join(one for one in dict.fromkeys(text) if not at_hand(one) and _picture(one) in (blank, None))


def named(text: str) -> Markup:
    """A name for a page: as text, escaped, or as a picture where letters are not at hand everywhere."""
    from markupsafe import Markup, escape

    if all(map(at_hand, text)) or lacking(text):
        return escape(text)
    picture = _picture(text)
    if picture is None:
        return escape(text)
    return Markup('<img class="name" alt="{}" src="data:image/svg+xml;base64,{}">').format(text, picture)


@lru_cache(maxsize=64)
def _picture(text: str) -> str | None:
    """The name set as SVG, in base64; None where it cannot be set."""
    import json

    import typst

    try:
        svg: bytes = typst.compile(
            _PICTURE.encode(),
            sys_inputs={"name": text, "fonts": json.dumps(FONTS)},
            font_paths=typst.Fonts(font_paths=font_folders(), include_system_fonts=True),
            format="svg",
        )
    except (typst.TypstError, UnicodeEncodeError):  # of what is no text, such as half of a letter
        return None
    return base64.b64encode(svg).decode("ascii")
