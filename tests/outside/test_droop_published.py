"""The strand model against published values. Each check names its source; no print was made for any."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from falsework.droop.bond import log_contact_share
from falsework.droop.bridge import clean_span_mm, sag_mm
from falsework.droop.laws import Laws
from falsework.droop.parameters import Parameters
from falsework.droop.strand import (
    REFERENCE_DIAMETER_MM,
    cooling_time_s,
    cross_flow_film_w_m2_k,
    fluidity_1_pa,
    free_film_w_m2_k,
    radiation_film_w_m2_k,
    strand_of,
    strand_time_constant_s,
    time_constant_s,
    viscosity_pa_s,
)
from falsework.droop.supported import clearance_mm
from falsework.process.settings import Process

PLA = Process()
CENTRE = Parameters()
STILL = replace(PLA, fan=0.0)


def strand(width_mm: float, height_mm: float, fan: float = 1.0) -> Process:
    bore_mm = max(height_mm, width_mm / 1.125)  # nothing here depends on it but that the strand can be laid
    return replace(PLA, nozzle_mm=bore_mm, line_width_mm=width_mm, layer_height_mm=height_mm, fan=fan)


@pytest.mark.parametrize(("air_m_s", "film"), [(1, 184), (2, 251), (3, 302), (5, 383)])
def test_cross_flow_film(air_m_s, film):
    """Worked from Churchill, Bernstein 1977, J. Heat Transfer 99:300; d 0.4 mm, 210 to 25 °C. To 1 %."""
    assert cross_flow_film_w_m2_k(0.4, air_m_s, 210, 25) == pytest.approx(film, rel=0.01)


def test_free_film_and_radiation():
    """Worked from Churchill, Chu 1975, Int. J. Heat Mass Transfer 18:1049; d 0.4 mm, 210 to 25 °C. To 1 %.

    Radiation adds 8 to 13 (from memory): the upper figure belongs to 210 °C, the lower to about 85 °C.
    """
    assert free_film_w_m2_k(0.4, 210, 25) == pytest.approx(62, rel=0.01)
    assert 12.5 < radiation_film_w_m2_k(210, 25) < 13.5
    assert 7 < radiation_film_w_m2_k(85, 25) < 8.5


@pytest.mark.parametrize(("film", "seconds"), [(45, 1.94), (100, 0.88), (200, 0.44), (300, 0.29)])
def test_lumped_cooling_times(film, seconds):
    """Lumped capacitance, from memory, worked by hand: PLA strand, d 0.4 mm, 210 to 150 °C. To the digits."""
    tau = time_constant_s(0.4, film, 1240 * 1800, math.inf)
    assert cooling_time_s(210, 150, 25, tau) == pytest.approx(seconds, abs=0.005)


def test_weld_cooling_rate_has_the_right_size():
    """Seppala, Migler 2016, Additive Manufacturing 12:71: an ABS weld cools at about 100 K/s.

    A weld on a part is no strand in air: only the order of magnitude is asked for, without fan.
    """
    rate = (210 - 25) / float(strand_time_constant_s(strand_of(STILL), CENTRE)[0])
    assert 50 < rate < 200


def test_zero_shear_viscosity_lies_in_the_published_range():
    """Materials 16(24):7664 (2023), table 1, doi 10.3390/ma16247664: PLA 1480..9460 Pa·s."""
    assert 1480 < viscosity_pa_s(PLA.material, 210.0) < 9460


def test_abs_viscosity_of_the_quoted_cross_wlf_set():
    """Kazmer, Injection Mold Design Engineering, appendix A, from memory: 2190 Pa·s at 239 °C. To 1 %."""
    abs_ = replace(PLA.material, wlf_d1_pa_s=1.93e13, wlf_d2_c=100.0, wlf_a1=31.4, wlf_a2_k=51.6)
    assert viscosity_pa_s(abs_, 239.0) == pytest.approx(2190, rel=0.01)


def test_sag_stops_below_150_to_160_degrees():
    """Pricci 2025, Polymers 17:2858: below 150 to 160 °C sagging stops: 95 % of the flow is above."""
    cool = replace(PLA, material=replace(PLA.material, nozzle_temperature_c=150.0))
    tau = strand_time_constant_s(strand_of(PLA), CENTRE) / strand_time_constant_s(strand_of(cool), CENTRE)
    assert fluidity_1_pa(strand_of(cool), CENTRE) * tau / fluidity_1_pa(strand_of(PLA), CENTRE) < 0.05


def test_the_fan_dominates():
    """Pricci 2025, Polymers 17:2858: the fan is the strongest lever; best settings cut deflection by 65 %.

    The model cuts half to four fifths between no fan and full fan at 50 mm.
    """
    cut = 1 - Laws(PLA).bridge_droop(50).value / Laws(STILL).bridge_droop(50).value
    assert 0.45 < cut < 0.8


def test_hotter_sags_more():
    """Sign from Pricci 2025, Polymers 17:2858."""
    hot = replace(PLA, material=replace(PLA.material, nozzle_temperature_c=225.0))
    assert Laws(hot).bridge_droop(50).value > 1.1 * Laws(PLA).bridge_droop(50).value


def test_bridges_of_thirty_to_a_hundred_millimetres_sag_by_about_a_millimetre():
    """From memory (trade): with fan, 0.2..0.6 mm at 30, 0.5..1.2 at 50, 2..4 at 100. To a factor of 2."""
    for span_mm, low, high in ((30, 0.2, 0.6), (50, 0.5, 1.2), (100, 2.0, 4.0)):
        droop = Laws(PLA).bridge_droop(span_mm)
        assert low / 2 < droop.value < high * 2
        assert droop.low < high and droop.high > low  # and the interval meets the range


def worked_sag_mm(span_mm: float, process: Process) -> float:
    """The bridge law of docs/model.md by other means: the fluidity integral by adaptive quadrature over the
    time that the strand takes to cool to D2, the sag as the real root of the cubic by a matrix."""
    material, bead = process.material, strand_of(process)
    tau = float(strand_time_constant_s(bead, CENTRE)[0])
    above = material.nozzle_temperature_c - process.room_temperature_c

    def fluidity(t_s: float) -> float:
        return 1.0 / viscosity_pa_s(material, process.room_temperature_c + above * math.exp(-t_s / tau))

    solid_s = tau * math.log(above / (material.wlf_d2_c - process.room_temperature_c))
    phi, _ = quad(fluidity, 0.0, solid_s, epsrel=1e-10)
    d, span = math.sqrt(4.0 * section_mm2(process) / math.pi) * 1e-3, span_mm * 1e-3
    weight = 0.94 * material.density_g_cm3 * 1e3 * 9.80665 * span**4 * phi * math.exp(CENTRE.log_fluidity)
    linear = 72 * d * d + 24 * material.taut_strain * math.exp(CENTRE.log_taut) * span**2
    (root,) = (z.real for z in np.roots([320.0 / 3.0, 0.0, linear, -weight]) if abs(z.imag) < 1e-12)
    return 1e3 * float(root)


def section_mm2(process: Process) -> float:
    """A rectangle between two half circles."""
    height = process.layer_height_mm
    return height * (process.line_width_mm - height) + math.pi * height**2 / 4


BEADS = [(0.30, 0.08), (0.45, 0.10), (0.45, 0.20), (0.80, 0.40), (1.40, 0.90)]


@pytest.mark.parametrize(("width", "height"), BEADS)
@pytest.mark.parametrize("fan", [0.0, 1.0])
def test_sag_and_longest_bridge_are_those_of_the_equations_worked_again(width, height, fan):
    """docs/model.md: the equations solved by scipy and numpy. To 1e-4, what the code's quadrature leaves."""
    process = strand(width, height, fan)
    bead = strand_of(process)
    for span_mm in (4.0, 20.0, 60.0):
        assert float(sag_mm(span_mm, bead, CENTRE)[0]) == pytest.approx(
            worked_sag_mm(span_mm, process), rel=1e-4
        )
    room_mm = 3 * height - math.sqrt(4.0 * section_mm2(process) / math.pi)  # a gap of two layers, free strand
    assert clearance_mm(2 * height, process) == pytest.approx(room_mm, abs=1e-9)
    touches_mm = brentq(lambda span: worked_sag_mm(span, process) - room_mm, 0.5, 500.0)
    assert float(clean_span_mm(room_mm, bead, CENTRE)[0]) == pytest.approx(touches_mm, rel=1e-4)


@pytest.mark.parametrize("gap", [0.0, 0.05, 0.10, 0.12, 0.15])
def test_contact_is_the_chord_of_a_squeezed_strand(gap):
    """docs/model.md: contact over diameter is (π/4)(1/y − y) where a strand keeps its section, y its height
    over its diameter, softened as strands undulate. To the last digits."""
    y, softness = (0.2 + gap) / REFERENCE_DIAMETER_MM, 0.05
    chord = math.pi / 4 * (1 / y - y)
    share = softness * math.log1p(math.exp(chord / softness))
    assert math.exp(log_contact_share(y, softness)) == pytest.approx(share, rel=1e-9)
    # a rectangle between two half circles of height y d and the section of the circle: its flat is that wide
    flat = (math.pi / 4 - math.pi * y * y / 4) / y
    assert flat == pytest.approx(chord, rel=1e-12)


def test_the_usual_gap_lets_go():
    """Common practice, no source: a gap of two layers (0.2 → 0.4 mm, 0.9 → 1.8 mm) comes off."""
    for width, height in ((0.45, 0.2), (1.4, 0.9)):
        assert sum(Laws(strand(width, height)).let_go_chances(2 * height)[2:]) >= 0.8
