"""Need: what gets printed over air, by layer and joined into undersides."""

from falsework.need.needmap import need_map, with_support
from falsework.need.underside import NeedMap, Underside, UndersideKind

__all__ = ["NeedMap", "Underside", "UndersideKind", "need_map", "with_support"]
