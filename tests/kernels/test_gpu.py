"""The kernels for graphics processors against those of the processor, on numba's emulator."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from falsework import load_process
from falsework.errors import ProcessError
from falsework.kernels.column import intervals as k
from falsework.orientation import device
from falsework.orientation.value import Search
from falsework.part.demo import table
from falsework.request import Context, Wish

shortlist = importlib.import_module("falsework.orientation.shortlist")  # the room exports one of that name
SCALE = 1e-5  # of each figure's size: heights are kept in 28 bits, areas exactly
SHAPES = ("portal", "arm", "plates", "open", "degenerate", "one triangle", "flat")


@pytest.fixture(scope="module")
def emulated():
    script = Path(__file__).parent / "emulated.py"
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("name", SHAPES)
def test_figures_are_those_of_the_processor(emulated, name):
    here, there = (np.array(emulated[name][side]) for side in ("here", "there"))
    assert np.isfinite(there).all()
    assert there == pytest.approx(
        here, rel=SCALE, abs=SCALE * max(float(np.abs(here[:, k.SOLID_VOLUME]).max()), 1.0)
    )
    here, there = (np.array(emulated[name][f"sums {side}"]) for side in ("here", "there"))
    assert there == pytest.approx(here, rel=SCALE, abs=SCALE)


def test_the_shapes_try_every_figure(emulated):
    seen = np.vstack([np.array(emulated[name]["here"]) for name in SHAPES])
    for column in range(k.FIGURES):
        assert (seen[:, column] != 0.0).any(), column


def test_columns_of_more_hits_than_slots_are_done_by_the_processor(emulated):
    # twenty plates lie on one another's like: 40 hits a column from above, more than the 32 that are kept
    here, there = (np.array(emulated["plates"][side]) for side in ("here", "there"))
    assert there[0].tolist() == here[0].tolist()
    assert all(emulated["too many"][0]), "of more than a few nothing is known"


def test_the_emulator_counts_as_a_device(emulated):
    assert emulated["devices"] == 1
    assert emulated["wanted"] is True and device.wanted("auto") is False, "few are searched sooner without"


def test_what_is_no_device_is_refused():
    with pytest.raises(ProcessError, match="unknown"):
        Context(device="abacus")
    assert device.wanted(Context(device="cpu").device) is False


def test_without_a_graphics_processor_nothing_changes_and_one_sentence_says_so(monkeypatch):
    monkeypatch.setattr(device, "devices", lambda: 0)
    assert device.wanted("auto", many=True) is False
    with pytest.raises(ProcessError) as caught:
        device.wanted("gpu")
    assert "graphics processor" in str(caught.value) or "numba-cuda" in str(caught.value)


class CountsHere:
    """In place of a graphics processor: the kernels of this one."""

    def __init__(self, body, corners):
        self.body = body

    def figures(self, rotations, limits, watch, step):
        found = device.figures_here(self.body, rotations, limits)
        found[7] = np.nan  # a column of too many hits
        return found

    def surface_sums(self, ups, solid_mm, band_mm):
        return k.facet_sums(self.body.areas, self.body.normals, ups, solid_mm, band_mm)


def test_a_graphics_processor_finds_the_same_and_one_that_fails_is_done_without(monkeypatch):
    part, wish, few = table(), Wish(load_process("pla-0.4")), Search(50)

    def listed(device):
        return shortlist.shortlist(part, wish, Context(cores=1, device=device), few)

    def full(*_):
        raise MemoryError("no room")

    here = listed("cpu")
    monkeypatch.setattr(device, "devices", lambda: 1)
    monkeypatch.setattr(shortlist, "Counter", CountsHere)
    there = listed("gpu")
    assert there.device == "gpu" and there.lies == here.lies and there.searched == here.searched + 49
    monkeypatch.setattr(shortlist, "Counter", full)
    there = listed("gpu")
    assert there.device == "cpu after gpu failed" and there.lies == here.lies
    monkeypatch.setenv("FALSEWORK_TRACEBACK", "1")
    with pytest.raises(MemoryError):
        listed("gpu")
