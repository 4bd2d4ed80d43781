"""docs/model.md lists every parameter as the registry has it."""

from __future__ import annotations

from pathlib import Path

from falsework.droop.parameters import LEVELS, PRIORS

PAGE = (Path(__file__).parents[2] / "docs" / "model.md").read_text(encoding="utf-8")


def test_every_parameter_stands_in_the_document():
    for name, prior in PRIORS.items():
        levels = [at for at in (*LEVELS, "doubt", "strand_doubt", "anew_doubt") if getattr(prior, at)]
        sds = ", ".join(f"{at.replace('_', ' ')} {getattr(prior, at):.2f}" for at in levels)
        row = f"| `{name}` | {prior.help} | {prior.centre:.2f} | {sds} | {prior.source} |"
        assert row in PAGE, f"docs/model.md lacks: {row}"


def test_every_parameter_says_what_it_is_and_where_from():
    for name, prior in PRIORS.items():
        assert prior.help and prior.source, name
        assert any(prior.spread(level) > 0 for level in LEVELS), name
