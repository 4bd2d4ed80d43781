"""Process settings: printer, material, structure of supports; in and out of TOML; what follows from them."""

from falsework.process.builtin import builtin, builtin_names, builtin_sources
from falsework.process.derived import Gap, bead_section_mm2, whole_layers
from falsework.process.schema import Setting, describe
from falsework.process.settings import Material, Printer, Process, Structure
from falsework.process.toml import dump_process, load_process, override, parse_process

__all__ = [
    "Gap",
    "Material",
    "Printer",
    "Process",
    "Setting",
    "Structure",
    "bead_section_mm2",
    "builtin",
    "builtin_names",
    "builtin_sources",
    "describe",
    "dump_process",
    "load_process",
    "override",
    "parse_process",
    "whole_layers",
]
