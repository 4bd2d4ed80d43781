"""Words for what the program tells apart: one word a thing, by the value under which documents hold it."""

from __future__ import annotations

READY, NOT_READY = "ready to print", "not ready to print"
KIND = {  # of an underside
    "holds": "prints unaided",
    "bridge": "bridge",
    "cantilever": "cantilever",
    "island": "island",
}
KIND_MEANING = {
    "holds": "just past the limit",
    "bridge": "anchored on two sides",
    "cantilever": "anchored on one side",
    "island": "starts in mid-air",
}
DECISION = {  # where the support of an underside may stand
    "leave": "leave it",
    "bed": "support from the bed",
    "bed-or-part": "support from bed or part",
}
WEAVE = {  # how the strands of a support's body run
    "parallel": "strands all one way",
    "crossed": "strands in two directions",
}
PRICE = {  # terms of the one price, by their names in it
    "filament": "filament",
    "time": "machine time",
    "finish": "sag and marks of supports",
    "scars": "part surface marked by support feet",
    "show": "faces to keep clean",
    "hands": "hand work",
    "inside": "support that stays inside",
    "risk": "risk that it fails",
    "strength": "load across the layers",
}
BASIS = {  # what a prediction rests on
    "uncalibrated": "based on general values, not your prints",
    "extrapolated": "based on readings from this machine, outside the range they cover",
    "calibrated": "based on readings from this machine",
}
