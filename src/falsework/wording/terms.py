"""Words for what the program tells apart: one word a thing, by the value under which documents hold it."""

from __future__ import annotations

READY, NOT_READY = "ready to print", "not ready to print"
KIND = {  # of an underside
    "holds": "holds",
    "bridge": "bridge",
    "cantilever": "cantilever",
    "island": "island",
}
KIND_MEANING = {
    "holds": "past the reach, but by so little that it prints",
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
BASIS = {  # what a prediction rests on
    "uncalibrated": "nothing printed on this machine with this material stands behind it yet",
    "extrapolated": "readings from this machine, but outside the range they cover",
    "calibrated": "readings from this machine",
}
RESTS_ON = {  # the same after 'it rests on'
    "uncalibrated": "a general belief about the material; no test print of it on this machine has been read",
    "extrapolated": "your readings, outside the range in which they were taken",
    "calibrated": "your readings",
}
