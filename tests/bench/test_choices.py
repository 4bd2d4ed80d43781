"""Choices: merged, compared, named; what no longer fits is dropped; the same by command line."""

from __future__ import annotations

import dataclasses

import pytest
from click.testing import CliRunner
from pydantic import ValidationError

from falsework.bench.choices import (
    Choices,
    base_process,
    change_words,
    command,
    differences,
    merged,
    resolved,
    without_lost_numbers,
)
from falsework.errors import ProcessError
from falsework.process import builtin, override
from falsework.request.weights import Weights

PLA = builtin("pla-0.4")


def state(**choices: object) -> dict[str, object]:
    return {"title": "cleat", "choices": merged(Choices(), choices).model_dump(mode="json")}


def test_a_merge_patch_keeps_what_it_does_not_name_and_null_goes_back_to_the_default() -> None:
    one = merged(Choices(), {"overrules": {"3": "bed", "4": "leave"}, "standing": "bed"})
    two = merged(
        one, {"overrules": {"4": None, "5": "bed-or-part"}, "standing": None, "load_axis": [0, 0, 2]}
    )
    assert two.overrules == {"3": "bed", "5": "bed-or-part"}
    assert two.standing == "auto" and two.load_axis == (0.0, 0.0, 2.0)
    assert merged(two, {}) == two


@pytest.mark.parametrize(
    "patch",
    [
        {"standing": "sideways"},
        {"turn_deg": [0, 0]},
        {"turn_deg": [0, 0, "x"]},
        {"scale": 0},
        {"scale": True},
        {"overrules": {"0": "bed"}},
        {"overrules": {"1": "roof"}},
        {"load_axis": [0, 0, 0]},
        {"show": {"faces": "../../etc/passwd"}},
        {"keep_off": "abc"},
        {"colour": "red"},
        {"weights": {"finish_per_cm2": -1}},
        {"unit": "ell"},
        {"process": "\ud800"},
    ],
)
def test_what_cannot_be_is_refused(patch: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        merged(Choices(), patch)


def test_defaults_are_those_of_the_python_api() -> None:
    assert Choices().weights.model_dump() == dataclasses.asdict(Weights())


def test_changes_are_told_by_path_and_named_in_words() -> None:
    before, after = state(), state(overrules={"3": "bed"}, settings={"structure.air_gap_layers": "2"})
    assert differences(before, after) == {
        "choices.overrules.3": "bed",
        "choices.settings.structure.air_gap_layers": "2",
    }
    assert differences(after, before) == dict.fromkeys(differences(before, after))
    assert change_words(before, after) == "air gap layers 2, underside 3: bed"
    for settings, said in (
        ({"layer_height_mm": "0.1", "fan": "0.5"}, "fan 0.5, layer height 0.1 mm"),
        ({"wall_speed_mm_s": "60"}, "wall speed 60 mm/s"),
        ({"material.price_per_kg": "30"}, "price 30 per kg"),
    ):
        assert change_words(state(), state(settings=settings)) == said
    much = state(turn_deg=[90, 0, 0], scale=2.0, overrules={"1": "bed", "2": "bed"})
    assert change_words(state(), much) == "scale: 2.0, lie, 2 more"
    assert change_words(state(), state(standing="leave")) == "where supports start: leave"
    assert change_words(state(), state(turn_deg=[90, 0, 0])) == "lie"
    assert change_words(state(), {**state(), "title": "bollard"}) == "title"


def test_what_was_said_of_undersides_goes_when_they_are_numbered_anew() -> None:
    old = merged(Choices(), {"overrules": {"3": "bed"}, "underside_notes": {"4": "seen from the quay"}})
    turned = merged(old, {"turn_deg": [90, 0, 0], "overrules": {"1": "leave"}})
    kept, lost = without_lost_numbers((old, PLA, "a"), (turned, PLA, "a"))
    assert kept.overrules == {"1": "leave"} and kept.underside_notes == {} and lost == ["3", "4"]
    # another gap or price numbers nothing anew; thicker layers, another part do
    for settings in ({"air_gap_layers": "3"}, {"price_per_kg": "30"}, {"build_width_mm": "300"}):
        same = override(PLA, settings)
        assert without_lost_numbers((old, PLA, "a"), (old, same, "a")) == (old, [])
    thick = override(PLA, {"layer_height_mm": "0.3"})
    assert without_lost_numbers((old, PLA, "a"), (old, thick, "a"))[1] == ["3", "4"]
    assert without_lost_numbers((old, PLA, "a"), (old, PLA, "b"))[1] == ["3", "4"]


def test_a_process_is_built_in_or_kept_and_takes_the_sheets_settings() -> None:
    choices = merged(Choices(), {"settings": {"structure.spacing_mm": "3"}})
    assert resolved(PLA, choices).structure.spacing_mm == 3.0
    assert base_process("ours", {"ours": PLA}) is PLA
    with pytest.raises(ProcessError, match="no process of that name"):
        base_process("ours", {})
    with pytest.raises(ProcessError, match="no setting"):
        resolved(PLA, merged(Choices(), {"settings": {"gloss": "1"}}))


def test_the_same_by_command_line_is_understood_by_it() -> None:
    choices = merged(
        Choices(),
        {
            "settings": {"structure.air_gap_layers": "2"},
            "turn_deg": [90, 0, 12.5],
            "scale": 2,
            "unit": "inch",
            "standing": "bed",
            "overrules": {"10": "leave", "9": "bed-or-part"},
            "weights": {"time": 0.5},
            "spare": {"directions": [[0, 0, 2], [-1, 0, 0], [0, 3, 4]], "face_sets": ["thread M6"]},
            "supports_as": "model",
        },
    )
    said = command("a cleat.stl", choices, builtin=True)
    assert said is not None and said.startswith("falsework plan 'a cleat.stl' --process pla-0.4 --set ")
    import shlex

    from falsework.cli.plan import plan_command

    context = plan_command.make_context("plan", shlex.split(said)[2:])
    assert context.params["turn_deg"] == (90.0, 0.0, 12.5)
    assert context.params["overrules"] == (("9", "bed-or-part"), ("10", "leave"))
    assert context.params["settings"] == (("structure.air_gap_layers", "2"),)
    assert (context.params["scale"], context.params["unit"]) == (2.0, "inch")
    assert (context.params["standing"], context.params["supports_as"]) == ("bed", "model")
    assert context.params["spared"] == ("+z", "-x", "0.0,3.0,4.0", "thread M6")
    assert context.params["weigh"] == "finish=0.5,filament=1.0,time=0.5,hands=12.0,show=2.0,strength=5.0"
    assert command("x.stl", merged(Choices(), {"keep_off": "0" * 64}), builtin=True) is None


def test_help_of_the_command_stands() -> None:
    from falsework.cli.bench import bench_command

    said = CliRunner().invoke(bench_command, ["--help"])
    assert said.exit_code == 0 and "--folder" in said.output
