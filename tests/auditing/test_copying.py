"""What a program prints in place of its part: which lie, size or copy is believed, with the fits given."""

from __future__ import annotations

from types import SimpleNamespace as Given

import numpy as np
import pytest

from falsework.auditing import copies
from falsework.auditing.survey import Usual
from falsework.part.part import Part

USUAL = Usual(0.2, 0.45)
CUBE = Part(
    "cube",
    np.array([[x, y, z] for x in (0.0, 10) for y in (0.0, 10) for z in (0.0, 10)]),
    np.zeros((0, 3), int),
)


def fits(covered, beyond=0.0, dz=0.0):
    return Given(placement=Given(covered=covered, beyond=beyond, shift_mm=(0.0, 0.0, dz)))


@pytest.fixture
def looking(monkeypatch):
    """``first``: how the part fits; ``mirrored``: its mirror image; ``ways`` of others, in order."""

    def look(first, *, mirrored=0.0, ways=(), changed=False, layers=False, tall=None):
        placed = iter(
            [fits(*first), *(fits(*w[2]) for w in ways)] if ways else [fits(*first), fits(mirrored)]
        )
        monkeypatch.setattr(copies, "place_in", lambda *how, **more: next(placed))
        monkeypatch.setattr(copies, "_only_taller", lambda *how: tall)
        monkeypatch.setattr(copies, "is_changed", lambda *how: changed)
        monkeypatch.setattr(copies, "_with_others", lambda *how: "with others")
        monkeypatch.setattr(copies, "_changed", lambda part, *how: part)
        monkeypatch.setattr(copies, "_in_many_layers", lambda *how: layers)
        monkeypatch.setattr(
            copies, "_other_ways", lambda *how: iter([(m, (90, 0), s, CUBE) for m, s, _ in ways])
        )
        found = copies.find_copies(CUBE, None, USUAL, 3.0)
        if found == "with others":
            return found
        if found.instead is None:
            return f"{len(found.copies)} alone"
        if found.instead is tall:
            return "taller"
        return ("mirrored" if found.instead.mirrored else "lies", found.instead.scale)

    return look


def test_what_follows_nearly_all_outlines_is_the_part(looking) -> None:
    assert looking((0.98,)) == "with others" and looking((0.98, 0.2)) == "with others"
    assert looking((1.0,), tall=Given()) == "taller"
    # beside its mirror image from 0.6 in a hundred better on, unless all is followed
    assert looking((0.99,), mirrored=0.9965) == ("mirrored", 1.0)
    assert looking((0.99,), mirrored=0.9955) == "with others"
    assert looking((0.997,), mirrored=1.0, ways=()) == "with others"


@pytest.mark.parametrize(
    ("first", "ways", "found"),
    [
        ((0.9,), [(True, 1.0, (0.985,))], ("mirrored", 1.0)),
        ((0.9,), [(True, 1.0, (0.975,))], "with others"),  # a mirror image must fit as nearly all
        ((0.9,), [(False, 1.5, (0.985,))], ("lies", 1.5)),
        ((0.97,), [(False, 1.5, (0.985,))], "with others"),  # by less than 2 in a hundred
        ((0.97,), [(False, 1.5, (0.995,))], ("lies", 1.5)),
        ((0.97,), [(True, 1.0, (0.985,))], ("mirrored", 1.0)),
        ((0.9, 0.3), [(False, 2.0, (0.9, 0.0))], ("lies", 2.0)),
        ((0.97,), [(False, 2.0, (0.1,)), (False, 1.0, (1.0,))], ("lies", 1.0)),
    ],
)
def test_another_lie_or_size_is_believed_where_it_fits_better(looking, first, ways, found) -> None:
    assert looking(first, ways=ways) == found


def test_what_follows_too_little_is_another_part_unless_it_is_changed_or_followed_in_many_layers(
    looking,
) -> None:
    low = 0.69
    poor = [(False, 1.0, (0.0,))]
    assert looking((low,), ways=poor) == "0 alone"
    assert looking((low,), ways=poor, layers=True) == "1 alone"
    assert looking((low,), ways=poor, changed=True) == "1 alone"
    assert looking((low + 0.02,), ways=poor) == "with others"
    assert looking((low + 0.02,), ways=poor, changed=True) == "with others"
    # many strands just outside it count against it by half of what is more than a fifth
    assert looking((low + 0.02, 0.3), ways=poor) == "0 alone"
    assert looking((low + 0.02, 0.21), ways=poor) == "with others"


@pytest.fixture
def height(monkeypatch):
    """The part of 10 mm where ``high`` mm are printed, with how well it fits as it is, drawn out, or sunk."""

    def told(high, first=0.9, taller=1.0, lower=0.0, *, dz=0.0, layer_mm=None, raft=False):
        ground = Given(bodies=[Given(high_mm=high, flat=False)])

        def place(part, found, usual, around_mm):
            return fits(lower) if part.vertices[:, 2].min() < 0 else fits(taller, dz=dz)

        monkeypatch.setattr(copies, "place_in", place)
        monkeypatch.setattr(copies, "on_raft", lambda *how: raft)
        one = copies._only_taller(CUBE, Given(ground=ground), USUAL, 3.0, layer_mm, fits(first))
        return None if one is None else (round(one.tall, 3), round(one.sunk_mm, 3))

    return told


def test_a_part_drawn_out_or_pressed_together(height) -> None:
    assert height(12.0) == (1.2, 0.0) and height(8.0) == (0.8, 0.0)
    assert height(10.19) is None and height(10.21) == (1.021, 0.0)  # its own height, within 2 in a hundred
    assert height(12.9) == (1.29, 0.0) and height(13.1) is None and height(7.6) is None
    assert height(12.0, raft=True) is None and height(12.0, dz=0.1) is None
    assert height(12.0, first=0.97) == (1.2, 0.0) and height(12.0, first=0.99) is None
    assert height(12.0, taller=0.899, first=0.2) is None
    # layers that are as much taller speak for it, and need no better fit
    assert height(12.0, first=1.01, layer_mm=0.2 / 1.2) == (1.2, 0.0)
    assert height(12.0, first=1.03, layer_mm=0.2 / 1.2) is None
    assert height(12.0, first=1.01, layer_mm=0.2 / 1.2 * 1.009) is None


def test_a_part_sunk_into_the_bed(height) -> None:
    """8 mm of 10: 2 mm beneath the bed, where that fits better by 2 in a hundred, or as well with the layers
    that were planned."""
    assert height(8.0, first=0.9, taller=0.97, lower=1.0) == (1.0, 2.0)
    assert height(8.0, first=0.9, taller=0.99, lower=1.0) == (0.8, 0.0)
    assert height(8.0, first=0.9, taller=0.996, lower=0.992, layer_mm=0.2) == (1.0, 2.0)
    assert height(8.0, first=0.9, taller=0.998, lower=0.992, layer_mm=0.2) == (0.8, 0.0)
    assert height(12.0, first=0.9, taller=0.97, lower=1.0) == (1.2, 0.0)
