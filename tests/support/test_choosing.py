"""Standings: what each costs, which is chosen, and what is said about it."""

from __future__ import annotations

from dataclasses import astuple, replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from falsework.cost import Laying
from falsework.cost.cost import Cost
from falsework.need.underside import UndersideKind
from falsework.objective import (
    FAILURE_CHANCE,
    MINUTES_A_SCAR_CM2,
    MINUTES_BY_HAND,
    MINUTES_BY_TOOL,
    SCAR,
    Price,
    contact_severity,
    droop_severity,
    failure_chance,
)
from falsework.process import Process, Structure
from falsework.request.standing import Standing
from falsework.request.value import Wish
from falsework.request.weights import Weights
from falsework.support.choosing import (
    alternatives,
    as_built,
    choose,
    chosen_option,
    options,
    standing_warnings,
)
from falsework.support.standing import StandingFigures
from falsework.wording.figures import duration, mass, numbered, plain
from falsework.wording.notices import Obstacle
from stacks import need_of, underside

USUAL = Process()
PROCESS = replace(USUAL, structure=replace(USUAL.structure, form="curtain"))  # its plastic by hand
PART = Cost(volume_mm3=20_000.0, filament_mm=8_000.0, mass_g=25.0, time_s=3 * 3600.0, price=2.05)
OWN = Price(filament=0.5, time=1.5)
KINDS = st.sampled_from(
    [UndersideKind.HOLDS, UndersideKind.BRIDGE, UndersideKind.CANTILEVER, UndersideKind.ISLAND]
)


def _figures(*rows: tuple[float, float, float, float]) -> StandingFigures:
    """Rows: area over the bed, its column height, area over the part, its column height."""
    bed, high, part, short = np.array(rows, dtype=float).reshape(-1, 4).T
    return StandingFigures(
        cell_mm=0.2,
        area_mm2=bed + part,
        bed_area_mm2=bed,
        bed_volume_mm3=bed * high,
        part_volume_mm3=part * short,
        landing_mm=np.where(part[:, None] > 0, [12.0, 34.0, 5.0], np.nan),
        landing_range_mm=np.where(part[:, None] > 0, [5.0, 6.0], np.nan),
    )


TABLE = (1500.0, 20.0, 800.0, 18.0)  # a plate 20 mm up, partly over a shelf of 2 mm


def _choose(figures, undersides, **how):
    return choose(figures, need_of([], undersides), Wish(PROCESS, **how), PART)


def test_table_over_a_shelf_costs_what_its_structure_takes():
    """Volumes by hand, to rounding: 2 mm spacing, 0.45 mm lines, gaps 0.4 and 0.2, roof 2 and floor 1."""
    need = need_of([], [underside(extent_mm=0.0)])
    leave, bed, anywhere = options(_figures(TABLE), need, Wish(PROCESS), PART)[0]
    assert leave.cost == Cost()
    assert (leave.contact_mm2, leave.left_mm2, leave.scar_mm2) == (0.0, 2300.0, 0.0)
    assert (bed.contact_mm2, bed.left_mm2, bed.scar_mm2) == (1500.0, 800.0, 0.0)
    assert (anywhere.contact_mm2, anywhere.left_mm2, anywhere.scar_mm2) == (2300.0, 0.0, 800.0)

    share = (0.2 * (0.45 - 0.2) + 0.25 * np.pi * 0.2**2) / 0.2 / 2.0  # a bead has round sides
    foot = 2.0 * np.sqrt(np.pi * 1500.0) * 1.0 * 2 * 0.2
    roof = 1500.0 * 0.4
    by_hand = roof + (1500.0 * (20.0 - 0.4) - roof) * share + foot
    expected = Laying(PROCESS, PROCESS.support_speed_mm_s).estimate(by_hand)
    np.testing.assert_allclose(astuple(bed.cost), astuple(expected), rtol=1e-12)

    foot = 2.0 * np.sqrt(np.pi * 2300.0) * (1500.0 / 2300.0) * 1.0 * 2 * 0.2
    roof, floor = 2300.0 * 0.4, 800.0 * 0.2
    filled = 1500.0 * (20.0 - 0.4) + 800.0 * (18.0 - 0.4 - 0.2)
    by_hand = roof + floor + (filled - roof - floor) * share + foot
    expected = Laying(PROCESS, PROCESS.support_speed_mm_s).estimate(by_hand)
    np.testing.assert_allclose(astuple(anywhere.cost), astuple(expected), rtol=1e-12)


def test_prices_add_up_by_hand():
    mine = underside(droop_mm=0.5, supported_droop_mm=0.05)
    weights = Weights(finish_per_cm2=2.0)
    leave, bed, anywhere = options(
        _figures(TABLE), need_of([], [mine]), Wish(PROCESS, weights=weights), PART
    )[0]
    assert leave.price.surface == pytest.approx(23.0 * 0.5 * 2.0)
    assert bed.price.surface == pytest.approx((15.0 * 0.15 + 8.0 * 0.5) * 2.0)
    assert anywhere.price.surface == pytest.approx((23.0 * 0.15 + 8.0 * SCAR) * 2.0)
    for option in (leave, bed, anywhere):
        assert option.price.risk == 0.0
        assert option.price.printing == pytest.approx(option.cost.price, rel=1e-9)
        assert option.price.total == pytest.approx(
            option.cost.price + option.price.surface + option.price.hands, rel=1e-9
        )
    hour = weights.hands_per_hour / 60.0
    assert leave.price.hands == 0.0
    assert bed.price.hands == pytest.approx(MINUTES_BY_HAND * hour)
    assert anywhere.price.hands == pytest.approx((MINUTES_BY_TOOL + 8.0 * MINUTES_A_SCAR_CM2) * hour)


def test_severities_and_failure():
    assert [droop_severity(x) for x in (-1.0, 0.0, 0.25, 1.0, 9.0)] == [0.0, 0.0, 0.25, 1.0, 1.0]
    assert contact_severity(0.0) > 0.0
    assert contact_severity(5.0) == 1.0
    assert failure_chance(underside(kind=UndersideKind.ISLAND, droop_mm=0.0), 0.2) == FAILURE_CHANCE
    assert failure_chance(underside(kind=UndersideKind.HOLDS, droop_mm=99.0), 0.2) == 0.0
    chances = [failure_chance(underside(droop_mm=d), 0.2) for d in (0.5, 3.0, 4.5, 6.0, 60.0)]
    assert chances == pytest.approx([0.0, 0.0, 0.5 * FAILURE_CHANCE, FAILURE_CHANCE, FAILURE_CHANCE])
    assert failure_chance(underside(droop_mm=6.0), 0.9) == 0.0  # ten thick layers are more than 3 mm


@pytest.mark.parametrize("finish", [0.0, 0.5, 10.0])
def test_an_island_must_be_supported(finish):
    island = underside(kind=UndersideKind.ISLAND, droop_mm=20.0, area_mm2=4.0)
    (choice,) = _choose(_figures((4.0, 30.0, 0.0, 0.0)), [island], weights=Weights(finish_per_cm2=finish))
    assert choice.chosen is Standing.BED
    assert "mid-air" in choice.why
    (choice,) = _choose(_figures((0.0, 0.0, 4.0, 10.0)), [island], weights=Weights(finish_per_cm2=finish))
    assert choice.chosen is Standing.BED_OR_PART
    assert "from the part beneath" in choice.why


def test_a_bridge_of_little_droop_is_left_whatever_the_finish_is_worth():
    bridge = underside(kind=UndersideKind.BRIDGE, droop_mm=0.08, supported_droop_mm=0.04)
    for finish in (0.0, 0.5, 50.0):
        (choice,) = _choose(_figures(TABLE), [bridge], weights=Weights(finish_per_cm2=finish))
        assert choice.chosen is Standing.LEAVE


def test_a_long_flat_bridge_turns_with_the_weights():
    """4 cm² at 20 mm height: support costs more than its surface is worth, until the surface matters more."""
    bridge = underside(kind=UndersideKind.BRIDGE, droop_mm=0.6)
    figures = _figures((400.0, 20.0, 0.0, 0.0))
    (cheap,) = _choose(figures, [bridge], weights=Weights(finish_per_cm2=0.01))
    (fine,) = _choose(figures, [bridge], weights=Weights(finish_per_cm2=5.0))
    (dear,) = _choose(figures, [bridge], weights=Weights(finish_per_cm2=5.0, filament=1000.0, time=1000.0))
    assert [c.chosen for c in (cheap, fine, dear)] == [Standing.LEAVE, Standing.BED, Standing.LEAVE]


def test_weights_of_filament_and_time_count_apart():
    need = need_of([], [underside()])
    bed = options(_figures(TABLE), need, Wish(PROCESS, weights=Weights(finish_per_cm2=0.0)), PART)[0][1]
    filament = bed.cost.mass_g / 1000.0 * PROCESS.material.price_per_kg
    machine = bed.cost.time_s / 3600.0 * PROCESS.printer.price_per_hour
    assert filament + machine == pytest.approx(bed.cost.price, rel=1e-9)
    weighted = options(_figures(TABLE), need, Wish(PROCESS, weights=Weights(0.0, 3.0, 0.5)), PART)[0][1]
    assert weighted.cost == bed.cost
    assert weighted.price.printing == pytest.approx(3.0 * filament + 0.5 * machine, rel=1e-9)


def test_a_part_scarred_for_little_is_not_stood_upon():
    mostly_bed = underside(droop_mm=0.3, supported_droop_mm=0.02)
    (choice,) = _choose(_figures((900.0, 10.0, 100.0, 10.0)), [mostly_bed], weights=Weights(5.0))
    assert choice.chosen is Standing.BED  # the scar (0.3 + 0.12) is worse than the droop (0.3)


def test_no_room_for_support_carries_nothing():
    """Columns of 0.4 mm are all gap; from the part 0.6 mm are (gap above and below)."""
    figures = _figures((50.0, 0.4, 30.0, 0.6))
    (choice,) = _choose(figures, [underside()], standing="bed-or-part")
    for option in choice.options:
        assert (option.contact_mm2, option.scar_mm2, option.cost) == (0.0, 0.0, Cost())
        assert option.left_mm2 == 80.0
    assert "the air gaps take all of the height" in choice.why
    assert standing_warnings(figures, need_of([], [underside()]), [choice]) == ()


@pytest.mark.parametrize(
    "structure",
    [
        Structure(weave="crossed"),
        Structure(perimeter_lines=2),
        Structure(interface_layers=5),
        Structure(interface_layers_below=5),
        Structure(foot_widening_mm=3.0),
        Structure(spacing_mm=1.0),
    ],
)
def test_more_structure_costs_more(structure):
    structure = replace(structure, form="curtain")
    need = need_of([], [underside()])
    plain = options(_figures(TABLE), need, Wish(PROCESS), PART)[0][2]
    more = options(_figures(TABLE), need, Wish(replace(PROCESS, structure=structure)), PART)[0][2]
    assert more.cost.volume_mm3 > plain.cost.volume_mm3
    assert more.cost.time_s > plain.cost.time_s
    filled = TABLE[0] * TABLE[1] + TABLE[2] * TABLE[3]
    assert more.cost.volume_mm3 < filled


def test_what_is_asked_for_all_holds_for_all_that_need_it():
    undersides = [
        underside(1, UndersideKind.ISLAND),
        underside(2, UndersideKind.BRIDGE),
        underside(3, UndersideKind.HOLDS),
    ]
    figures = _figures(TABLE, TABLE, TABLE)
    for standing in Standing:
        choices = _choose(figures, undersides, standing=standing.value)
        assert [c.underside for c in choices] == [1, 2, 3]
        assert [c.chosen for c in choices] == [standing, standing, Standing.LEAVE]


def test_none_leaves_everything():
    undersides = [underside(1, UndersideKind.ISLAND), underside(2, UndersideKind.CANTILEVER)]
    choices = _choose(_figures(TABLE, TABLE), undersides, standing="leave")
    assert sum((chosen_option(c).cost for c in choices), Cost()) == Cost()
    assert sum(chosen_option(c).left_mm2 for c in choices) == 2 * 2300.0
    warnings = standing_warnings(_figures(TABLE, TABLE), need_of([], undersides), choices)
    assert len(warnings) == 1
    assert warnings[0].text.startswith("underside 1 starts in mid-air")


@pytest.mark.parametrize("standing", ["leave", "bed", "bed-or-part", "auto"])
@pytest.mark.parametrize("wish", list(Standing))
def test_overrules_are_obeyed(standing, wish):
    undersides = [
        underside(1, UndersideKind.ISLAND),
        underside(2, UndersideKind.HOLDS),
        underside(3, UndersideKind.BRIDGE),
    ]
    figures = _figures(TABLE, TABLE, TABLE)
    plain = _choose(figures, undersides, standing=standing)
    ruled = _choose(figures, undersides, standing=standing, overrules={1: wish, 2: wish})
    assert [c.chosen for c in ruled] == [wish, wish, plain[2].chosen]
    assert all(c.why.startswith("by your own choice, ") for c in ruled[:2])
    assert ruled[2] == plain[2]


def test_reasons_carry_their_figures():
    bridge = underside(kind=UndersideKind.BRIDGE, droop_mm=0.2, supported_droop_mm=0.15)
    (choice,) = _choose(_figures((400.0, 20.0, 0.0, 0.0)), [bridge])
    assert plain(choice.why).startswith(
        "left to bridge 12.0 mm: sags 0.20 mm (0.10 to 0.40 mm), support would cost "
    )
    cost = choice.options[1].cost
    assert choice.why.endswith(f"{mass(cost.mass_g)} and {duration(cost.time_s)}")
    (choice,) = _choose(_figures(TABLE), [underside(droop_mm=2.0)], standing="bed-or-part")
    assert choice.why.startswith("as asked, carried from the bed and the part for ")
    assert plain(choice.why).endswith(
        "without support it would sag 2.0 mm (1.0 to 4.0 mm); its feet mark 800 mm² of the part"
    )
    (choice,) = _choose(_figures(TABLE), [underside(droop_mm=2.0)], standing="bed")
    assert plain(choice.why).endswith("35 % of it cannot be carried and is left")


@pytest.mark.parametrize(
    ("bed_mm2", "part_mm2", "said"),
    [
        (995.0, 5.0, "carried from the bed for"),
        (500.0, 500.0, "carried from the bed and the part for"),
        (5.0, 995.0, "carried from the part beneath for"),
    ],
)
def test_where_it_stands_is_said_by_shares_that_matter(bed_mm2, part_mm2, said):
    (choice,) = _choose(_figures((bed_mm2, 10.0, part_mm2, 10.0)), [underside()], standing="bed-or-part")
    assert said in choice.why
    assert ("feet mark" in choice.why) == (part_mm2 > 10.0)


def test_warnings_say_what_is_out_of_reach_and_what_is_scarred():
    figures = _figures(TABLE, TABLE, (500.0, 10.0, 0.0, 0.0))
    undersides = [underside(k, droop_mm=2.0) for k in (1, 2, 3)]
    choices = _choose(
        figures, undersides, standing="bed", overrules={2: Standing.BED_OR_PART}, weights=Weights()
    )
    first, second = (plain(w.text) for w in standing_warnings(figures, need_of([], undersides), choices))
    assert first == ("underside 1: 35 % of it (800 mm²) cannot be carried from the bed and gets no support")
    assert second == (
        "underside 2: the feet of its support mark 800 mm² of the part around x 12.0, y 34.0 "
        "at z 5.0 to 6.0 mm"
    )


def test_many_scars_are_said_together_but_for_the_largest():
    sizes = [900.0, 10.0, 20.0, 30.0, 800.0, 700.0, 600.0, 40.0]
    figures = _figures(*((0.0, 0.0, mm2, 10.0) for mm2 in sizes))
    undersides = [underside(k, droop_mm=2.0) for k in range(1, 9)]
    choices = _choose(figures, undersides, standing="bed-or-part")
    said = standing_warnings(figures, need_of([], undersides), choices)
    assert [w.text.partition(":")[0] for w in said[:-1]] == [f"underside {k}" for k in (1, 5, 6, 7)]
    assert plain(said[-1].text) == (
        "undersides 2 to 4 and 8: the feet of their supports mark 100 mm² more of the part"
    )


def test_one_scar_beside_the_largest_is_said_by_itself_too():
    sizes = [900.0, 10.0, 800.0, 700.0, 600.0]
    figures = _figures(*((0.0, 0.0, mm2, 10.0) for mm2 in sizes))
    undersides = [underside(k, droop_mm=2.0) for k in range(1, 6)]
    choices = _choose(figures, undersides, standing="bed-or-part")
    said = standing_warnings(figures, need_of([], undersides), choices)
    assert [w.text.partition(":")[0] for w in said] == [f"underside {k}" for k in range(1, 6)]


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ([3], "piece 3"),
        ([3, 4], "pieces 3 and 4"),
        ([3, 4, 5], "pieces 3 to 5"),
        ([1, 3, 4, 5, 9, 10], "pieces 1, 3 to 5, 9 and 10"),
    ],
)
def test_numbers_in_words(numbers, said):
    assert numbered("piece", numbers) == said


def test_alternatives_add_up():
    undersides = [
        underside(1, UndersideKind.ISLAND),
        underside(2, UndersideKind.BRIDGE, droop_mm=0.05),
        underside(3, UndersideKind.HOLDS),
    ]
    figures = _figures((100.0, 10.0, 0.0, 0.0), TABLE, (50.0, 5.0, 50.0, 5.0))
    choices = _choose(figures, undersides)
    leave, bed, anywhere, chosen = alternatives(choices, need_of([], undersides), OWN)
    assert [a.name for a in (leave, bed, anywhere, chosen)] == ["leave", "bed", "bed-or-part", "chosen"]
    assert (leave.left_count, leave.left_mm2, leave.contact_mm2, leave.scar_mm2) == (2, 2400.0, 0.0, 0.0)
    assert (bed.left_count, bed.left_mm2, bed.contact_mm2, bed.scar_mm2) == (1, 800.0, 1600.0, 0.0)
    assert (anywhere.left_count, anywhere.left_mm2, anywhere.scar_mm2) == (0, 0.0, 800.0)
    assert (chosen.left_count, chosen.left_mm2, chosen.contact_mm2) == (1, 2300.0, 100.0)
    assert leave.cost == Cost()
    assert bed.cost == choices[0].options[1].cost + choices[1].options[1].cost + Cost()
    for alternative, place in zip((leave, bed, anywhere), range(3), strict=True):
        by_hand = sum(c.options[place if u.kind is not UndersideKind.HOLDS else 0].price.total for c, u in
                      zip(choices, undersides, strict=True))  # fmt: skip
        assert alternative.price.total == pytest.approx(OWN.total + by_hand, rel=1e-12)


def test_a_part_that_needs_nothing():
    figures = _figures()
    assert _choose(figures, []) == ()
    rows = alternatives((), need_of([], []), OWN)
    assert all(row.cost == Cost() and row.left_count == 0 and row.price == OWN for row in rows)


UNDERSIDES = st.lists(st.tuples(KINDS, st.floats(0.0, 8.0), st.floats(0.0, 0.5)), min_size=1, max_size=5)
COLUMNS = st.tuples(*[st.floats(0.0, 900.0), st.floats(0.0, 80.0)] * 2)
WEIGHTS = st.builds(Weights, st.floats(0.0, 20.0), st.floats(0.0, 5.0), st.floats(0.0, 5.0))


def _drawn(data, rows):
    undersides = [underside(k + 1, kind, 100.0, d, s) for k, (kind, d, s) in enumerate(rows)]
    return undersides, _figures(*(data.draw(COLUMNS) for _ in rows))


@settings(max_examples=80, deadline=None)
@given(st.data(), UNDERSIDES, WEIGHTS)
def test_auto_is_never_dearer_than_any_one_standing(data, rows, weights):
    undersides, figures = _drawn(data, rows)
    choices = _choose(figures, undersides, weights=weights)
    leave, bed, anywhere, chosen = alternatives(choices, need_of([], undersides), OWN)
    assert chosen.price.total <= min(row.price.total for row in (leave, bed, anywhere)) * (1 + 1e-12)
    for choice, area in zip(choices, figures.area_mm2, strict=True):
        for option in choice.options:
            assert option.contact_mm2 + option.left_mm2 == pytest.approx(area, rel=1e-9, abs=1e-9)
            assert 0.0 <= option.scar_mm2 <= option.contact_mm2 + 1e-9
            assert option.cost.price >= 0.0
            assert option.price.surface <= area / 100.0 * weights.finish_per_cm2 * (1.0 + SCAR) + 1e-9


@settings(max_examples=80, deadline=None)
@given(st.data(), UNDERSIDES, WEIGHTS, st.floats(1.01, 50.0))
def test_a_dearer_finish_never_spoils_more_and_never_carries_less(data, rows, weights, factor):
    """What is spoilt only shrinks; where carrying spoils less than leaving, the carried area only grows."""
    undersides, figures = _drawn(data, rows)
    assume(weights.finish_per_cm2 > 1e-3)
    before = _choose(figures, undersides, weights=weights)
    dearer = replace(weights, finish_per_cm2=weights.finish_per_cm2 * factor)
    after = _choose(figures, undersides, weights=dearer)
    for mine, a, b in zip(undersides, before, after, strict=True):
        a_option, b_option = chosen_option(a), chosen_option(b)
        spoilt_before = a_option.price.surface / weights.finish_per_cm2
        spoilt_after = b_option.price.surface / dearer.finish_per_cm2
        assert spoilt_after <= spoilt_before * (1 + 1e-9) + 1e-12
        if droop_severity(mine.droop_mm.value) > contact_severity(mine.supported_droop_mm.value) + SCAR:
            assert b_option.contact_mm2 >= a_option.contact_mm2


def test_a_choice_without_room_is_taken_back_and_said():
    """Columns promise support that gaps and clearance then leave no room for: the plan must not claim it."""
    patches = [underside(1, UndersideKind.ISLAND), underside(2, UndersideKind.ISLAND)]
    figures = _figures(TABLE, TABLE)
    chosen = _choose(figures, patches, standing="bed-or-part")
    assert {c.chosen for c in chosen} == {Standing.BED_OR_PART}
    need = need_of([], patches)
    same, silent = as_built(chosen, need, {1, 2}, figures, {})
    assert same == chosen and silent == ()
    obstacle = Obstacle("part", (1.0, 2.0, 3.5))
    built, said = as_built(chosen, need, {1}, figures, {2: obstacle})
    assert built[0] == chosen[0]
    assert built[1].chosen is Standing.LEAVE and "the part is in the way" in built[1].why
    (notice,) = said
    assert notice.undersides == (2,) and notice.obstacle == obstacle
    assert "x 1.0, y 2.0, z 3.5 mm" in plain(notice.text) and "falls" in notice.text


def test_shores_are_expected_to_take_less_and_mark_less():
    """A roof of 40 × 40 mm, 60 mm high: a curtain takes lines all the way down, a shore ends in one post."""
    need = need_of([], [underside(extent_mm=40.0)])
    for columns, at in (((1600.0, 60.0, 0.0, 0.0), 1), ((0.0, 0.0, 1600.0, 60.0), 2)):
        curtain, shore = (
            options(_figures(columns), need, Wish(process), PART)[0][at] for process in (PROCESS, USUAL)
        )
        assert shore.contact_mm2 == curtain.contact_mm2
        assert shore.cost.mass_g < 0.5 * curtain.cost.mass_g
        assert shore.cost.price < 0.7 * curtain.cost.price
    assert curtain.scar_mm2 == 1600.0 and shore.scar_mm2 < 100.0


def test_low_support_is_expected_as_a_curtain():
    """Where a shore has no height to draw together, it costs no more than a curtain."""
    need = need_of([], [underside(extent_mm=40.0)])
    low = _figures((1600.0, 2.0, 0.0, 0.0))
    curtain, shore = (options(low, need, Wish(process), PART)[0][1] for process in (PROCESS, USUAL))
    assert shore.cost.price <= curtain.cost.price
