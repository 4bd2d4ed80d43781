"""``best_orientations`` on parts whose answer is known, and its promises."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from falsework.documents import dumps, encode, loads
from falsework.errors import Cancelled, PartError, ProcessError
from falsework.objective import Price
from falsework.orientation import HEAD, rows
from falsework.orientation.value import Orientations
from falsework.part.part import Health, Part
from falsework.part.placing import turn_matrix
from falsework.planning.calls import plan
from falsework.planning.orienting import _first, best_orientations
from falsework.planning.proof import trouble
from falsework.process import load_process
from falsework.process.forces import LEAST_TOPPLE_SAFETY
from falsework.request.marks import MarkedFaces
from falsework.watch import Watch
from solids import box, merged, sphere, spindle

PROCESS = load_process("pla-0.4")


def part_of(mesh, bodies=1, closed=True):
    return Part(
        "test", np.array(mesh[0], float), np.array(mesh[1], np.int32), Health(bodies=bodies, closed=closed)
    )


def lies_of(mesh, bodies=1, directions=300, **more):
    return best_orientations(part_of(mesh, bodies), PROCESS, directions=directions, **more)


LEGS = [box((4.0, 4.0, 30.0), (x, y, 0.0)) for x in (0.0, 56.0) for y in (0.0, 36.0)]
TABLE = merged(box((60.0, 40.0, 4.0), (0.0, 0.0, 30.0)), *LEGS)
T_BEAM = merged(box((10.0, 10.0, 40.0), (-5.0, -5.0, 0.0)), box((50.0, 10.0, 8.0), (-25.0, -5.0, 40.0)))


def test_a_table_turns_over():
    lies = lies_of(TABLE, 5)
    best = lies.recommended
    assert best.needs_no_support and best.proof.pieces == 0
    assert best.up == pytest.approx((0.0, 0.0, -1.0), abs=1e-6)
    assert "needs no support" in lies.why and "as it came its supports take" in lies.why
    assert lies.today.contact_mm2 == pytest.approx(60 * 40 - 4 * 16, rel=0.02)
    assert lies.today.bed_volume_mm3 == pytest.approx((60 * 40 - 4 * 16) * 30.0, rel=0.02)
    assert lies.supportless >= 1
    assert best.label.startswith("recommended")


def test_the_turn_is_that_of_a_plan():
    """Placed by ``turn_deg``, the recommended side is really up, and the extents are those stated."""
    tilted = np.array(TABLE[0]) @ turn_matrix((20.0, 35.0, 50.0)).T
    lies = best_orientations(part_of((tilted, TABLE[1]), 5), PROCESS, directions=300)
    best = lies.recommended
    turned = tilted @ turn_matrix(best.turn_deg).T
    assert np.ptp(turned, axis=0) == pytest.approx((best.width_mm, best.depth_mm, best.height_mm), abs=1e-3)
    assert (best.width_mm, best.depth_mm, best.height_mm) == pytest.approx((60.0, 40.0, 34.0), abs=1e-3)
    assert turn_matrix(best.turn_deg) @ np.array(best.up) == pytest.approx((0.0, 0.0, 1.0), abs=1e-5)
    assert best.needs_no_support


def test_a_needle_lies_down():
    lies = lies_of(box((1.0, 1.0, 80.0)))
    assert lies.recommended.height_mm == pytest.approx(1.0, abs=1e-3)
    assert lies.today.lean_deg < 1.0
    assert lies.today.price.total > 2.0 * lies.recommended.price.total
    assert not lies.today.proof.stands and lies.recommended.proof.stands


def test_a_flat_sheet_stays():
    lies = lies_of(box((80.0, 60.0, 0.8)))
    assert lies.recommended == lies.today
    assert lies.why.startswith("The position it came in is best")
    assert lies.recommended.label.startswith("recommended, as it came")


def test_a_sheet_thinner_than_half_the_first_layer_stands_or_is_refused_as_a_whole():
    lies = lies_of(box((80.0, 60.0, 0.1)))
    assert not lies.today.fits and lies.today.misfit == "it is lower than half the first layer"
    assert lies.recommended.fits and lies.recommended.height_mm > 1.0
    dust = lies_of(box((0.05, 0.05, 0.05)))
    assert dust.why.startswith("In every position test is lower than half the first layer.")


def test_a_sheet_without_thickness_and_a_dust_grain():
    sheet = (np.array([[0, 0, 0], [30, 0, 0], [30, 20, 0], [0, 20, 0.0]]), np.array([[0, 1, 2], [0, 2, 3]]))
    lies = best_orientations(part_of(sheet, closed=False), PROCESS, directions=100)
    assert np.isfinite(lies.recommended.price.total)
    with pytest.raises(PartError, match="no surface"):
        best_orientations(part_of((np.zeros((3, 3)), [[0, 1, 2]]), closed=False), PROCESS)


def test_a_sphere_is_the_same_in_every_lie():
    lies = lies_of(sphere(15.0, 120, 60))
    assert lies.recommended == lies.today
    assert lies.supportless == 0


def test_a_rod_longer_than_the_bed_goes_across_it():
    lies = lies_of(box((290.0, 10.0, 10.0)))
    assert not lies.today.fits and "too long" in lies.today.misfit
    best = lies.recommended
    assert best.fits and best.misfit == "" and max(best.width_mm, best.depth_mm) <= 220.0
    assert "does not fit" in lies.why and lies.no_fit == ""


def test_a_part_that_fits_in_no_lie_says_so_once():
    lies = lies_of(box((400.0, 30.0, 10.0)))
    assert lies.no_fit.startswith("In no position test fits the build volume of 220 × 220 × 250 mm; at ")
    assert lies.why.startswith(lies.no_fit)
    assert not any(lie.fits for lie in lies.front)


def test_load_axis_lies_within_the_layers():
    """A pull across layers: σ cos² of the angle (resolved by plain geometry)."""
    lies = lies_of(T_BEAM, 2, load_axis="+z")
    assert lies.today.across_layers == pytest.approx(1.0)
    assert lies.recommended.across_layers == pytest.approx(0.0, abs=1e-9)
    assert lies.today.price.strength == pytest.approx(lies.weights.strength)
    assert "% of the load across the layers" in lies.why


def test_show_faces_stay_clean():
    """A dish whose hollow is shown: rim down it would be printed over support, so it stays rim up."""
    dish = spindle([0, 25, 25, 22, 0], [0, 14, 18, 18, 4], 64)
    shown = lies_of(dish, show=MarkedFaces(directions=((0.0, 0.0, 1.0),)))
    best = shown.recommended
    show_mm2 = best.show_bed_mm2 if best.standing == "bed" else best.show_any_mm2
    assert show_mm2 <= 5.0
    assert shown.today.price.show <= 0.02
    turned = [lie for lie in shown.front if lie.show_any_mm2 > 50.0]
    assert all(lie.price.show > 0.0 for lie in turned)


def test_open_mesh_is_counted_and_still_useful():
    """Without half its top and two faces of its legs; what lacks an underside nobody can know."""
    vertices, faces = TABLE
    part = part_of((vertices, np.delete(faces, [2, 17, 30], axis=0)), 5, closed=False)
    lies = best_orientations(part, PROCESS, directions=300)
    assert "the mesh is open" in lies.error
    assert lies.today.uneven_share > 0.0
    assert lies.today.bed_volume_mm3 == pytest.approx((60 * 40 - 4 * 16) * 30.0, rel=0.02)
    assert lies.recommended.contact_mm2 < 0.1 * lies.today.contact_mm2


def test_result_is_a_value():
    lies = lies_of(T_BEAM, 2, load_axis=(1, 0, 0))
    again = lies_of(T_BEAM, 2, load_axis=(1, 0, 0))
    assert lies == again
    text = dumps(lies, "test/1")
    assert text == dumps(again, "test/1")
    assert loads(Orientations, text, "test/1", "lies") == lies
    json.dumps(encode(lies), allow_nan=False)


def test_table_has_a_cell_for_every_head():
    lies = lies_of(T_BEAM, 2, show=MarkedFaces(directions=((0, 0, 1.0),)))
    table = rows(lies)
    assert all(len(row) == len(HEAD) for row in table)
    assert len(table) <= 10
    assert [row[0] for row in table].count(lies.today.label) == 1


def test_front_is_distinct_and_undominated():
    lies = lies_of(
        merged(*LEGS, box((30.0, 8.0, 22.0), (10, 10, 8.0)), box((60.0, 40.0, 4.0), (0, 0, 30.0))), 6
    )
    ups = np.array([lie.up for lie in lies.front])
    cosines = ups @ ups.T
    np.fill_diagonal(cosines, -1.0)
    assert cosines.max() <= np.cos(np.radians(9.9))
    assert len(lies.front) <= 8
    assert lies.recommended.price.total <= 1.02 * min(lie.price.total for lie in lies.front)
    assert lies.recommended in lies.front


def test_progress_rises_and_work_stops():
    seen = []
    lies_of(TABLE, 5, watch=Watch(tell=lambda step, f: seen.append((step, f))))
    fractions = [f for _, f in seen]
    assert fractions == sorted(fractions) and fractions[-1] == 1.0
    calls = iter(range(100))
    with pytest.raises(Cancelled):
        lies_of(TABLE, 5, watch=Watch(stop=lambda: next(calls) > 3))


def test_bad_input_is_said_plainly():
    with pytest.raises(ProcessError, match="directions: 3 is out of range"):
        lies_of(TABLE, 5, directions=3)
    with pytest.raises(ProcessError, match="load axis"):
        lies_of(TABLE, 5, load_axis="sideways")
    with pytest.raises(PartError, match="face set badge"):
        lies_of(TABLE, 5, show=MarkedFaces(face_sets=("badge",)))


def test_weights_decide():
    """Where finish is worth nothing, a lie is taken for what it takes to print."""
    careless = replace(lies_of(T_BEAM, 2).weights, finish_per_cm2=0.0)
    lies = lies_of(T_BEAM, 2, weights=careless)
    assert lies.recommended.price.finish == 0.0
    assert all(lie.price.finish == 0.0 for lie in lies.front)


def test_what_is_not_ready_gives_way_to_what_costs_the_same():
    """A rod ∅6 × 150 on end falls over without a rim; lying down it costs as much."""
    rod = spindle([0, 3, 3, 0], [0, 0, 150, 150], 32)
    lies = lies_of(rod)
    assert not lies.today.proof.ready
    assert lies.recommended.proof.ready and lies.recommended.height_mm < 7.0
    assert lies.recommended.price.total <= 1.02 * lies.today.price.total


def test_what_stands_comes_before_what_falls_however_cheap():
    """Both leave something that starts in mid-air: one falls over too."""
    lies = lies_of(box((30.0, 20.0, 10.0)), directions=50)
    proof = replace(lies.today.proof, ready=False, bare=1)
    stands = replace(lies.today, price=Price(filament=46.0), proof=proof)
    falls = replace(stands, price=Price(filament=23.0), proof=replace(proof, bare=0, stands=False))
    assert trouble(lies.today) < trouble(stands) < trouble(falls) < trouble(replace(falls, proof=None))
    weak = replace(stands, proof=replace(proof, bare=0, weak=1))  # what it carries may fall as well
    assert trouble(weak) == trouble(stands)
    assert _first([stands, falls], [0, 1]) == 0


def test_a_rim_has_its_price_and_only_adds_to_what_stands():
    """A rod on end lacks most of its safety: most of them come off with the rim. Who has a position that
    stands does not balance the part on a tip, however cheap that is."""
    rod = plan(part_of(spindle([0, 3, 3, 0], [0, 0, 150, 150], 32), 1), PROCESS)
    printing, chance = rod.price.filament + rod.price.time, 0.65 * (1.0 - rod.stance.safety / 1.5)
    assert not rod.stance.stands and rod.stance.foot.safety >= LEAST_TOPPLE_SAFETY
    assert rod.price.risk == pytest.approx(chance / (1.0 - chance) * printing)

    lies = lies_of(T_BEAM, 2)
    proof = replace(lies.today.proof, bare=0)

    def lie(total, *, rim_mm, safety=1.2):
        ends = replace(proof, ready=rim_mm == 0.0, stands=rim_mm == 0.0, rim_mm=rim_mm, safety=safety)
        return replace(lies.today, price=Price(filament=total), proof=ends)

    dear, rimmed = lie(3.0, rim_mm=0.0), lie(2.9, rim_mm=2.0)
    for some, best in (([dear, rimmed], 1), ([rimmed, dear], 0)):  # however the file lies
        assert _first(some, [0, 1]) == best
    assert _first([lie(2.95, rim_mm=0.0), rimmed], [1, 0]) == 0  # as much as the same
    balanced = lie(1.0, rim_mm=2.0, safety=0.9)
    assert trouble(rimmed) == trouble(dear) < trouble(balanced)
    for some, best in (([dear, balanced], 0), ([balanced, dear], 1)):
        ranked = sorted((0, 1), key=lambda row: trouble(some[row]))
        assert _first(some, ranked) == best
