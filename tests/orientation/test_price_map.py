"""The price of every side: closed forms, and what must not depend on how the file lies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework import load_process
from falsework.orientation import price_map
from falsework.orientation.price_map import FEWEST, MOST
from falsework.part.demo import table
from falsework.part.part import Part
from falsework.part.placing import turn_matrix
from falsework.request import Context, Wish
from solids import box

PROCESS = load_process("pla-0.4")


def mapped(part: Part, process=PROCESS):
    return price_map(part, Wish(process), Context(cores=1))


def at(found, up):
    """Price and footing of the direction that is looked at nearest to ``up``."""
    k = int(np.argmax(found.ups @ np.asarray(up, float)))
    assert found.ups[k] @ up > 0.9999
    return float(found.totals[k]), bool(found.stands[k])


def test_a_table_is_cheapest_turned_over():
    found = mapped(table())
    assert FEWEST <= len(found.ups) <= MOST + 60
    assert np.linalg.norm(found.ups, axis=1) == pytest.approx(1.0)
    over, stands = at(found, (0.0, 0.0, -1.0))
    assert stands and over == pytest.approx(float(found.totals.min()), rel=0.01)
    assert over < 0.7 * at(found, (0.0, 0.0, 1.0))[0]


def test_opposite_faces_of_a_box_cost_the_same_and_its_edges_more():
    vertices, faces = box((40.0, 30.0, 20.0))
    found = mapped(Part("box", vertices, faces))
    for axis in np.eye(3):
        assert at(found, axis)[0] == pytest.approx(at(found, -axis)[0], rel=1e-3)
    assert found.totals.max() > 1.2 * at(found, (0.0, 0.0, 1.0))[0]


def test_the_map_turns_with_the_file():
    turn = turn_matrix((25.0, -40.0, 70.0))
    whole = table()
    turned = replace(whole, vertices=np.ascontiguousarray(whole.vertices @ turn.T))
    first, second = mapped(whole), mapped(turned)
    # the table is alike in four ways, so its own frame may be any of these: prices are the same set
    assert np.sort(first.totals) == pytest.approx(np.sort(second.totals), rel=0.02)
    assert at(second, turn @ (0.0, 0.0, -1.0))[0] == pytest.approx(at(first, (0.0, 0.0, -1.0))[0], rel=1e-3)


def test_what_does_not_fit_is_told():
    vertices, faces = box((200.0, 10.0, 10.0))
    low = replace(PROCESS, printer=replace(PROCESS.printer, build_height_mm=100.0))
    found = mapped(Part("rod", vertices, faces), low)
    assert found.fits[int(np.argmax(found.ups[:, 2]))] and not found.fits[int(np.argmax(found.ups[:, 0]))]
