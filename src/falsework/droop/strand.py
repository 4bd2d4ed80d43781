"""Strands in air: their diameter, how fast they cool, and how far they can flow before they are solid.

SI units inside (m, s, K, Pa); millimetres and degrees Celsius at the interface, as the names say. All laws
take numbers or arrays that broadcast, real or complex: the fit takes its derivatives by complex steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from falsework.droop.parameters import Parameters
from falsework.process.derived import bead_section_mm2
from falsework.process.settings import Material, Process

GRAVITY = 9.80665  # m/s²
ZERO_C = 273.15
STEFAN_BOLTZMANN = 5.670e-8  # W/(m²·K⁴)
EMISSIVITY = 0.92  # of polymers in the thermal infrared; from memory
MELT_SHARE = 0.94  # density of the melt over that of the solid; from memory (PLA 1150 of 1240 kg/m³)
AIR_PRANDTL = 0.70
STILL_AIR_M_S = 0.05  # what moves around a strand with the fan off; constructed
SHRINKS_1_K = 7.5e-5  # linear expansion of the solid; from memory: 6.5e-5 to 9e-5 for PLA, PETG, ABS
USUAL_SPEED_MM_S = 30.0  # at which the speed over air has no effect; from memory
REFERENCE_MM = (0.45, 0.2)  # width and height of the strand at which the model was first tried

Array = Any  # a float or an array of floats, real or complex


def strand_diameter_mm(process: Process) -> float:
    """Diameter of the round strand that a bead becomes in free air, mm: d = √(4A/π)."""
    return float(_diameter_mm(process.line_width_mm, process.layer_height_mm))


def _diameter_mm(width_mm: Array, height_mm: Array) -> Array:
    return np.sqrt(4 * bead_section_mm2(width_mm, height_mm) / np.pi)


REFERENCE_DIAMETER_MM = float(_diameter_mm(*REFERENCE_MM))


def _air(temperature_c: Array) -> tuple[Array, Array]:
    """Conductivity W/(m·K) and kinematic viscosity m²/s of air at 1 atm.

    Sutherland's law for the viscosity, the ideal gas for the density; the conductivity's power law meets
    the tables of air in Incropera, Fundamentals of Heat and Mass Transfer (A.4, from memory), within 2 %
    between 300 and 550 K.
    """
    kelvin = temperature_c + ZERO_C
    viscosity = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4)
    return 0.0263 * (kelvin / 300.0) ** 0.86, viscosity * 287.05 * kelvin / 101325.0


def cross_flow_film_w_m2_k(diameter_mm: Array, air_m_s: Array, strand_c: Array, room_c: Array) -> Array:
    """Mean film coefficient of a cylinder in cross flow.

    Churchill, Bernstein 1977, J. Heat Transfer 99:300.
    """
    d = diameter_mm * 1e-3
    k, nu = _air(0.5 * (strand_c + room_c))
    re = air_m_s * d / nu
    slope = 0.62 * np.sqrt(re) * AIR_PRANDTL ** (1 / 3) / (1 + (0.4 / AIR_PRANDTL) ** (2 / 3)) ** 0.25
    return k / d * (0.3 + slope * (1 + (re / 282000.0) ** 0.625) ** 0.8)


def free_film_w_m2_k(diameter_mm: Array, strand_c: Array, room_c: Array) -> Array:
    """Mean film coefficient of a level cylinder in still air (Churchill, Chu 1975, IJHMT 18:1049)."""
    d = diameter_mm * 1e-3
    mean_c = 0.5 * (strand_c + room_c)
    k, nu = _air(mean_c)
    rise = np.maximum(strand_c - room_c, 0.0)
    ra = GRAVITY * rise * d**3 * AIR_PRANDTL / ((mean_c + ZERO_C) * nu * nu)
    root = 0.60 + 0.387 * ra ** (1 / 6) / (1 + (0.559 / AIR_PRANDTL) ** (9 / 16)) ** (8 / 27)
    return k / d * root * root


def radiation_film_w_m2_k(strand_c: Array, room_c: Array) -> Array:
    """Radiation as a film coefficient, grey body in a large room."""
    a, b = strand_c + ZERO_C, room_c + ZERO_C
    return EMISSIVITY * STEFAN_BOLTZMANN * (a * a + b * b) * (a + b)


def time_constant_s(diameter_mm: Array, film: Array, heat_j_m3_k: Array, conductivity: Array) -> Array:
    """Lumped cooling of a long cylinder: τ = ρ c_p d / 4 h, the film weakened by the strand's own resistance.

    ``film`` W/(m²·K), ``heat_j_m3_k`` ρ c_p, ``conductivity`` W/(m·K) (infinite: no correction).
    h is divided by 1 + Bi/4 with Bi = h d / 2 k.
    """
    d = diameter_mm * 1e-3
    biot = film * d / (2 * conductivity)
    return heat_j_m3_k * d * (1 + biot / 4) / (4 * film)


def cooling_time_s(from_c: float, to_c: float, room_c: float, tau_s: float) -> float:
    """Time to cool between two temperatures, both above the room's (Newton's law)."""
    return tau_s * float(np.log((from_c - room_c) / (to_c - room_c)))


def viscosity_pa_s(material: Material, temperature_c: Array) -> Array:
    """Zero-shear viscosity by WLF, at and above D2: D1·exp(−A1 (T − D2) / (A2 + T − D2)).

    A strand hangs under about a kilopascal, far below the 10⁵ Pa at which melts thin, so zero shear applies.
    """
    above = temperature_c - material.wlf_d2_c
    return material.wlf_d1_pa_s * np.exp(-material.wlf_a1 * above / (material.wlf_a2_k + above))


@lru_cache(maxsize=4096)
def _flow_1_pa_s(material: Material, nozzle_c: float, room_c: float) -> float:
    """∫ dT / ((T − T_room) η₀(T)) from D2 to the nozzle: the fluidity integral of Newton's cooling over τ.

    Simpson's rule over temperature (error below 1e-6). Below D2 the melt counts as solid: its share is below
    1e-4 for the built-in materials.
    """
    cold = max(material.wlf_d2_c, room_c + 1.0)
    if nozzle_c <= cold:
        return 0.0
    steps = 128
    at = np.linspace(cold, nozzle_c, steps + 1)
    weight = np.ones(steps + 1)
    weight[1:-1:2], weight[2:-1:2] = 4.0, 2.0
    rate = 1.0 / ((at - room_c) * viscosity_pa_s(material, at))
    return float(weight @ rate) * (nozzle_c - cold) / steps / 3


@dataclass(frozen=True, eq=False)
class LaidStrands:
    """Strands as they are laid: all that the laws need of process and material, one array each (or numbers).

    ``cooler`` fan share above the material's usual, ``hotter`` 20 K steps above its usual nozzle temperature,
    ``load_1_m`` weight per volume N/m³, ``flow_1_pa_s`` fluidity integral over τ, ``shrinks`` strain from
    glass to room.
    """

    width_mm: Array
    height_mm: Array
    diameter_mm: Array
    fan: Array
    cooler: Array
    hotter: Array
    log_speed: Array
    nozzle_c: Array
    room_c: Array
    load_n_m3: Array
    heat_j_m3_k: Array
    conductivity: Array
    taut: Array
    flow_1_pa_s: Array
    shrinks: Array
    films: tuple[Array, Array]  # free convection, radiation, W/(m²·K)

    @property
    def log_height(self) -> Array:
        """Layer height against the reference strand, log."""
        return np.log(self.height_mm / REFERENCE_MM[1])

    @property
    def log_width(self) -> Array:
        """Line width against the reference strand, log."""
        return np.log(self.width_mm / REFERENCE_MM[0])


def strands(
    width_mm: Array,
    height_mm: Array,
    fan: Array,
    speed_mm_s: Array,
    nozzle_c: Array,
    room_c: Array,
    materials: Sequence[Material],
) -> LaidStrands:
    """Strands from arrays (n,) of how each is laid, and its material."""

    def of(field: str) -> Array:
        return np.array([getattr(m, field) for m in materials], dtype=np.float64)

    density = of("density_g_cm3") * 1e3 * MELT_SHARE
    diameter = _diameter_mm(width_mm, height_mm)
    flow = np.array(
        [_flow_1_pa_s(m, float(t), float(r)) for m, t, r in zip(materials, nozzle_c, room_c, strict=True)]
    )
    return LaidStrands(
        width_mm,
        height_mm,
        diameter,
        fan,
        fan - of("usual_fan"),
        (nozzle_c - of("nozzle_temperature_c")) / 20.0,
        np.log(speed_mm_s / USUAL_SPEED_MM_S),
        nozzle_c,
        room_c,
        density * GRAVITY,
        density * of("heat_capacity_j_kg_k"),
        of("conductivity_w_m_k"),
        of("taut_strain"),
        flow,
        SHRINKS_1_K * np.maximum(of("glass_temperature_c") - room_c, 0.0),
        (free_film_w_m2_k(diameter, nozzle_c, room_c), radiation_film_w_m2_k(nozzle_c, room_c)),
    )


@lru_cache(maxsize=256)
def strand_of(process: Process) -> LaidStrands:
    """The strand of a process as it is laid over air, arrays of one."""
    material = process.material
    laid = (
        process.line_width_mm,
        process.layer_height_mm,
        process.fan,
        process.bridge_speed_mm_s,
        material.nozzle_temperature_c,
        process.room_temperature_c,
    )
    width, height, fan, speed, nozzle, room = (np.array([float(value)]) for value in laid)
    return strands(width, height, fan, speed, nozzle, room, (material,))


def strand_time_constant_s(strand: LaidStrands, p: Parameters) -> Array:
    """τ at the fan, s; film taken at the nozzle's temperature.

    Forced and free convection together (third powers add, as for mixed convection) plus radiation. The air
    moves in proportion to the fan's share.
    """
    air = STILL_AIR_M_S + strand.fan * (np.exp(p.log_air) - STILL_AIR_M_S)
    forced = cross_flow_film_w_m2_k(strand.diameter_mm, air, strand.nozzle_c, strand.room_c)
    free, radiation = strand.films
    film = (forced**3 + free**3) ** (1 / 3) + radiation
    return time_constant_s(strand.diameter_mm, film, strand.heat_j_m3_k, strand.conductivity)


def fluidity_1_pa(strand: LaidStrands, p: Parameters) -> Array:
    """Fluidity integral Φ = ∫ dt / η₀(T(t)) from nozzle to solid, 1/Pa: all the flow the strand has in it."""
    return strand_time_constant_s(strand, p) * strand.flow_1_pa_s * np.exp(p.log_fluidity)
