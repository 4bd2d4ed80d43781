"""Imported by the process that workers are forked from: kernels that it has loaded, they have from the start.

On a machine that has none compiled yet they are compiled here, once for all workers.
"""

import contextlib
import os

from falsework.screening.terms import Depth
from falsework.screening.work import loaded, warmed

DEPTH = "FALSEWORK_SCREENING_DEPTH"

with contextlib.suppress(Exception):  # a worker will say what is wrong, part by part
    warmed(Depth(os.environ[DEPTH]))
    loaded(Depth(os.environ[DEPTH]))
