"""The built-in processes: three generic materials by five nozzles, named like ``pla-0.4``.

Every value that differs from the registry's default stands here with its source; a value that is not listed
is the default of ``settings.py``, whose source is in the registry.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from falsework.errors import ProcessError
from falsework.process.schema import describe
from falsework.process.settings import Material, Printer, Process, Structure

_MEMORY = "from memory"
_DATASHEETS = "from memory: datasheets"
_WEAK = "from memory, weak: datasheets"
_ROADS = "from memory: road-cooling literature"
_KAZMER = "from memory: Kazmer, Injection Mold Design Engineering, appendix A"
_FROM_ARRHENIUS = "constructed from 1.2 kPa·s at 240 °C and 100 kJ/mol, both from memory"
_AS_PLA = "constructed as for PLA; to be fitted by tuning"

Sourced = tuple[Any, str]

MATERIALS: dict[str, dict[str, Sourced]] = {
    "pla": {},  # the defaults of ``Material``
    "petg": {
        "name": ("PETG", "a name of our own"),
        "density_g_cm3": (1.27, _WEAK),
        "price_per_kg": (22.0, "from memory; set your own"),
        "nozzle_temperature_c": (240.0, _DATASHEETS),
        "bed_temperature_c": (80.0, _DATASHEETS),
        "glass_temperature_c": (80.0, _WEAK),
        "heat_capacity_j_kg_k": (1700.0, _WEAK),
        "conductivity_w_m_k": (0.19, _WEAK),
        "youngs_modulus_gpa": (2.1, _DATASHEETS),
        "wlf_d1_pa_s": (1.27e16, _FROM_ARRHENIUS),
        "wlf_d2_c": (79.85, _FROM_ARRHENIUS),
        "wlf_a1": (39.7, _FROM_ARRHENIUS),
        "wlf_a2_k": (51.6, "from memory: universal value"),
        "taut_strain": (0.010, _AS_PLA),
        "usual_fan": (0.5, _MEMORY),
        "weld_strength_mpa": (30.0, _AS_PLA),
    },
    "abs": {
        "name": ("ABS", "a name of our own"),
        "density_g_cm3": (1.05, _ROADS),
        "price_per_kg": (22.0, "from memory; set your own"),
        "nozzle_temperature_c": (240.0, _DATASHEETS),
        "bed_temperature_c": (100.0, _DATASHEETS),
        "glass_temperature_c": (105.0, _ROADS),
        "heat_capacity_j_kg_k": (2080.0, _ROADS),
        "conductivity_w_m_k": (0.177, _ROADS),
        "youngs_modulus_gpa": (2.2, _DATASHEETS),
        "wlf_d1_pa_s": (1.93e13, _KAZMER),
        "wlf_d2_c": (100.0, _KAZMER),
        "wlf_a1": (31.4, _KAZMER),
        "wlf_a2_k": (51.6, _KAZMER),
        "taut_strain": (0.010, _AS_PLA),
        "usual_fan": (0.2, _MEMORY),
        "weld_strength_mpa": (25.0, _MEMORY),
    },
}

_ROOM_C: dict[str, Sourced] = {
    "pla": (25.0, "from memory: an open machine in a room"),
    "petg": (25.0, "from memory: an open machine in a room"),
    "abs": (45.0, "from memory: inside an enclosed machine that the bed warms"),
}


class _Bore(NamedTuple):
    """What one nozzle is used with. Fat strands go slower: the melt gives at most about 12 mm³/s."""

    line_width_mm: float
    wall_lines: int
    solid_layers: int
    wall_speed_mm_s: float
    fill_speed_mm_s: float
    bridge_speed_mm_s: float
    first_layer_speed_mm_s: float


NOZZLES_MM: dict[float, _Bore] = {
    0.25: _Bore(0.28, 3, 6, 40, 50, 30, 20),
    0.4: _Bore(0.45, 2, 4, 45, 60, 30, 20),
    0.6: _Bore(0.68, 2, 4, 40, 55, 25, 20),
    0.8: _Bore(0.9, 2, 3, 30, 35, 20, 18),
    1.2: _Bore(1.35, 2, 3, 14, 16, 12, 12),
}
_SPEED = "from memory, slowed so that the flow stays within about 12 mm³/s"
_HALF = "common practice, no source: half the nozzle bore"


def _nozzle_fields(nozzle_mm: float) -> dict[str, Sourced]:
    bore = NOZZLES_MM[nozzle_mm]
    speeds = {
        field: (float(getattr(bore, field)), _SPEED) for field in _Bore._fields if field.endswith("_mm_s")
    }
    return {
        "nozzle_mm": (nozzle_mm, "common practice, no source: a common bore"),
        "layer_height_mm": (nozzle_mm / 2, _HALF),
        "first_layer_height_mm": (nozzle_mm / 2, _HALF),
        "line_width_mm": (bore.line_width_mm, "from memory: about 1.125 times the nozzle bore"),
        "wall_lines": (bore.wall_lines, _MEMORY),
        "solid_layers": (bore.solid_layers, "from memory: 0.75 to 1.8 mm of solid"),
        **speeds,
        "support_speed_mm_s": (float(bore.fill_speed_mm_s), _SPEED),
    }


def _structure_fields(nozzle_mm: float) -> dict[str, Sourced]:
    return {
        "spacing_mm": (5 * nozzle_mm, "from memory: five times the nozzle bore"),
        "side_gap_mm": (
            nozzle_mm,
            "from memory: 0.2 mm moves and 0.1 mm fuses at a 0.4 mm bore; doubled, scaled with the bore",
        ),
        "foot_widening_mm": (2.5 * nozzle_mm, "from memory: 2.5 times the nozzle bore"),
    }


def builtin_names() -> tuple[str, ...]:
    """The names of all built-in processes, by material and nozzle.

    Examples
    --------
    >>> import falsework
    >>> "pla-0.4" in falsework.builtin_names()
    True
    """
    return tuple(f"{material}-{nozzle:g}" for material in MATERIALS for nozzle in NOZZLES_MM)


def _sourced(name: str) -> dict[str, dict[str, Sourced]]:
    """Values with sources of one built-in process, by table."""
    if name not in builtin_names():
        raise ProcessError(name, "there is no built-in process of that name", suggestion(name))
    material, nozzle = name.rsplit("-", 1)
    nozzle_mm = float(nozzle)
    return {
        "process": {
            **_nozzle_fields(nozzle_mm),
            "fan": (
                MATERIALS[material]["usual_fan"][0] if MATERIALS[material] else Material().usual_fan,
                "from memory: usual for the material",
            ),
            "room_temperature_c": _ROOM_C[material],
        },
        "printer": {},
        "material": MATERIALS[material],
        "structure": _structure_fields(nozzle_mm),
    }


def builtin(name: str) -> Process:
    """The built-in process of that name; ProcessError with the nearest names where there is none."""
    values = {
        table: {field: value for field, (value, _) in fields.items()}
        for table, fields in _sourced(name).items()
    }
    return Process(
        name=name,
        **values["process"],
        printer=Printer(**values["printer"]),
        material=Material(**values["material"]),
        structure=Structure(**values["structure"]),
    )


def builtin_materials() -> dict[str, Material]:
    """The built-in materials by their own names."""
    all_of_them = (builtin(name).material for name in builtin_names())
    return {material.name: material for material in all_of_them}


def builtin_sources(name: str) -> dict[str, str]:
    """Where each value of a built-in process comes from, by 'table.field'."""
    sourced = _sourced(name)
    return {
        f"{row.table}.{row.field}": sourced[row.table].get(row.field, (None, row.source))[1]
        for row in describe()
    }


def suggestion(name: str) -> str:
    """One sentence (without full stop) that leads from an unknown name to the built-in ones."""
    import difflib

    near = difflib.get_close_matches(name.lower(), builtin_names(), n=2, cutoff=0.5)
    known = ", ".join(f"{material}-…" for material in MATERIALS)
    nozzles = ", ".join(f"{nozzle:g}" for nozzle in NOZZLES_MM)
    meant = f"Did you mean {' or '.join(near)}? " if near else ""
    return f"{meant}Built in are {known} with nozzles {nozzles}"
