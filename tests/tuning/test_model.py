"""The log density of readings: derivatives against differences, limits, and what its parts mean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework.coupon.conditions import printed, support_condition
from falsework.coupon.reading import ConditionKind, LetGo, Reading
from falsework.errors import FalseworkError
from falsework.process import load_process
from falsework.tuning.evidence import Taken, gathered
from falsework.tuning.model import Density, columns_of, map_of

PLA = load_process("pla-0.4")
PETG = load_process("petg-0.4")
MATERIALS = {p.material.name: p.material for p in (PLA, PETG)}


def tray(seed: int = 0, printers: tuple[str, ...] = ("heron", "tern")) -> list[Reading]:
    """A tray of everything, outcomes at random: for derivatives any outcome will do."""
    rng = np.random.default_rng(seed)
    found = []
    for printer in printers:
        for process in (PLA, replace(PETG, layer_height_mm=0.12)):
            material = process.material.name
            for angle in (20.0, 47.0, 70.0):
                condition = printed(ConditionKind.OVERHANG, process, angle_deg=angle, fan=0.3)
                found.append(Reading(printer, material, condition, finish=int(rng.integers(1, 6))))
            for span in (10.0, 45.0):
                condition = printed(ConditionKind.BRIDGE, process, span_mm=span, nozzle_temperature_c=221.0)
                found.append(
                    Reading(printer, material, condition, finish=2, droop_mm=float(rng.gamma(1.0, 0.5)))
                )
            for gap, dense in ((0.1, 0), (0.3, 2), (0.55, 1)):
                condition = support_condition(
                    process, 22.0, air_gap_mm=gap, interface_layers=dense, weave="crossed", crossing_deg=30.0
                )
                let_go = list(LetGo)[int(rng.integers(0, 5))]
                found.append(Reading(printer, material, condition, let_go, int(rng.integers(1, 6)), 0.2))
    return found


@pytest.mark.parametrize("by_layers", [False, True])
def test_the_gradient_is_that_of_the_value(by_layers):
    """Central differences, step 1e-5: their error is about 1e-9 of the third derivative."""
    readings = tray(printers=("heron",))
    taken = [Taken(str(k // 4), "ab"[k % 2], k // 8) for k in range(len(readings))]
    density = Density(*gathered(readings, MATERIALS, taken))
    assert {"era", "print", "grader"} <= {level for _, level, _ in density.columns}
    z = 0.3 * np.random.default_rng(1).standard_normal(len(density.columns))
    value, gradient, _ = density.expanded(z, by_layers)
    assert value == pytest.approx(density.values(z[None], by_layers)[0], rel=1e-12)
    for k in range(len(z)):
        step = np.zeros(len(z))
        step[k] = 1e-5
        above, below = density.values(np.stack([z + step, z - step]), by_layers)
        assert gradient[k] == pytest.approx((above - below) / 2e-5, rel=1e-5, abs=2e-6), density.columns[k]


def test_the_information_is_positive_and_adds_to_the_priors():
    density = Density(*gathered(tray(), MATERIALS))
    z = np.random.default_rng(2).standard_normal(len(density.columns))
    _, _, information = density.expanded(z, False)
    np.testing.assert_allclose(information, information.T, rtol=1e-9, atol=1e-9)
    assert np.linalg.eigvalsh(information).min() > 1 - 1e-9


def test_a_reading_of_a_gap_tells_what_the_laws_miss_at_that_gap_alone():
    read = Reading("heron", "PLA", support_condition(PLA, 22.0, air_gap_mm=0.5), LetGo.HAND)
    density = Density(*gathered([read] * 3, MATERIALS))
    _, _, information = density.expanded(np.zeros(len(density.columns)), False)
    place = [density.columns.index((f"bond_at_{n}", "both", "heron\nPLA")) for n in range(1, 7)]
    own = np.diag(information)[place] - 1.0  # beyond the prior's
    assert own[1] == pytest.approx(own[2]) and own[1] > 0.01  # 0.5 mm lies half way from two layers to three
    assert not own[[0, 3, 4, 5]].any()


def test_far_from_anything_read_the_climb_goes_on():
    density = Density(*gathered(tray(printers=("heron",)), MATERIALS))
    far = np.where([name == "log_onset" for name, _, _ in density.columns], -20.0, 0.0)
    value, gradient, information = density.expanded(far, False)
    assert np.isfinite(value) and np.isfinite(gradient).all() and np.isfinite(information).all()


def test_what_two_judged_of_one_cell_counts_as_much_as_what_one_did():
    piece = tray(printers=("heron",))

    def at_the_centre(prints: str, graders: str) -> float:
        taken = [Taken(p, g) for p, g in zip(prints, graders, strict=True) for _ in piece]
        density = Density(*gathered(piece * len(prints), MATERIALS, taken))
        value = float(density.values(np.zeros((1, len(density.columns))), False)[0])
        assert density.expanded(np.zeros(len(density.columns)), False)[0] == pytest.approx(value)
        return value

    one = at_the_centre("1", "a")
    assert at_the_centre("11", "ab") == pytest.approx(one)
    assert at_the_centre("111", "abc") == pytest.approx(one)
    assert at_the_centre("12", "ab") == pytest.approx(2 * one)  # a cell of another print is another cell
    assert at_the_centre("11", "aa") == pytest.approx(2 * one)  # as are two of one print, alike


def test_without_readings_only_the_prior_is_left():
    density = Density([], [])
    z = np.random.default_rng(3).standard_normal(len(density.columns))
    value, gradient, information = density.expanded(z, False)
    assert value == pytest.approx(-0.5 * z @ z)
    np.testing.assert_allclose(gradient, -z)
    np.testing.assert_allclose(information, np.eye(len(z)))


def test_offsets_are_shared_as_their_level_says():
    cells, _ = gathered(tray(), MATERIALS)
    columns = columns_of(cells)
    dense = map_of(cells, columns).toarray()
    per_cell = dense.reshape(len(cells), -1, len(columns))
    for k, (_, level, key) in enumerate(columns):
        touched = {c for c in range(len(cells)) if per_cell[c, :, k].any()}
        if level == "common":
            assert touched == set(range(len(cells)))
        elif level == "printer":
            assert touched == {c for c, cell in enumerate(cells) if cell.printer == key}
        elif level == "material":
            assert touched == {c for c, cell in enumerate(cells) if cell.material == key}


def test_a_reading_without_its_measure_or_material_is_refused():
    whole = tray()[0]
    with pytest.raises(FalseworkError, match="has no angle_deg"):
        gathered([replace(whole, condition=replace(whole.condition, angle_deg=None))], MATERIALS)
    with pytest.raises(FalseworkError, match="PLA: is no material"):
        gathered([whole], {})
