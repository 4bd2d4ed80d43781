"""The same request gives the same bytes from the command line, from Python and from the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

import falsework
from falsework.bench.choices import Choices, merged
from falsework.bench.stages import Order, Stage
from falsework.bench.work import Bench, do, part_file
from falsework.cli.app import run
from falsework.files.stl import write_stl
from falsework.part.demo import lamp_bracket
from falsework.process import builtin, override
from falsework.request import MarkedFaces, Standing, Weights
from falsework.watch import QUIET

CHANGED = {"structure.spacing_mm": "3", "fan": "0.5"}
PATCH = {
    "settings": CHANGED,
    "turn_deg": [180, 0, 30],
    "scale": 0.5,
    "unit": "mm",
    "standing": "bed-or-part",
    "overrules": {"1": "bed"},
    "weights": {"finish_per_cm2": 2, "time": 0.5},
    "spare": {"directions": [[0, 0.7, 0.7]]},
}
LINE = (
    "--set structure.spacing_mm=3 --set fan=0.5 --turn=180,0,30 --scale 0.5 --unit mm --standing bed-or-part "
    "--overrule 1=bed --weigh=finish=2,time=0.5 --spare=0,0.7,0.7 --ledger none --no-report"
)


@pytest.fixture
def part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    made = lamp_bracket()
    write_stl(tmp_path / "bracket.stl", made.vertices, made.faces, made.name)
    return tmp_path / "bracket.stl"


def test_three_faces_one_plan(part: Path, tmp_path: Path) -> None:
    assert run(["plan", str(part), *LINE.split()]) == 0
    by_command = (tmp_path / "bracket-plan" / "plan.json").read_text("utf-8")

    process = override(builtin("pla-0.4"), CHANGED)
    by_python = falsework.plan(
        part,
        process,
        turn_deg=(180.0, 0.0, 30.0),
        scale=0.5,
        unit="mm",
        standing="bed-or-part",
        overrules={1: Standing.BED},
        weights=Weights(finish_per_cm2=2.0, time=0.5),
        spare=MarkedFaces(((0.0, 0.7, 0.7),)),
    ).to_json()

    place = part_file(tmp_path, "a" * 64)
    place.parent.mkdir(parents=True)
    place.write_bytes(part.read_bytes())
    order = Order("a" * 64, "bracket.stl", merged(Choices(), PATCH), process)
    do(Stage.FILES, Bench(tmp_path), order.arguments(Stage.FILES), tmp_path, QUIET)
    by_bench = (tmp_path / "plan.json").read_text("utf-8")

    assert by_command == by_python == by_bench
