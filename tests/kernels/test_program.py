"""The interpreter of machine programs, word by word: what it is told and where the head then is."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from falsework.kernels.bead import machine, program

k = SimpleNamespace(**{**vars(machine), **vars(program)})


def run(text: str | bytes, *, volumetric: bool = False, filament: float = 1.0, rows: int = 64):
    """Rows, state, counts and codes of a whole program, read through a small window of rows."""
    data = np.frombuffer(text if isinstance(text, bytes) else text.encode(), np.uint8)
    state = k.fresh_state(filament, volumetric)
    counts = np.zeros(k.KINDS, np.int64)
    firsts = np.zeros((k.KINDS, k.KEPT, 2))
    codes = np.zeros((8, 4), np.int64)
    out = np.empty((k.ROOM + rows, k.COLUMNS))
    found, at = [], 0
    while at < len(data):
        used, n = k.interpret(data[at:], len(data) - at, state, counts, firsts, codes, k.fresh_scratch(), out)
        found.append(out[:n].copy())
        at += used
    return np.concatenate([np.zeros((0, k.COLUMNS)), *found]), state, counts, firsts, codes


def where(text: str | bytes, **how) -> list[tuple[float, ...]]:
    """Ends of the moves with the filament fed, to 1e-9."""
    rows = run(text, **how)[0]
    return [tuple(np.round(row[[k.TO_X, k.TO_Y, k.TO_Z, k.FED]], 9)) for row in rows]


HEAD = "G21\nG90\nM83\nG1 F600\n"


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("G1 X1 Y2 Z3 E4", [(1, 2, 3, 4)]),
        ("g1x1y2z3e4", [(1, 2, 3, 4)]),
        ("G01 X 1 Y 2\tZ3E+4", [(1, 2, 3, 4)]),
        ("N7 G1 X-.5 Y2. ; X9 (Y9)", [(-0.5, 2, 0, 0)]),
        ("G1 (X9) X1 (a comment) Y2", [(1, 2, 0, 0)]),
        ("G1 X1\nY2\nX3", [(1, 0, 0, 0), (1, 2, 0, 0), (3, 2, 0, 0)]),  # the mode stays
        ("G91 G1 X1\nG1 X1 Y1\nG90\nG1 X0", [(1, 0, 0, 0), (2, 1, 0, 0), (0, 1, 0, 0)]),
        ("G20\nG1 X1 E1", [(25.4, 0, 0, 25.4)]),
        ("G1 X5\nG92 X0\nG1 X5", [(5, 0, 0, 0), (10, 0, 0, 0)]),
        ("G1 X5 Y5\nG28 X\nG1 Z1", [(5, 5, 0, 0), (0, 5, 1, 0)]),
        ("M221 S50\nG1 X1 E2", [(1, 0, 0, 1)]),
        ("M82\nG1 E2\nG1 X1 E3\nG92 E0\nG1 X2 E1", [(0, 0, 0, 2), (1, 0, 0, 1), (2, 0, 0, 1)]),
        ("M82\nM221 S50\nG1 X1 E2\nG1 X2 E4", [(1, 0, 0, 1), (2, 0, 0, 1)]),
        ("M2\nG1 X1", []),
        ("/G1 X1\n%\n", [(1, 0, 0, 0)]),
        ("M117 X9 Hello G1 X5\nG1 X1", [(1, 0, 0, 0)]),
        ("START_PRINT NOZZLE=210\nG1 X1", [(1, 0, 0, 0)]),
        ("G1 X1\r\nG1 X2\rG1 X3\n", [(1, 0, 0, 0), (2, 0, 0, 0), (3, 0, 0, 0)]),
        ("G5 I1 J1 X4 Y4", [(4, 4, 0, 0)]),
    ],
)
def test_moves(text: str, ends: list[tuple[float, ...]]) -> None:
    assert where(HEAD + text)[0 if "G1 F600" not in text else 1 :] == ends


def test_filament_is_relative_with_the_moves_until_it_has_a_word_of_its_own() -> None:
    assert where("G91\nG1 X1 E1\nG1 X1 E1")[-1] == (2, 0, 0, 1)
    assert where("M82\nG91\nG1 X1 E1\nG1 X1 E1")[-1] == (2, 0, 0, 0)


@pytest.mark.parametrize("said", ["G5 I0 J5 P0 Q5 X10 Y0", "G5.1 I5 J7.5 X10 Y0"])
def test_curves_are_followed_to_the_chord(said: str) -> None:
    """A cubic with control points 5 mm above both ends, and the quadratic that is the same parabola."""
    rows = run(HEAD + "G0 X0 Y0 Z0\n" + said + " Z2 E4")[0][1:]
    t = np.linspace(0.0, 1.0, 2001)
    if "5.1" in said:
        curve = np.column_stack([10.0 * t, 15.0 * t * (1.0 - t)])
    else:
        curve = np.column_stack([30.0 * (1 - t) * t**2 + 10.0 * t**3, 15.0 * t * (1.0 - t)])
    points = np.concatenate([np.zeros((1, 2)), rows[:, :2]])
    assert tuple(rows[-1, :3]) == (10.0, 0.0, 2.0) and rows[:, k.FED].sum() == pytest.approx(4.0)
    line = shapely.LineString(points)
    assert shapely.distance(shapely.points(curve), line).max() < 0.006  # 0.005 and the samples' own steps
    assert shapely.distance(shapely.points(points), shapely.LineString(curve)).max() < 1e-5
    assert len(rows) < 60
    long = np.hypot(*np.diff(points, axis=0).T)
    np.testing.assert_allclose(rows[:, k.FED] / long, 4.0 / long.sum())  # fed evenly along it


def test_accelerations_that_the_program_sets() -> None:
    rows = run(HEAD + "G1 X1 E1\nM204 S500\nG1 X2 E1\nG1 X3\nM204 P700 T900\nG1 X4 E1\nG1 X5\n")[0]
    assert rows[:, k.ACCELERATION].tolist() == [1000.0, 500.0, 500.0, 700.0, 900.0]
    rows = run(HEAD + "M201 X600 Y800 Z50\nG1 X1 E1\nG1 Z1\nG1 X2 Y2 Z2\nM204 S400\nG1 X3\n")[0]
    assert rows[:, k.ACCELERATION].tolist() == [600.0, 50.0, 600.0, 400.0]


def test_heat_of_another_tool_is_its_own() -> None:
    rows, _, counts, *_ = run(
        HEAD + "M104 S200\nM104 T1 S230\nG1 X1\nT1\nG1 X2\nM104 T0 S0\nG1 X3\nT2\nG1 X4"
    )
    assert rows[:, k.AT_NOZZLE].tolist() == [200.0, 230.0, 230.0, 230.0]
    assert counts[k.TOOL_CHANGE] == 2  # T behind M104 is no change of tool


def test_what_is_drawn_back_must_be_fed_again_before_anything_comes_out() -> None:
    rows = run(HEAD + "G1 X1 E1\nG1 E-2\nG1 X2 E1.5\nG1 X3 E1", filament=2.0)[0]
    assert rows[:, k.PUSHED].tolist() == [2.0, 0.0, 0.0, 1.0]  # 1.5 of the 2 mm drawn back, then the rest


def test_volumes_instead_of_lengths_of_filament() -> None:
    text = HEAD + "G1 X1 E3\nM200 D1.75\nG1 X2 E3\nM200 D0\nG1 X3 E3"
    assert run(text, filament=2.0)[0][:, k.PUSHED].tolist() == [6.0, 3.0, 6.0]
    assert run(HEAD + "G1 X1 E3", filament=2.0, volumetric=True)[0][:, k.PUSHED].tolist() == [3.0]


def test_fan_heat_and_speed_go_with_each_move() -> None:
    text = "M106 S127.5\nM104 S200\nG1 F1200\nG1 X1\nM106 P1 S0\nM220 S50\nM107\nM109 R215\nG1 X2"
    rows = run(text)[0]
    assert rows[:, k.AT_FAN].tolist() == [0.5, 0.0]
    assert rows[:, k.AT_NOZZLE].tolist() == [200.0, 215.0]
    assert rows[:, k.SPEED].tolist() == [20.0, 10.0]
    assert rows[:, k.AT_LINE].tolist() == [4.0, 9.0]
    assert run("G1 X1")[0][0, k.AT_NOZZLE] == -1.0


@pytest.mark.parametrize("plane", [17, 18, 19])
@pytest.mark.parametrize("left", [True, False])
@pytest.mark.parametrize("sweep_deg", [30.0, 180.0, 300.0, 360.0])
@pytest.mark.parametrize("by", ["centre", "radius"])
def test_arcs_keep_their_radius_and_length(plane, left, sweep_deg, by) -> None:
    if by == "radius" and sweep_deg in (180.0, 360.0):
        return  # a radius does not say on which side the centre of these lies
    a, b, c = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}[plane]
    centre, r = np.array([20.0, 30.0, 40.0]), 5.0
    turn = math.radians(sweep_deg) * (1 if left else -1)
    start, end = centre.copy(), centre.copy()
    start[a] += r
    end[a] += r * math.cos(turn)
    end[b] += r * math.sin(turn)
    end[c] += 2.0
    axes = "XYZ"
    said = f"G{3 if left else 2} " + " ".join(f"{axes[i]}{end[i]:.9f}" for i in range(3))
    if by == "radius":
        said += f" R{r if sweep_deg < 180 else -r}"
    else:
        said += f" {'IJK'[a]}{-r}"
    at = " ".join(f"{axes[i]}{start[i]:.9f}" for i in range(3))
    rows, _, counts, _, _ = run(f"G21 G90\nM83\nG{plane}\nG0 {at} F600\n{said} E1")
    points = np.vstack([start, rows[1:, : k.TO_Z + 1]])
    assert counts[k.BAD_ARC] == 0 and counts[k.ARCS] == 1
    np.testing.assert_allclose(points[-1], end, atol=1e-6)
    radius = np.hypot(points[:, a] - centre[a], points[:, b] - centre[b])
    np.testing.assert_allclose(radius, r, atol=1e-6)
    flat = np.hypot(np.diff(points[:, a]), np.diff(points[:, b])).sum()
    true = r * math.radians(sweep_deg)
    assert true * (1 - 1e-3) < flat <= true + 1e-9  # chords are shorter than the arc
    assert rows[1:, k.FED].sum() == pytest.approx(1.0)
    # no chord leaves the arc by more than the tolerance
    middle = 0.5 * (points[1:] + points[:-1])
    assert np.all(r - np.hypot(middle[:, a] - centre[a], middle[:, b] - centre[b]) <= 0.005 + 1e-9)


@pytest.mark.parametrize("said", ["G2 X10 Y0", "G2 X10 Y0 R2", "G2 X10 Y0 I0 J0", "G3 X0 Y0 R5"])
def test_senseless_arcs_become_straight_moves_and_are_told(said: str) -> None:
    rows, _, counts, firsts, _ = run(HEAD + "G0 X0\n" + said)
    assert counts[k.BAD_ARC] == 1 and firsts[k.BAD_ARC, 0, 0] == 6
    assert tuple(rows[-1, :2]) in ((10.0, 0.0), (0.0, 0.0))


def test_an_arc_whose_end_lies_off_its_circle_is_told_and_still_ends_there() -> None:
    rows, _, counts, firsts, _ = run(HEAD + "G2 X11 Y0 I5 J0")
    assert counts[k.BAD_ARC] == 1 and firsts[k.BAD_ARC, 0, 1] == pytest.approx(1.0)
    assert tuple(rows[-1, :2]) == (11.0, 0.0)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("G1 X1.2.3", k.GARBLED),
        ("G1 X--1", k.GARBLED),
        ("G1 X", k.GARBLED),
        ("G1 X1 X2", k.GARBLED),
        ("G1 @X1", k.GARBLED),
        ("G1 Xabc", k.GARBLED),
        ("X5 Y5", k.GARBLED),  # no mode yet
        ("START_PRINT", k.TEXT),
        ("N1 G1 X1*5", k.CHECKSUM),
        ("N1 G1 X1\nN3 G1 X2", k.JUMP),
        ("G5 X1 Y1 I1 J1 P1 Q1", k.CURVE),
        ("G5 X1 Y1", k.BAD_CURVE),
        ("T1", k.TOOL_CHANGE),
        ("M600", k.PAUSE),
        ("M2\nG1 X1", k.AFTER_END),
        ("G1 X99999999", k.WILD),
        ("G1 X1 F0", k.NO_FEED),
        ("G1 X1", k.FEEDLESS),
        ("G20", k.UNITS),
    ],
)
def test_what_is_worth_telling_is_counted_once(text: str, kind: int) -> None:
    counts = run(text)[2]
    assert counts[kind] == 1


@pytest.mark.parametrize("text", ["M5555 S1", "G888", "G10 L2 P1 X5"])
def test_commands_that_are_not_followed_are_listed(text: str) -> None:
    _, _, counts, _, codes = run(text)
    assert counts[: k.MOVES].sum() == 0 and (codes[:, 1] > 0).sum() == 1


def test_a_right_checksum_and_plain_dialect_are_not_worth_telling() -> None:
    total = 0
    for byte in b"N1 G1 X1 F600":
        total ^= byte
    text = f"N1 G1 X1 F600*{total}\nM110 N0\nN1 M105\nG4 P500\nG4 S1\nM84 X Y\nG28 X Y\nG80\nM900 K0.05\n"
    _, state, counts, _, _ = run(text)
    assert counts[: k.MOVES].sum() == 0
    assert state[k.DWELL] == pytest.approx(1.5)


def test_words_that_are_not_followed_are_listed_by_name() -> None:
    codes = run("M5555\nM5555\nG77.5 X1\n")[4]
    assert codes[:2].tolist() == [[ord("M") * 10**6 + 55550, 2, 1, 0], [ord("G") * 10**6 + 775, 1, 3, 0]]


def test_any_split_into_pieces_gives_the_same() -> None:
    text = (HEAD + "G1 X1 E1\nG2 X3 Y0 I1 J0 E2\nM106 S9\nG92 E0\nG1 X5 E1\n").encode()
    whole = run(text)[0]
    state = k.fresh_state(1.0)
    rest = [np.zeros(k.KINDS, np.int64), np.zeros((k.KINDS, k.KEPT, 2)), np.zeros((8, 4), np.int64)]
    out = np.empty((k.ROOM + 1, k.COLUMNS))
    rows = []
    for line in text.splitlines(keepends=True):
        piece = np.frombuffer(line, np.uint8)
        used, n = k.interpret(piece, len(piece), state, *rest, k.fresh_scratch(), out)
        assert used == len(piece)
        rows.append(out[:n].copy())
    np.testing.assert_array_equal(np.concatenate(rows), whole)


def test_junk_bytes_neither_stop_nor_move_it() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        rows, state, *_ = run(rng.integers(0, 256, 4000, dtype=np.uint8).tobytes())
        assert np.isfinite(state).all() and np.isfinite(rows).all()
