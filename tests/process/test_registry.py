"""The registry of settings: nothing undocumented, and it agrees with itself."""

import subprocess
import sys

import pytest

from falsework.process import Process, describe
from falsework.process.schema import get, kind_of

ROWS = describe()
UNITS = {
    "_s": "s",
    "_mm": "mm",
    "_mm_s": "mm/s",
    "_mm_s2": "mm/s²",
    "_deg": "°",
    "_c": "°C",
    "_g_cm3": "g/cm³",
    "_j_kg_k": "J/(kg·K)",
    "_w_m_k": "W/(m·K)",
    "_gpa": "GPa",
    "_mpa": "MPa",
    "_pa_s": "Pa·s",
    "_a2_k": "K",
    "_per_hour": "per hour",
    "_per_kg": "per kg",
}
BARE = {
    "fan",
    "fill",
    "reach_share",
    "usual_fan",
    "taut_strain",
    "wlf_a1",
    "wall_slenderness",
    "head_widths",
}  # shares and ratios


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.table}.{row.field}")
def test_every_setting_is_documented(row):
    assert row.help
    assert row.source
    if row.type == "str":
        assert row.choices or row.field == "name"
    else:
        assert row.low is not None and row.high is not None and row.low < row.high
    endings = sorted((end for end in UNITS if row.field.endswith(end)), key=len)
    if endings:
        assert row.unit == UNITS[endings[-1]]
    else:
        assert row.unit == ""
        assert row.type != "float" or row.field in BARE or row.field.endswith("_layers")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.table}.{row.field}")
def test_default_is_of_its_type_and_allowed(row):
    assert type(row.default) is kind_of(row)
    assert get(Process(), row) == row.default
    if row.choices:
        assert row.default in row.choices
    elif row.type != "str":
        assert row.low <= row.default <= row.high


def test_bare_field_names_are_unique_but_for_name():
    fields = [row.field for row in ROWS if row.field != "name"]
    assert len(fields) == len(set(fields))


def test_defaults_are_a_valid_process():
    assert Process().nozzle_mm == 0.4


def test_import_pulls_in_nothing_heavy():
    heavy = "numpy numba shapely scipy trimesh difflib tomllib"
    code = f"import sys, falsework.process; print([m for m in '{heavy}'.split() if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
