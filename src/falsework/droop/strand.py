"""One strand in air: its diameter, how fast it cools, and how far it can flow before it is solid.

SI units inside (m, s, K, Pa); millimetres and degrees Celsius at the interface, as the names say.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, log, pi, sqrt

from falsework.droop.belief import Belief
from falsework.process.derived import bead_section_mm2
from falsework.process.settings import Material, Process

GRAVITY = 9.80665  # m/s²
ZERO_C = 273.15
STEFAN_BOLTZMANN = 5.670e-8  # W/(m²·K⁴)
EMISSIVITY = 0.92  # of polymers in the thermal infrared; from memory
MELT_SHARE = 0.94  # density of the melt over that of the solid; from memory (PLA 1150 of 1240 kg/m³)
AIR_PRANDTL = 0.70


def strand_diameter_mm(process: Process) -> float:
    """Diameter of the round strand that a bead becomes in free air, mm: d = √(4A/π)."""
    return sqrt(4 * bead_section_mm2(process.line_width_mm, process.layer_height_mm) / pi)


def _air(temperature_c: float) -> tuple[float, float]:
    """Conductivity W/(m·K) and kinematic viscosity m²/s of air at 1 atm.

    Sutherland's law for the viscosity, the ideal gas for the density; the conductivity's power law meets
    handbook tables (Incropera, table A.4) within 2 % between 300 and 550 K.
    """
    kelvin = temperature_c + ZERO_C
    viscosity = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4)
    return 0.0263 * (kelvin / 300.0) ** 0.86, viscosity * 287.05 * kelvin / 101325.0


def cross_flow_film_w_m2_k(diameter_mm: float, air_m_s: float, strand_c: float, room_c: float) -> float:
    """Mean film coefficient of a cylinder in cross flow.

    Churchill, Bernstein 1977, J. Heat Transfer 99:300.
    """
    d = diameter_mm * 1e-3
    k, nu = _air(0.5 * (strand_c + room_c))
    re = air_m_s * d / nu
    slope = 0.62 * sqrt(re) * AIR_PRANDTL ** (1 / 3) / (1 + (0.4 / AIR_PRANDTL) ** (2 / 3)) ** 0.25
    return k / d * (0.3 + slope * (1 + (re / 282000.0) ** 0.625) ** 0.8)


def free_film_w_m2_k(diameter_mm: float, strand_c: float, room_c: float) -> float:
    """Mean film coefficient of a level cylinder in still air (Churchill, Chu 1975, IJHMT 18:1049)."""
    d = diameter_mm * 1e-3
    mean_c = 0.5 * (strand_c + room_c)
    k, nu = _air(mean_c)
    rise = max(strand_c - room_c, 0.0)
    ra = GRAVITY * rise * d**3 * AIR_PRANDTL / ((mean_c + ZERO_C) * nu * nu)
    root = 0.60 + 0.387 * ra ** (1 / 6) / (1 + (0.559 / AIR_PRANDTL) ** (9 / 16)) ** (8 / 27)
    return k / d * root * root


def radiation_film_w_m2_k(strand_c: float, room_c: float) -> float:
    """Radiation as a film coefficient, grey body in a large room."""
    a, b = strand_c + ZERO_C, room_c + ZERO_C
    return EMISSIVITY * STEFAN_BOLTZMANN * (a * a + b * b) * (a + b)


def film_w_m2_k(diameter_mm: float, air_m_s: float, strand_c: float, room_c: float) -> float:
    """Forced and free convection together (third powers add, as for mixed convection) plus radiation."""
    forced = cross_flow_film_w_m2_k(diameter_mm, air_m_s, strand_c, room_c)
    free = free_film_w_m2_k(diameter_mm, strand_c, room_c)
    return (forced**3 + free**3) ** (1 / 3) + radiation_film_w_m2_k(strand_c, room_c)


def time_constant_s(diameter_mm: float, film: float, heat_j_m3_k: float, conductivity: float) -> float:
    """Lumped cooling of a long cylinder: τ = ρ c_p d / 4 h, the film weakened by the strand's own resistance.

    ``film`` W/(m²·K), ``heat_j_m3_k`` ρ c_p, ``conductivity`` W/(m·K) (infinite: no correction).
    h is divided by 1 + Bi/4 with Bi = h d / 2 k.
    """
    d = diameter_mm * 1e-3
    biot = film * d / (2 * conductivity)
    return heat_j_m3_k * d * (1 + biot / 4) / (4 * film)


def cooling_time_s(from_c: float, to_c: float, room_c: float, tau_s: float) -> float:
    """Time to cool between two temperatures, both above the room's (Newton's law)."""
    return tau_s * log((from_c - room_c) / (to_c - room_c))


def viscosity_pa_s(material: Material, temperature_c: float) -> float:
    """Zero-shear viscosity by WLF, at and above D2: D1·exp(−A1 (T − D2) / (A2 + T − D2)).

    A strand hangs under about a kilopascal, far below the 10⁵ Pa at which melts thin, so zero shear applies.
    """
    above = temperature_c - material.wlf_d2_c
    return material.wlf_d1_pa_s * exp(-material.wlf_a1 * above / (material.wlf_a2_k + above))


def strand_time_constant_s(process: Process, belief: Belief) -> float:
    """τ of the process's own strand at its fan, s; film taken at the nozzle's temperature."""
    material = process.material
    d = strand_diameter_mm(process)
    film = film_w_m2_k(
        d, belief.air_m_s(process.fan), material.nozzle_temperature_c, process.room_temperature_c
    )
    heat = material.density_g_cm3 * 1e3 * MELT_SHARE * material.heat_capacity_j_kg_k
    return time_constant_s(d, film, heat, material.conductivity_w_m_k)


@lru_cache(maxsize=512)
def fluidity_1_pa(process: Process, belief: Belief) -> float:
    """Fluidity integral Φ = ∫ dt / η₀(T(t)) from nozzle to solid, 1/Pa: all the flow the strand has in it.

    With Newton's cooling dt = τ dT / (T − T_room); Simpson's rule over temperature (error below 1e-6).
    Below D2 the melt counts as solid: its share of Φ is below 1e-4 for the built-in materials.
    """
    material = process.material
    room = process.room_temperature_c
    hot = material.nozzle_temperature_c
    cold = max(material.wlf_d2_c, room + 1.0)
    if hot <= cold:
        return 0.0
    steps = 128
    width = (hot - cold) / steps

    def rate(temperature_c: float) -> float:
        return 1.0 / ((temperature_c - room) * viscosity_pa_s(material, temperature_c))

    total = rate(cold) + rate(hot)
    for i in range(1, steps):
        total += (4 if i % 2 else 2) * rate(cold + i * width)
    return strand_time_constant_s(process, belief) * total * width / 3 * exp(belief.log_fluidity)


def size_distance(process: Process) -> float:
    """How far the strand is from the reference strand (0.45 × 0.2 mm), on the log scale of width and height.

    The cubic was tried against a finer model at that strand; its spread grows with this distance.
    """
    return sqrt(log(process.layer_height_mm / 0.2) ** 2 + log(process.line_width_mm / 0.45) ** 2)
