"""Spoilt programs: a finding or a clear refusal, never anything else.

``long_fuzz.py`` runs for long.
"""

from __future__ import annotations

import numpy as np
import pytest

from audited import SCENES
from falsework.auditing import Audit, audit
from falsework.errors import FalseworkError
from programs import Writer
from spoilt import spoil

DIALECTS = {"tube": {}, "bridge": {"relative": False}, "vase": {"numbered": True}, "block": {"inch": True}}
SEEDS = [SCENES[name](Writer(**how)).end().bytes() for name, how in DIALECTS.items()]


@pytest.mark.parametrize("block", range(6))
def test_spoilt_programs_are_judged_or_refused(block: int) -> None:
    rng = np.random.default_rng(1000 + block)
    for _ in range(12):
        data = spoil(SEEDS[int(rng.integers(len(SEEDS)))][:20_000], rng)
        try:
            result = audit(data)
        except FalseworkError as error:
            assert str(error) and "\n" not in str(error)
            continue
        assert Audit.from_json(result.to_json()) == result
