"""Need: what gets printed over air, by layer and joined into undersides."""

from falsework.need.needmap import need_map, with_support
from falsework.need.underside import Kind, NeedMap, Underside

__all__ = ["Kind", "NeedMap", "Underside", "need_map", "with_support"]
