"""What each principle makes of figures whose cause is known: shape, make, supports, flow, crossing lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from falsework.auditing.consistency import drawing_back_findings, flow_findings, pressed_findings
from falsework.auditing.differences import layer_findings
from falsework.auditing.fits import robust_fit
from falsework.auditing.flow import Fed
from falsework.auditing.layer_sums import FILL, HOLDING, WALL, LayerSums
from falsework.auditing.make import LaidAreas, make_findings
from falsework.auditing.points import neighbours, points_along, running_across
from falsework.auditing.reading import ProgramReading
from falsework.auditing.shape import Residuals, shape_changes
from falsework.auditing.support_amounts import SupportAmounts, amount_findings
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.auditing.value import FindingLevel
from falsework.cost.part import PartLayers
from falsework.kernels.bead import beside, laying
from falsework.process import load_process

USUAL = Usual(0.2, 0.45)
LAYERS = 40

# shape


def outlines() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points, heights and normals of a block of 30 × 18 × 20 mm, a slot in its upper half."""
    rng = np.random.default_rng(1)
    xy, z, normal = [], [], []
    for level in np.linspace(-10.0, 10.0, 9):
        for axis, at in (
            (0, 15.0),
            (0, -15.0),
            (1, 9.0),
            (1, -9.0),
            *(((1, 3.0), (1, -3.0)) if level > 0 else ()),
        ):
            points = rng.uniform(-1.0, 1.0, (30, 2)) * [15.0, 9.0]
            points[:, axis] = at
            way = np.zeros(2)
            way[axis] = np.sign(at) * (-1.0 if abs(at) == 3.0 else 1.0)
            xy.append(points)
            z.append(np.full(30, level))
            normal.append(np.tile(way, (30, 1)))
    return np.concatenate(xy), np.concatenate(z), np.concatenate(normal)


def residuals(by: np.ndarray, wider: float = 0.0, noise: float = 0.01) -> Residuals:
    """``by`` (n, 2): how far each point is moved."""
    xy, z, normal = outlines()
    out = (by * normal).sum(axis=1) + wider + np.random.default_rng(2).normal(0.0, noise, len(xy))
    out[::17] += 0.5  # supports that run beside the part
    return Residuals(
        xy, z, normal, out, np.zeros(len(xy), bool), np.array([15.0, 9.0, 10.0]), 1.0, np.zeros(0)
    )


def test_outlines_that_lie_where_they_should_are_explained_by_nothing() -> None:
    xy, _, _ = outlines()
    assert shape_changes(residuals(np.tile([0.2, -0.1], (len(xy), 1)))) == ()  # a shift is no change of shape


@pytest.mark.parametrize(
    ("name", "amounts"),
    [
        ("size", (0.012,)),
        ("along x", (-0.02,)),
        ("along y", (0.03,)),
        ("skew", (0.02,)),
        ("lean", (0.03, 0.0)),
        ("twist", (0.004,)),
        ("wider", (-0.43,)),
        ("wider", (0.2,)),
    ],
)
def test_the_change_that_was_made_is_the_one_that_explains(name: str, amounts: tuple[float, ...]) -> None:
    (x, y), z = outlines()[0].T, outlines()[1]
    one, zero = amounts[0], np.zeros_like(x)
    moves = {
        "size": (one * x, one * y),
        "along x": (one * x, zero),
        "along y": (zero, one * y),
        "skew": (one * y, one * x),
        "lean": (one * z, zero),
        "twist": (-one * z * y, one * z * x),
        "wider": (zero, zero),
    }
    found = shape_changes(residuals(np.column_stack(moves[name]), one if name == "wider" else 0.0))
    assert found[0].name == name
    assert found[0].amounts == pytest.approx(amounts, rel=0.06, abs=0.002)


# make of the part


def made(walls: float = 1.0, solid: float = 1.0, sparse: float = 1.0, ends: float = 1.0) -> LaidAreas:
    """What a part of constant section comes to, by shares of what was planned; ``ends``: of lowest skins."""
    process = load_process("pla-0.4")
    wall = np.linspace(50.0, 60.0, LAYERS)
    skin = np.full(LAYERS, 20.0)
    skin[:4] = skin[-4:] = 220.0
    inside = 220.0 - skin
    planned = PartLayers(wall, skin, inside, wall, wall)
    share = np.where(np.arange(LAYERS) < 4, ends, solid)
    return LaidAreas(walls * wall, share * skin + sparse * process.fill * inside, planned)


@pytest.mark.parametrize(
    ("shares", "kinds"),
    [
        ({}, []),
        ({"walls": 1.2, "solid": 1.3, "sparse": 2.0}, []),  # people's programs differ so much
        ({"walls": 0.5}, ["walls"]),
        ({"solid": 0.0, "ends": 0.0}, ["skin"]),
        ({"ends": 0.2}, ["skin"]),
        ({"sparse": 0.0}, ["fill"]),
        ({"sparse": 5.0}, ["fill"]),
    ],
)
def test_walls_skins_and_fill_are_told_apart(shares: dict[str, float], kinds: list[str]) -> None:
    process = replace(load_process("pla-0.4"), layer_height_mm=0.2)
    found = list(make_findings(made(**shares), process, USUAL))
    assert [f.kind for f in found] == kinds
    assert not list(make_findings(made(**shares), process, Usual(0.3, 0.45)))


# supports


def amounts(**other) -> SupportAmounts:
    planned, dense = np.full(LAYERS, 100.0), np.zeros(LAYERS)
    dense[-2:] = planned[-2:] = 400.0
    ones = np.ones(LAYERS)
    return replace(SupportAmounts(planned, planned, dense, ones, ones, 0.95), **other)


def test_supports_as_planned_have_no_finding() -> None:
    assert list(amount_findings(amounts())) == []


@pytest.mark.parametrize(
    ("other", "kind"),
    [
        ({"printed_mm": 0.5 * amounts().planned_mm}, "spacing"),
        ({"fed": np.full(LAYERS, 0.45)}, "starved"),
        ({"fed": np.full(LAYERS, 2.0)}, "overfed"),
        ({"along": np.full(LAYERS, -1.0)}, "interface"),
        ({"printed_mm": amounts().planned_mm * (np.arange(LAYERS) % 3 != 2)}, "support layers missing"),
    ],
)
def test_what_is_wrong_with_supports_comes_first(other: dict, kind: str) -> None:
    found = list(amount_findings(amounts(**other)))
    assert found[0].kind == kind and found[0].level is FindingLevel.FAULT
    elsewhere = list(amount_findings(amounts(**other, in_place=0.3)))  # other supports than those planned
    assert {f.kind for f in elsewhere} <= {"starved", "overfed"}


# by layer


def layers(wall_share=1.0, *, speed=40.0, fan=1.0, nozzle=210.0) -> LayerSums:
    """Walls and fill of 0.09 mm² in layers of 0.2 mm; each argument one figure or one for each layer."""
    share, speed, fan, nozzle = (np.broadcast_to(v, LAYERS) for v in (wall_share, speed, fan, nozzle))
    sums = []
    for k in range(LAYERS):
        one = np.zeros((laying.CLASSES, laying.CLASS_SUMS))
        for which, flow in ((WALL, share[k]), (FILL, 1.0), (HOLDING, 1.0)):
            one[which] = 100.0 * np.array([1.0, 0.09 * flow, speed[k], fan[k], nozzle[k]])
        sums.append(one)
    return LayerSums(sums, [(0.2 * (k + 1), 0.2, 0.2, 1.0, 100.0 * k) for k in range(LAYERS)])


SOUND = Fed(1.0, 1.0, 0.43, None, 1.0, 0.45, 1.0)


@pytest.mark.parametrize(
    ("share", "kinds"),
    [
        (1.0, []),
        (np.where(np.arange(LAYERS) % 2, 0.5, 1.0), ["starved"]),
        (np.where(np.arange(LAYERS) > 30, 1.8, 1.0), ["overfed"]),
        (np.linspace(1.0, 0.4, LAYERS), ["starved"]),
        (np.where(np.arange(LAYERS) == 7, 0.5, 1.0), []),  # one layer may be another pattern
    ],
)
def test_walls_are_held_against_what_there_is_room_for(share, kinds: list[str]) -> None:
    assert [f.kind for f in flow_findings(layers(share), SOUND)] == kinds


def test_some_walls_may_be_starved_where_the_others_are_not() -> None:
    (finding,) = flow_findings(layers(), replace(SOUND, thin_walls=0.5))
    assert finding.kind == "starved" and finding.found == 0.5
    assert list(flow_findings(layers(), replace(SOUND, thin_walls=0.1))) == []


def test_a_layer_that_is_laid_lower_than_it_is_fed_for_is_found() -> None:
    sums = layers()
    assert list(pressed_findings(sums)) == []
    z, height, _, so_deep, line = sums._about[7]
    for depth, share, found in ((0.1, so_deep, ["overfed"]), (0.1, 0.2, []), (np.inf, so_deep, [])):
        sums._about[7] = z, height, depth, share, line
        assert [f.kind for f in pressed_findings(sums)] == found


@pytest.mark.parametrize(
    ("drawn", "told"),
    [
        (np.ones(LAYERS), False),
        (np.where(np.arange(LAYERS) > 20, 0.0, 1.0), True),
        (np.where(np.arange(LAYERS) % 2, 0.0, 1.0), False),  # a habit of its own
        (np.where(np.arange(LAYERS) == 20, 0.0, 1.0), False),
        (np.zeros(LAYERS), False),  # filament that is never drawn back
    ],
)
def test_drawing_back_that_ends_on_the_way_up_is_found(drawn: np.ndarray, told: bool) -> None:
    found = ProgramSurvey(ProgramReading("none", np.zeros(1)))
    found.travel_mm, found.drawn_mm = np.full(LAYERS, 50.0), 50.0 * drawn
    found.z_mm, found.line = 0.2 * np.arange(1.0, LAYERS + 1), np.arange(LAYERS)
    assert [f.kind for f in drawing_back_findings(found)] == ["retraction"] * told


@pytest.mark.parametrize(
    ("of", "kinds"),
    [
        ({}, []),
        ({"fan": np.where(np.arange(LAYERS) > 20, 0.0, 1.0)}, ["fan"]),
        ({"fan": np.where(np.arange(LAYERS) < 3, 0.0, 1.0)}, []),
        ({"nozzle": np.where(np.arange(LAYERS) == 20, 180.0, 210.0)}, ["nozzle heat"]),
        ({"nozzle": np.where(np.arange(LAYERS) == 0, 225.0, 210.0)}, []),
        ({"speed": np.where(np.arange(LAYERS) == 0, 150.0, 40.0)}, ["fast first layer"]),
    ],
)
def test_heat_fan_and_speed_are_held_against_the_process_layer_by_layer(of: dict, kinds: list[str]) -> None:
    process = load_process("pla-0.4")
    process = replace(process, fan=1.0, material=replace(process.material, nozzle_temperature_c=210.0))
    assert [f.kind for f in layer_findings(process, layers(**of))] == kinds


# lines that cross


def test_a_line_through_others_of_its_layer_is_found_and_fill_that_ends_in_walls_is_not() -> None:
    rows = np.arange(0.0, 10.0, 0.45)
    fill = np.column_stack([np.zeros_like(rows), rows, np.full_like(rows, 20.0), rows])
    apart = np.arange(len(fill) + 1)
    for x, crossed in ((19.8, {}), (20.2, {}), (7.0, {len(fill): len(fill)})):
        line = np.array([[x, -1.0, x + 0.1, 11.0]])
        assert running_across(np.concatenate([fill, line]), apart, 0.45) == crossed


def test_strands_cross_where_shapely_says_so() -> None:
    lots = np.random.default_rng(1)
    begin = lots.uniform(0.0, 60.0, (300, 2))
    ends = np.hstack([begin, begin + lots.normal(0.0, 6.0, (300, 2))])
    path = np.arange(300) // 2
    pairs, along = beside.crossings(ends, path, 0.3)
    lines = shapely.linestrings(ends.reshape(-1, 2, 2))
    p, q = shapely.STRtree(lines).query(lines, predicate="crosses")
    a, b = ends[p, 2:] - ends[p, :2], ends[q, 2:] - ends[q, :2]
    sine = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / (np.hypot(*a.T) * np.hypot(*b.T))
    meant = (sine > 0.3) & (path[p] != path[q]) & (p < q)
    assert {tuple(sorted(pair)) for pair in pairs.tolist()} == set(zip(p[meant], q[meant], strict=True))
    where = shapely.intersection(lines[pairs[:, 0]], lines[pairs[:, 1]])
    assert along[:, 0] == pytest.approx(shapely.line_locate_point(lines[pairs[:, 0]], where), abs=1e-9)


def test_neighbours_lie_left_and_right_at_their_distance() -> None:
    rows = np.array([0.0, 0.4, 1.0, 9.0])
    ends = np.column_stack([np.zeros(4), rows, np.full(4, 10.0), rows])
    points = points_along(ends, 0.5, 1000)
    left, right = neighbours(points, 1.6, 0.98, 0.08)
    for k, (on_left, on_right) in enumerate([(0.4, np.inf), (0.6, 0.4), (np.inf, 0.6), (np.inf, np.inf)]):
        assert left[points.strand == k] == pytest.approx(on_left)
        assert right[points.strand == k] == pytest.approx(on_right)
    among = points.strand != 1
    assert neighbours(points, 1.6, 0.98, 0.08, among)[0][points.strand == 0] == pytest.approx(1.0)


def test_a_few_values_elsewhere_do_not_mislead_a_fit() -> None:
    lots = np.random.default_rng(3)
    columns = lots.normal(size=(200, 2))
    values = columns @ [1.5, -0.5] + lots.normal(0.0, 0.01, 200)
    values[::6] += 4.0
    assert robust_fit(columns, values, 0.05) == pytest.approx([1.5, -0.5], abs=0.01)
