"""Numbered tags in the margins of a picture, joined by leader lines to what they name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

SPOT, LETTER, HALF = 10.0, 7.2, 8.0  # drawing units: half a spot, the width of a letter, half a word's height
_OFFSETS = tuple(  # of a word from its spot: to the side and up, the nearest first
    sorted(
        (
            (side * across, float(up))
            for across in (14.0, 26.0)
            for up in range(-240, 241, 16)
            for side in (1, -1)
        ),
        key=lambda offset: (abs(offset[1]) + 2.0 * abs(offset[0]), offset[1] < 0, offset[0] < 0),
    )
)


@dataclass(frozen=True)
class Anchor:
    """What a tag points at: the underside's ``number``, its place in the picture, its rank (least first)."""

    number: int
    x: float
    y: float
    rank: int


@dataclass(frozen=True)
class Tag:
    """A placed tag: its centre, and the anchor it belongs to."""

    number: int
    x: float
    y: float
    anchor_x: float
    anchor_y: float


@dataclass(frozen=True)
class Word:
    """A placed word: where it starts, or ends where ``anchor`` is 'end', at half its height."""

    x: float
    y: float
    anchor: str


def place_words(
    spots: Sequence[tuple[float, float, str]], left: float, top: float, right: float, bottom: float
) -> list[Word]:
    """Put a word to each spot (x, y, text) of a chart, within the frame, over no spot and no other word.

    Each stands as near as it can, level with its spot first, then above, then below; long ones choose first.
    Where there is no room at all it stands level, over what is there.
    """
    boxes = [(x - SPOT, y - SPOT, x + SPOT, y + SPOT) for x, y, _ in spots]
    placed: dict[int, Word] = {}
    for k in sorted(range(len(spots)), key=lambda k: (-len(spots[k][2]), k)):
        x, y, text = spots[k]
        width = LETTER * len(text)
        for across, up in _OFFSETS:
            start = x + across if across > 0 else x + across - width
            box = (start, y - up - HALF, start + width, y - up + HALF)
            inside = left <= box[0] and box[2] <= right and top <= box[1] and box[3] <= bottom
            if inside and not any(_over(box, other) for other in boxes):
                break
        else:
            across, up = _OFFSETS[0]
            start = x + across
            box = (start, y - HALF, start + width, y + HALF)
        boxes.append(box)
        placed[k] = Word(round(x + across, 2), round(y - up, 2), "start" if across > 0 else "end")
    return [placed[k] for k in range(len(spots))]


def _over(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def place_tags(
    anchors: list[Anchor], width: float, height: float, margin: float, spacing: float, top: float = 0.0
) -> list[Tag]:
    """Put tags left and right of a picture, none over another, leader lines uncrossed on each side.

    ``margin`` is the distance of the tags' centres from the picture's edge, ``spacing`` the least distance
    between centres; as many as fit are placed, by rank. Heights between ``top`` and ``height`` are used.
    """
    room = max(1, int((height - top) // spacing))
    kept = sorted(anchors, key=lambda a: (a.rank, a.number))[: 2 * room]
    kept.sort(key=lambda a: (a.x, a.number))
    middle = sum(1 for a in kept if a.x < width / 2)
    middle = min(max(middle, len(kept) - room), room)
    tags: list[Tag] = []
    for side, x in ((kept[:middle], margin), (kept[middle:], width - margin)):
        column = _spread(
            sorted(side, key=lambda a: (a.y, a.x)), top + spacing / 2, height - spacing / 2, spacing
        )
        placed = [Tag(a.number, x, y, a.x, a.y) for a, y in column]
        tags.extend(_uncrossed(placed))
    return sorted(tags, key=lambda t: t.number)


def _spread(side: list[Anchor], low: float, high: float, spacing: float) -> list[tuple[Anchor, float]]:
    """Heights as near to the anchors' as the spacing allows, in the same order, within low..high."""
    heights: list[float] = []
    for a in side:
        heights.append(max(a.y, low, heights[-1] + spacing if heights else low))
    ceiling = high
    for k in range(len(heights) - 1, -1, -1):
        heights[k] = min(heights[k], ceiling)
        ceiling = heights[k] - spacing
    return list(zip(side, heights, strict=True))


def _crosses(a: Tag, b: Tag) -> bool:
    def side(px: float, py: float, t: Tag) -> float:
        return (t.anchor_x - t.x) * (py - t.y) - (t.anchor_y - t.y) * (px - t.x)

    apart_b = side(b.x, b.y, a) * side(b.anchor_x, b.anchor_y, a)
    apart_a = side(a.x, a.y, b) * side(a.anchor_x, a.anchor_y, b)
    return apart_a < 0 and apart_b < 0


def _uncrossed(tags: list[Tag]) -> list[Tag]:
    """Swap the places of tags whose leaders cross: each swap shortens the leaders, so this ends."""
    tags = list(tags)
    for _ in range(len(tags) ** 2):
        pair = next(
            ((i, j) for i in range(len(tags)) for j in range(i + 1, len(tags)) if _crosses(tags[i], tags[j])),
            None,
        )
        if pair is None:
            break
        i, j = pair
        a, b = tags[i], tags[j]
        tags[i] = Tag(a.number, b.x, b.y, a.anchor_x, a.anchor_y)
        tags[j] = Tag(b.number, a.x, a.y, b.anchor_x, b.anchor_y)
    return tags
