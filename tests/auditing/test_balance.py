"""How much is laid where: squares, layers, fill and places beside what they need."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.auditing.balance import LayerBalance, LayerSquares, balance_findings, squares_of
from falsework.auditing.flow import _places
from falsework.auditing.value import Finding, FindingLevel, Place

LAYERS, WIDE = 24, 6  # layers of 6 × 6 squares
FAULT, CAUTION = FindingLevel.FAULT, FindingLevel.CAUTION


def place(z_mm: float, corner: np.ndarray) -> Place:
    x, y = corner.min(axis=0)
    return Place(1, z_mm, (float(x), float(y)), (float(x), float(y), *corner.max(axis=0).tolist()), (1, 1))


def balances(share=1.0, solid=1.0, bare: dict[str, float] | None = None) -> list[LayerBalance]:
    """``share`` of what is needed that is laid, of all squares or (layers, squares); ``solid`` of it."""
    j, i = np.divmod(np.arange(WIDE * WIDE), WIDE)
    corner, needed = 4.0 * np.column_stack([i, j]), np.full(WIDE * WIDE, 16.0)
    shares = np.broadcast_to(np.asarray(share, float), (LAYERS, WIDE * WIDE))
    none = {"outline": 0.0, "skin": 0.0, "fill": 0.0, **(bare or {})}
    return [
        LayerBalance(
            0.2 * (k + 1),
            LayerSquares(corner, needed, solid * needed, 0.0 * needed, shares[k] * needed),
            none,
        )
        for k in range(LAYERS)
    ]


def told(layers: list[LayerBalance]) -> list[Finding]:
    return list(balance_findings("gull", layers, FAULT, place))


def by_layer(share: float, *which: int) -> np.ndarray:
    out = np.ones((LAYERS, WIDE * WIDE))
    out[list(which)] = share
    return out


def by_square(share: float, *which: int) -> np.ndarray:
    out = np.ones((LAYERS, WIDE * WIDE))
    out[8:16, list(which)] = share
    return out


@pytest.mark.parametrize(
    ("share", "kinds"),
    [
        (1.0, []),
        (0.78, []),  # of most programs, and of walls that leave corners
        (1.4, []),
        (by_layer(0.5, 7), [("starved", FAULT)]),
        (by_layer(0.73, 7), [("starved", CAUTION)]),
        (by_layer(0.73, 7, 9, 11), [("starved", FAULT)]),
        (by_layer(1.6, 7), []),  # threads over air get more
        (by_layer(1.6, 7, 9, 11), [("overfed", FAULT)]),
        (by_layer(2.0, 7), [("overfed", FAULT)]),
        (by_square(0.5, 7, 8), [("starved", FAULT)]),
        (by_square(0.5, 7), []),  # one square may be a corner
        (by_square(0.7, 7, 8), []),
        (by_square(2.0, 7, 8), [("overfed", FAULT)]),
        (by_square(1.7, 7, 8), []),
    ],
)
def test_layers_and_places_are_held_against_what_they_need(share, kinds) -> None:
    assert [(f.kind, f.level) for f in told(balances(share))] == kinds


def test_what_is_bare_gives_its_name_to_what_is_missing() -> None:
    (finding,) = told(balances(by_layer(0.5, 7, 8, 9), bare={"skin": 120.0}))
    assert finding.kind == "skin" and finding.found == pytest.approx(0.5)
    assert told(balances(by_layer(0.5, 7, 8, 9), bare={"skin": 60.0}))[0].kind == "starved"


@pytest.mark.parametrize(
    ("share", "kinds"), [(0.74, ["starved"]), (0.6, ["starved", "fill"]), (2.1, ["overfed"])]
)
def test_sparse_fill_is_told_by_itself(share: float, kinds: list[str]) -> None:
    """Squares less than half of whose need is solid."""
    assert [f.kind for f in told(balances(share, solid=0.4))] == kinds


def test_a_finding_points_at_its_squares() -> None:
    (finding,) = told(balances(by_square(0.4, 14, 15)))
    assert finding.place is not None and finding.place.box_mm == (8.0, 8.0, 12.0, 8.0)
    assert 1.6 < finding.place.z_mm < 3.3


def test_squares_sum_up_what_is_needed_and_what_is_laid() -> None:
    places = np.array([[0.5, 0.5], [1.5, 0.5], [5.0, 0.5]])
    squares = squares_of(
        places, 0.25, np.array([1.0, 0.2, 1.0]), np.array([False, False, True]),
        np.array([[1.0, 1.0], [5.5, 1.0]]), np.array([0.3, 0.7]),
    )  # fmt: skip
    assert squares.corner.tolist() == [[0.0, 0.0], [4.0, 0.0]]
    assert squares.needed == pytest.approx([0.3, 0.25]) and squares.solid == pytest.approx([0.25, 0.25])
    assert squares.sloping == pytest.approx([0.0, 0.25]) and squares.laid == pytest.approx([0.3, 0.7])


def flow(share: float, pitch: float = 0.43) -> np.ndarray:
    """Points 1 mm apart over 36 × 36 mm; in a quarter of it lines of another share, or pitch."""
    x, y = (v.ravel() + 0.5 for v in np.meshgrid(np.arange(36.0), np.arange(36.0)))
    there = (x < 18.0) & (y < 18.0)
    pitches = np.where(there, pitch, 0.43)
    return np.column_stack([x, y, pitches, np.where(there, share, 1.0) * pitches])


def test_flow_is_told_by_place() -> None:
    found = _places(flow(0.5))
    assert found is not None and found.box_mm == (0.0, 0.0, 18.0, 18.0)
    assert (found.part, found.there, found.elsewhere) == pytest.approx((0.25, 0.5, 1.0))
    assert _places(flow(0.8)) is None and _places(flow(1.0)) is None
    assert _places(flow(0.5, pitch=0.8)) is None  # lines that lie apart are another pattern
