"""Built-in processes: complete, printable, sourced."""

import pytest

from falsework.errors import ProcessError
from falsework.process import builtin, builtin_names, builtin_sources, describe, load_process
from falsework.process.builtin import MATERIALS
from falsework.process.schema import rows_of

NAMES = builtin_names()


def test_names():
    assert len(NAMES) == len(set(NAMES)) == 15
    assert {"pla-0.4", "petg-0.25", "abs-1.2"} <= set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_is_valid_and_moderate(name):
    process = builtin(name)
    assert load_process(name) == process
    assert process.name == name
    assert process.layer_height_mm == process.nozzle_mm / 2
    assert process.line_width_mm == pytest.approx(1.125 * process.nozzle_mm, rel=0.01)
    for speed in (
        process.wall_speed_mm_s,
        process.fill_speed_mm_s,
        process.support_speed_mm_s,
        process.bridge_speed_mm_s,
        process.first_layer_speed_mm_s,
    ):
        assert process.flow_mm3_s(speed) <= 12.0
    assert process.reach_fraction == pytest.approx(0.5, abs=1e-12)  # each cools as is usual for its material
    assert 45.0 <= process.limit_deg <= 50.0


def test_fat_nozzles_are_not_faster():
    speeds = [builtin(f"pla-{nozzle}").fill_speed_mm_s for nozzle in ("0.4", "0.6", "0.8", "1.2")]
    assert speeds == sorted(speeds, reverse=True)


@pytest.mark.parametrize("name", NAMES)
def test_every_value_has_a_source(name):
    sources = builtin_sources(name)
    assert set(sources) == {f"{row.table}.{row.field}" for row in describe()}
    assert all(sources.values())


@pytest.mark.parametrize("material", ["petg", "abs"])
def test_no_material_inherits_values_of_pla(material):
    assert set(MATERIALS[material]) == {row.field for row in rows_of("material")}


def test_unknown_name_leads_to_the_nearest():
    with pytest.raises(ProcessError, match=r"^pla-0\.45: .*Did you mean pla-0\.4"):
        load_process("pla-0.45")
    with pytest.raises(ProcessError, match=r"pla-…, petg-…, abs-…"):
        builtin("brass")
