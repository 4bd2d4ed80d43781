"""Every solid that once failed is planned, and what is said of it is what it should be."""

from __future__ import annotations

import pytest

from corpus.cases import CASES, Case
from falsework.planning.pipeline import plan
from falsework.process import load_process, override


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_once_failed(case: Case) -> None:
    process = override(load_process("pla-0.4"), case.settings) if case.settings else load_process("pla-0.4")
    made = plan(case.part, process, standing="anywhere")
    assert (len(made.undersides), len(made.pieces)) == (case.undersides, case.pieces)
    assert len(made.warnings) == len(case.warnings), made.warnings
    for said, start in zip(made.warnings, case.warnings, strict=True):
        assert said.startswith(start)
