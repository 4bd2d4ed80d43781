"""Process settings: printer, material, structure of supports; in and out of TOML; what follows from them."""

from falsework.process.builtin import builtin, builtin_names, builtin_sources
from falsework.process.derived import (
    air_gap,
    air_gap_below,
    bead_section_mm2,
    filament_per_mm,
    filament_section_mm2,
    flow_mm3_s,
    head_reach_mm,
    layer_count,
    limit_deg,
    reach_fraction,
    reach_mm,
    whole_layers,
    with_usual_structure,
)
from falsework.process.schema import Setting, describe
from falsework.process.settings import Material, Printer, Process, Structure
from falsework.process.toml import dump_process, load_process, override, parse_process

__all__ = [
    "Material",
    "Printer",
    "Process",
    "Setting",
    "Structure",
    "air_gap",
    "air_gap_below",
    "bead_section_mm2",
    "builtin",
    "builtin_names",
    "builtin_sources",
    "describe",
    "dump_process",
    "filament_per_mm",
    "filament_section_mm2",
    "flow_mm3_s",
    "head_reach_mm",
    "layer_count",
    "limit_deg",
    "load_process",
    "override",
    "parse_process",
    "reach_fraction",
    "reach_mm",
    "whole_layers",
    "with_usual_structure",
]
