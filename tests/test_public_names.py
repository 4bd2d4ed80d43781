"""What ``import falsework`` offers: exactly the names listed here, and nothing heavy loaded for it."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import falsework

NAMES = [
    *("Cancelled", "Cost", "Estimate", "FalseworkError", "Inspection", "Material", "OutputError"),
    *("Part", "PartError", "Plan", "Printer", "Process", "ProcessError", "Standing", "Store", "Structure"),
    *(
        "Underside",
        "UndersideKind",
        "Watch",
        "Weights",
        "__version__",
        "builtin_names",
        "dump_process",
        "inspect",
    ),
    *("load_process", "plan", "read_part", "report_html", "settings_sheet", "write_3mf", "write_plan"),
    *("Orientations", "Release", "MarkedFaces", "best_orientations", "orientations_html", "write_stl"),
    *("Audit", "FindingLevel", "ProgramError", "audit", "audit_html"),
    *("Coupon", "CouponKind", "PieceLimits", "design_coupon", "write_coupon"),
    *("Condition", "Ledger", "LedgerError", "LetGo", "Reading"),
    *("ChangeKind", "Redraw", "redraw", "redraw_html", "write_redraw"),
    *("Context", "Placing", "Request", "Wish", "plan_for"),
    *("Belief", "Posterior", "Tuned", "belief_of", "fit_readings", "tune", "tuning_html"),
    *("Row", "screen"),
    *("Fitted", "belief_from_ledger", "fit_ledger"),
]

SCREENING = ("dask", "distributed", "pyarrow", "duckdb", "fsspec", "bokeh", "tornado")
"""What only a screening imports."""


def test_exported_names() -> None:
    assert falsework.__all__ == sorted(NAMES)
    assert set(NAMES) <= set(dir(falsework))


@pytest.mark.parametrize("name", NAMES)
def test_every_name_is_there_and_documented(name: str) -> None:
    value = getattr(falsework, name)
    if name != "__version__":
        assert value.__doc__
        assert not isinstance(value, type(sys)), "a module hides the name"


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="nonsense"):
        _ = falsework.nonsense


@pytest.mark.parametrize(
    "statement", ["import falsework", "import falsework.cli.app", "import falsework.process"]
)
def test_light_imports_load_nothing_heavy(statement: str) -> None:
    heavy = {
        "numpy",
        "scipy",
        "numba",
        "shapely",
        "trimesh",
        "lib3mf",
        "manifold3d",
        "rich",
        "jinja2",
        "PIL",
        *SCREENING,
    }
    code = f"{statement}; import sys; print(*sorted({heavy!r} & sys.modules.keys()))"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == ""


def test_the_version_is_that_of_the_package() -> None:
    project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))["project"]
    assert falsework.__version__ == project["version"]
