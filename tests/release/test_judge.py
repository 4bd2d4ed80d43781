"""Closed forms of release: what is free, trapped, in the way, held and torn."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.documents import decode, encode
from falsework.droop.laws import Laws
from falsework.errors import FalseworkError, ProcessError
from falsework.process.forces import BED_BOND_MPA
from falsework.process.settings import Process, Structure
from falsework.release import Release, ReleaseState, Tool, judge_release
from falsework.release.state import TOOL_N
from falsework.request.context import Context
from falsework.support.geometry import Geometry
from falsework.wording.figures import plain
from release.scenes import box, judged, part_of, piece, revolved, rod, scheme_of, stack_of_part
from stacks import need_of, underside


def table():
    """A slab 4 mm thick, 26 mm up, on one leg at each end; support stands between on the bed."""
    return box((0, 0, 26), (60, 30, 30)) + box((0, 0, 0), (6, 30, 26)) + box((54, 0, 0), (60, 30, 26))


def support():
    return box((8, 1, 0), (52, 29, 25.6))


def test_a_table_lifts_off_support_on_the_bed():
    release = judged(table(), [support()], [piece(foot=1200.0, contact=1200.0)])
    only = release.pieces[0]
    assert only.state is ReleaseState.STAYS
    assert only.pull_direction == (0.0, 0.0, -1.0)
    assert (only.order, only.round) == (1, 0)
    # 2 mm to each leg, and 26 mm down or 29 mm aside to go: half a great circle's band, about 4° to either
    # side, sin(4°) / 2 = 0.035 of all directions; forgiven points widen it
    assert 0.02 < only.free_share < 0.08
    assert not only.fails


def test_what_stands_on_the_part_comes_along_and_is_pulled_aside():
    floor = box((0, 0, 0), (60, 30, 2))
    release = judged(
        table().translate((0, 0, 2)) + floor, [box((8, 1, 2.2), (52, 29, 27.6))], [piece(scar=200.0)]
    )
    only = release.pieces[0]
    assert only.state in (ReleaseState.BY_HAND, ReleaseState.BY_TOOL) and only.bond_n.value < TOOL_N
    assert "comes along" not in only.why  # nothing of it stands on the bed
    # between floor, slab and two legs only ±y is open
    assert abs(only.pull_direction[1]) > 0.9
    assert only.round == 1


def test_what_holds_with_more_than_a_pull_is_not_said_to_come_with_the_tool():
    """The same with 1,200 mm² on the part: 360 N at once; it is broken up, and why is said."""
    floor = box((0, 0, 0), (60, 30, 2))
    release = judged(
        table().translate((0, 0, 2)) + floor, [box((8, 1, 2.2), (52, 29, 27.6))], [piece(scar=1200.0)]
    )
    only = release.pieces[0]
    assert only.bond_n.value > TOOL_N and only.pull_direction is not None
    assert only.state is ReleaseState.BREAK and only.blocks
    assert "150 N of a pull with the tool" in plain(only.why)


@pytest.mark.parametrize("tilt_deg", [0.0, 31.0])
def test_a_pocket_open_on_one_side_lets_go_in_that_direction_alone(tilt_deg):
    # 30 mm deep with 0.4 mm around: any way more than 0.8 / 30, 1.5°, off the axis is blocked
    block = box((-12, -12, 0), (12, 12, 40)) - box((-6, -6, 5), (6, 6, 41))
    plug = box((-5.6, -5.6, 5.2), (5.6, 5.6, 35))
    turned = [s.rotate((tilt_deg, 0.0, 17.0)).translate((0, 0, 30)) for s in (block, plug)]
    release = judged(turned[0], [turned[1]])
    only = release.pieces[0]
    t, spin = np.radians(tilt_deg), np.radians(17.0)
    axis = np.array([np.sin(t) * np.sin(spin), -np.sin(t) * np.cos(spin), np.cos(t)])
    assert only.pull_direction is not None
    assert np.array(only.pull_direction) @ axis > np.cos(np.radians(1.6))
    assert only.free_share < 0.02


def test_a_closed_tube_keeps_its_support_for_ever():
    tube = rod(10, 40) - rod(7, 34, (0, 0, 3))
    release = judged(tube, [rod(6.6, 33.4, (0, 0, 3.2))])
    only = release.pieces[0]
    assert only.state is ReleaseState.TRAPPED
    assert (only.pull_direction, only.order, only.pick_share) == (None, 0, 0.0)
    assert release.order == ()
    assert "for ever" in only.why
    assert "cannot be removed" in release.verdict
    assert not only.tears and "tear" not in release.verdict  # nobody takes it off


def bottle(bore_mm: float):
    """A flask with walls 2 mm thick, 36 mm wide, 40 mm high, and a neck of the given bore, 8 mm long."""
    inner = [(0, 2), (16, 2), (16, 30), (0.5 * bore_mm, 36), (0.5 * bore_mm, 50), (0, 50)]
    outer = [(0, 0), (18, 0), (18, 31), (0.5 * bore_mm + 2, 38), (0.5 * bore_mm + 2, 46), (0, 46)]
    return revolved(outer) - revolved(inner)


def test_a_bottles_neck_lets_one_tool_in_and_not_another():
    inside = rod(14, 24, (0, 0, 2.4))
    slim = judged(bottle(20.0), [inside], tool=Tool(60.0, 6.0, 8.0, 70.0)).pieces[0]
    stout = judged(bottle(20.0), [inside], tool=Tool(60.0, 16.0, 22.0, 70.0)).pieces[0]
    assert slim.tool_share > 0.01
    assert stout.tool_share == 0.0
    assert (
        slim.state is ReleaseState.DIG and slim.pull_direction is None
    )  # wider than the neck, also in eighths
    # a short tool stops with the hand at the neck, 20 mm above the support
    short = judged(bottle(20.0), [inside], tool=Tool(10.0, 6.0, 8.0, 70.0)).pieces[0]
    assert short.tool_share == 0.0


def test_an_opening_smaller_than_a_pick_traps():
    # 1.2 mm bore: less than the 2 × 2 mm = 4 mm² least opening
    # (Cuellar et al. 2018, Proc. IMechE H 232(9):962-971)
    release = judged(bottle(1.2), [rod(14, 24, (0, 0, 2.4))])
    assert release.pieces[0].state is ReleaseState.TRAPPED


def test_a_collar_round_a_spool_breaks_in_two():
    spool = rod(15, 4) + rod(6, 20) + rod(15, 4, (0, 0, 16))
    collar = rod(14, 11.4, (0, 0, 4.2)) - rod(6.4, 20)
    release = judged(spool, [collar])
    only = release.pieces[0]
    assert only.state is ReleaseState.BREAK
    assert only.pull_direction is None
    assert len(only.cuts) == 1 and len(only.blocks) == 2
    normal = np.array(only.cuts[0].normal)
    assert abs(normal[2]) < 1e-9
    # one half to either side, square to the cut within what is open between the flanges
    ways = np.array([block.pull_direction for block in only.blocks])
    assert (ways @ normal).prod() < 0
    assert release.order == (1,)


def screw():
    """A rod with a square thread of 10 mm pitch, and what fills its groove with 0.4 mm all around."""
    from manifold3d import Manifold

    turns, pitch = 3, 10.0
    core, outer = rod(8, 34), rod(14, 34)
    steps = 48

    def ridge(low, high, inside, outside):
        """A helical bar, as short straight wedges."""
        bars = []
        for k in range(turns * steps):
            a0, a1 = 360.0 * k / steps, 360.0 * (k + 1.04) / steps
            z = 2 + pitch * k / steps
            points = []
            for a in (a0, a1):
                c, s = np.cos(np.radians(a)), np.sin(np.radians(a))
                rise = 0.0 if a == a0 else pitch / steps
                points += [(r * c, r * s, z + h + rise) for r in (inside, outside) for h in (low, high)]
            bars.append(Manifold.hull_points(np.array(points)))
        return Manifold.batch_boolean(bars, __import__("manifold3d").OpType.Add)

    thread = core + (ridge(0.0, 4.0, 7.0, 14.0) ^ outer)
    filling = ridge(4.4, 9.6, 8.4, 13.6) - thread
    return thread, filling


def test_a_screws_thread_holds_its_support_against_any_straight_pull():
    thread, filling = screw()
    only = judged(thread, [filling], directions=400).pieces[0]
    assert only.pull_direction is None
    assert only.state in (ReleaseState.BREAK, ReleaseState.DIG)
    assert only.free_share == 0.0


def test_a_piece_behind_another_waits_for_it():
    # a blind slot, open towards +y alone: the inner piece leaves once the outer one is out
    slot = box((-15, -30, 0), (15, 30, 30)) - box((-8, -25, 8), (8, 31, 22))
    inner, outer = box((-7.6, -24, 8.2), (7.6, -2, 21.6)), box((-7.6, 2, 8.2), (7.6, 28, 21.6))
    release = judged(slot, [inner, outer])
    first, second = release.pieces
    assert second.round == 1 and second.after == ()
    assert first.round == 2 and first.after == (2,)
    assert release.order == (2, 1)
    assert "once piece 2 is out" in first.why


def interlocked(wide_mm: float):
    """A channel through a block, open at both ends, ``wide_mm`` high; in it a bar with a tab at either end,
    and what fills the space between its tabs: neither leaves while the other is there."""
    channel = box((-15, -30, 0), (15, 30, 10 + wide_mm)) - box((-8, -31, 5), (8, 31, 5 + wide_mm))
    low, high = 5.2, 4.8 + wide_mm
    bar = box((-7.6, -28, low), (-2, 28, high))
    for end in (-28, 24):
        bar += box((-7.6, end, low), (7.6, end + 4, high))
    return channel, [bar, box((-1.6, -23.6, low), (7.6, 23.6, high))]


def test_of_two_that_lock_each_other_the_one_within_a_picks_reach_is_broken_out_first():
    first, second = (release := judged(*interlocked(8.0))).pieces
    assert first.state in (ReleaseState.BREAK, ReleaseState.DIG) and first.pull_direction is None
    assert first.pick_share > 0.01 and (first.round, first.after) == (1, ())
    assert second.pull_direction is not None and (second.round, second.after) == (2, (1,))
    assert release.order == (1, 2)


def test_what_is_locked_in_out_of_a_picks_reach_never_leaves():
    first, second = (release := judged(*interlocked(1.6))).pieces
    assert first.state is ReleaseState.TRAPPED and first.pick_share == 0.0
    assert (first.order, first.round) == (0, 0)
    assert second.number in release.order and first.number not in release.order


def test_bond_against_foot_by_hand():
    contact, foot, gap = 400.0, 50.0, 0.1
    dense = Process(name="dense", structure=Structure(interface_layers=2))
    bare = Process(name="bare", structure=Structure(interface_layers=0, spacing_mm=2.0))
    pieces = [piece(foot=foot, contact=contact)]
    share = Laws(dense).bond_share(gap)
    full = 30.0 * contact  # MPa × mm² = N
    one = judged(table(), [support()], pieces, process=dense, gap_mm=gap).pieces[0]
    assert one.bond_n.value == pytest.approx(full * share.value, rel=1e-12)
    assert one.bond_n.high == pytest.approx(full * share.high, rel=1e-12)
    assert one.bed_hold_n.value == pytest.approx(BED_BOND_MPA * foot, rel=1e-12)
    # a roof of lines alone: width over spacing
    other = judged(table(), [support()], pieces, process=bare, gap_mm=gap).pieces[0]
    assert other.bond_n.value == pytest.approx(one.bond_n.value * 0.45 / 2.0, rel=0.05)  # medians
    # 12,000 N × share beats 25 N: the piece comes along; with a gap of 0.4 mm it stays
    assert one.bond_n.value > one.bed_hold_n.value
    assert one.state is not ReleaseState.STAYS
    assert (
        judged(table(), [support()], pieces, process=dense, gap_mm=0.4).pieces[0].state is ReleaseState.STAYS
    )


def test_a_thin_ledge_tears_where_support_sticks_and_not_where_it_lets_go():
    # a shelf 0.6 mm thick and 30 mm wide on a wall, printed on support with next to no gap: its root of
    # 30 × 0.6 = 18 mm² bears 30 MPa × 18 mm² = 540 N; without a gap the bond would be 30 × 600 = 18,000 N
    solid = box((0, 0, 0), (4, 30, 20)) + box((4, 0, 10), (26, 30, 10.6))
    below = box((5, 0, 0), (26, 30, 9.6))
    shelf = shapely.box(4, 0, 26, 30)
    need = need_of([(50, shelf, 0)], [underside(1)])
    pieces = [piece(undersides=(1,), contact=600.0, foot=600.0)]
    stuck = judged(solid, [below], pieces, need=need, gap_mm=0.01).pieces[0]
    loose = judged(solid, [below], pieces, need=need, gap_mm=0.4).pieces[0]
    assert stuck.neck_mm2 == pytest.approx(18.0, rel=0.01)
    assert stuck.neck_n == pytest.approx(540.0, rel=0.01)
    assert stuck.bond_n.value > 540.0 and stuck.tears and stuck.fails
    assert "may tear: its weakest section near the contact, 17.9\u00a0mm²" in stuck.why
    assert loose.state is ReleaseState.STAYS and not loose.tears
    assert "stays" in loose.why and "probably" not in loose.why


def test_same_input_same_release_and_it_survives_json():
    slot = box((-15, -30, 0), (15, 30, 30)) - box((-8, -25, 8), (8, 31, 22))
    pieces = [box((-7.6, -24, 8.2), (7.6, -2, 21.6)), box((-7.6, 2, 8.2), (7.6, 28, 21.6))]
    first, second = judged(slot, pieces), judged(slot, pieces)
    assert first == second
    assert decode(Release, encode(first)) == first


def test_nothing_to_take_off():
    part = part_of(box((0, 0, 0), (5, 5, 5)))
    from release.scenes import NO_NEED, PLA

    release = judge_release(Geometry(part, stack_of_part(part), NO_NEED, scheme_of([], ())), PLA, Context())
    assert release.pieces == () and "nothing" in release.verdict


def test_bad_input_is_named():
    with pytest.raises(ProcessError, match="directions: 3 is out of range"):
        judged(table(), [support()], directions=3)
    with pytest.raises(ProcessError, match=r"tool\.width_mm: 0 mm is out of range"):
        judged(table(), [support()], tool=Tool(width_mm=0.0))
    with pytest.raises(FalseworkError, match="support piece 2: has no mesh"):
        judged(table(), [support()], [piece(1), piece(2)])


def test_a_foot_that_lets_go_comes_along_and_is_said():
    only = judged(table(), [support()], [piece(foot=2.0, contact=60.0)], gap_mm=0.2).pieces[0]
    assert only.state in (ReleaseState.BY_HAND, ReleaseState.BY_TOOL)
    assert only.bond_n.value > only.bed_hold_n.value > 0.0
    assert only.why.startswith("It comes along with the part once")
