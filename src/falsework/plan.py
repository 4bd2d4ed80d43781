"""Moved to ``falsework.planning.value``: the name ``falsework.plan`` is the function. (Goes away shortly.)"""

from falsework.planning.value import (  # noqa: F401
    SCHEMA,
    Geometry,
    LayerSummary,
    PartSummary,
    Plan,
)
