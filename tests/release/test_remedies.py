"""What to change: each remedy is built and judged again, and none is offered where nothing fails."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from falsework.droop.laws import Laws
from falsework.need.needmap import need_map
from falsework.need.underside import UndersideKind
from falsework.process.settings import Structure
from falsework.release import Pulls, ReleaseState, judge_release, what_to_change
from falsework.release.remedies import _better, rank
from falsework.request.context import Context
from falsework.request.standing import Standing
from falsework.support.generate import build_scheme
from falsework.support.geometry import Geometry
from falsework.wording.figures import given_unit
from release.scenes import PLA, box, part_of, rod, stack_of_part

THICK = replace(
    PLA, name="thick", layer_height_mm=0.4, first_layer_height_mm=0.4, line_width_mm=0.8, nozzle_mm=0.6
)


def built(solid, process, standing=Standing.BED_OR_PART):
    part = part_of(solid)
    stack = stack_of_part(part, process)
    need = need_map(stack, Laws(process))
    standings = [Standing.LEAVE if u.kind is UndersideKind.HOLDS else standing for u in need.undersides]
    scheme = build_scheme(stack, need, standings, process)
    planned = Geometry(part, stack, need, scheme)
    release = judge_release(planned, process, Context(), Pulls(directions=200))
    return planned, process, standings, release


def spool():
    """Two flanges on a core: the upper one's support stands on the lower one, all around the core."""
    return rod(16, 4) + rod(6, 20) + rod(16, 4, (0, 0, 16))


def test_nothing_is_offered_where_nothing_fails():
    table = box((0, 0, 14), (40, 30, 18)) + box((0, 0, 0), (8, 30, 14)) + box((32, 0, 0), (40, 30, 14))
    scene = built(table, THICK, Standing.BED)
    assert [piece.state for piece in scene[-1].pieces] == [ReleaseState.STAYS]
    assert what_to_change(*scene, Context()) == ()


@pytest.fixture(scope="module")
def spool_scene():
    # a wide gap where it stands on the part: what fails here is the room, not the bond
    structure = Structure(form="curtain", weave="crossed", perimeter_lines=1, air_gap_below_layers=2.0)
    return built(spool(), replace(THICK, structure=structure))


@pytest.fixture(scope="module")
def spool_remedies(spool_scene):
    return what_to_change(*spool_scene, Context(), turns_deg=((90.0, 0.0, 0.0),))


def test_a_spools_support_must_be_broken_up(spool_scene):
    release = spool_scene[-1]
    assert [piece.state for piece in release.pieces] == [ReleaseState.BREAK]
    assert all(cut.strands > 0 for cut in release.pieces[0].cuts)


def test_remedies_help_and_the_best_comes_first(spool_scene, spool_remedies):
    release = spool_scene[-1]
    before = sum(piece.contact_mm2 for piece in release.failing)
    assert spool_remedies
    # in order: the split and the turn free everything; bed only leaves as much to droop as failed before
    order = ["turn the part", "in blocks", "bed only"]
    places = [next(k for k, r in enumerate(spool_remedies) if word in r.change) for word in order]
    assert max(places[:2]) < places[2]
    assert [rank(r) for r in spool_remedies] == sorted(rank(r) for r in spool_remedies)
    for remedy in spool_remedies:
        assert remedy.failing[0] == len(release.failing)
        assert remedy.failing_mm2[0] == pytest.approx(before)
        assert (remedy.failing_mm2[1], remedy.strands[1]) < (remedy.failing_mm2[0], remedy.strands[0])
        assert remedy.effect.startswith(f"{remedy.failing[1]} ")


def test_bed_only_leaves_the_flange_to_droop(spool_remedies):
    bed = next(r for r in spool_remedies if "bed only" in r.change)
    # nothing of the flange lies over the bed: all support goes, and its ring of π (16² − 6²) mm² is left
    assert bed.failing[1] == 0 and bed.price[1] == 0.0
    assert bed.left_mm2[1] == pytest.approx(np.pi * (16**2 - 6**2), rel=0.05)


def test_a_split_frees_the_piece_and_severs_nothing(spool_remedies):
    split = next(r for r in spool_remedies if "in blocks" in r.change)
    assert split.failing[1] == 0 and split.strands[1] == 0
    assert split.price[0] == split.price[1]


def test_fewer_strands_hold_without_perimeter_or_grid(spool_remedies):
    changes = {r.change: r for r in spool_remedies}
    bare = [r for change, r in changes.items() if "perimeter" in change]
    lines = [r for change, r in changes.items() if "lines along" in change]
    assert lines and lines[0].strands[1] < lines[0].strands[0]
    for remedy in bare:
        assert remedy.strands[1] < remedy.strands[0]


def test_a_turn_is_planned_as_a_whole(spool_scene, spool_remedies):
    turn = next(r for r in spool_remedies if "turn the part" in r.change)
    assert "+90° about x" in turn.change
    part, process = spool_scene[0].part, spool_scene[1]
    from falsework.part.placing import place

    laid = place(part, turn_deg=(90.0, 0.0, 0.0), bed_mm=(220.0, 220.0))
    stack = stack_of_part(laid, process)
    need = need_map(stack, Laws(process))
    standings = [
        Standing.LEAVE if u.kind is UndersideKind.HOLDS else Standing.BED_OR_PART for u in need.undersides
    ]
    scheme = build_scheme(stack, need, standings, process)
    release = judge_release(Geometry(laid, stack, need, scheme), process, Context(), Pulls(directions=250))
    assert turn.failing[1] == len(release.failing)
    assert turn.price[1] == pytest.approx(sum(piece.cost.price for piece in scheme.pieces))


def test_a_bare_underside_shows_its_own_droop():
    """From the bed alone nothing reaches an underside over a shelf: what it droops by counts, not 0."""
    from types import SimpleNamespace

    from falsework.release.remedies import _Trial
    from stacks import underside

    need = SimpleNamespace(undersides=(underside(1, droop_mm=2.0, supported_droop_mm=0.1),))
    bare = SimpleNamespace(need=need, scheme=SimpleNamespace(pieces=()))
    piece = SimpleNamespace(undersides=(1,))
    borne = SimpleNamespace(need=need, scheme=SimpleNamespace(pieces=(piece,)))
    assert _Trial(bare, (), None).droop_mm == 2.0
    assert _Trial(borne, (), None).droop_mm == 0.1


@pytest.mark.parametrize(
    ("tears", "bond_n", "offered"), [(True, 0.5, True), (False, 1.5, True), (False, 1.0, False)]
)
def test_a_larger_gap_is_tried_where_a_piece_tears_or_holds_firmly(monkeypatch, tears, bond_n, offered):
    """Either is enough; what only lacks room is not helped by more air."""
    from types import SimpleNamespace as Made

    from falsework.release import remedies

    monkeypatch.setattr(remedies, "_pull_angle_deg", lambda now: None)
    monkeypatch.setattr(remedies, "_worth_building", lambda *how: ())
    piece = Made(number=1, tears=tears, bond_n=Made(high=bond_n))
    scheme = Made(pieces=(Made(number=1, scar_mm2=0.0, undersides=(1,)),), gap=Made(layers=2))
    now = Made(planned=Made(part=None), release=Made(failing=(piece,)), scheme=scheme, standings=())
    structure = replace(PLA.structure, perimeter_lines=1)
    tried = {
        c: takes.settings
        for c, _, takes in remedies._trials(now, replace(PLA, structure=structure), Context(), ())
    }
    larger = tried.pop(f"a larger air gap, {given_unit(3 * PLA.layer_height_mm, 'mm')}", None)
    assert (larger is not None) == offered
    if offered:
        assert dict(larger)["structure.air_gap_layers"] == "3.0"
    assert tried == {"no perimeter around the supports": (("structure.perimeter_lines", "0"),)}


def test_no_change_is_offered_with_which_more_pieces_fail():
    def trial(trapped, failing_mm2, count):
        release = SimpleNamespace(failing=[None] * count)
        return SimpleNamespace(trapped=trapped, failing_mm2=failing_mm2, strands=10, release=release)

    assert _better(trial(1, 20.0, 2), trial(0, 20.0, 2))
    assert _better(trial(0, 20.0, 2), trial(0, 20.0, 1))
    assert not _better(trial(1, 20.0, 1), trial(0, 5.0, 4))
