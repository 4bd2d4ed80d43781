"""Filament mass per metre against the volume balance of 1.75 mm filament, worked examples, four figures."""

import dataclasses

import pytest

from falsework.cost import Rates
from falsework.process import builtin


@pytest.mark.parametrize(
    ("name", "density_g_cm3", "grams_per_metre"),
    # PLA 1240; PETG 1270; ABS 1040 kg/m³ (densities from memory: datasheets)
    [("pla-0.4", 1.24, 2.983), ("petg-0.4", 1.27, 3.055), ("abs-0.4", 1.04, 2.501)],
)
def test_mass_of_a_metre(name, density_g_cm3, grams_per_metre):
    process = builtin(name)
    process = dataclasses.replace(
        process, material=dataclasses.replace(process.material, density_g_cm3=density_g_cm3)
    )
    metre_mm3 = 1000.0 * process.filament_section_mm2
    assert Rates(process).mass_g(metre_mm3) == pytest.approx(grams_per_metre, abs=6e-4)
    assert Rates(process).filament_mm(metre_mm3) == pytest.approx(1000.0, rel=1e-12)
