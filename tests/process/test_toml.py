"""Process files: what they may say, and what they are told when they say it wrong."""

import dataclasses
import math
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from falsework.errors import FalseworkError, ProcessError
from falsework.process import (
    Material,
    Printer,
    Process,
    Structure,
    builtin,
    builtin_names,
    dump_process,
    load_process,
    override,
)
from falsework.process.schema import TABLES, rows_of
from falsework.process.toml import parse_process


@pytest.fixture
def file(tmp_path):
    def write(text, name="harbour.toml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def test_file_starts_from_a_built_in_process(file):
    path = file(
        "[process]\nbased_on = 'petg-0.8'\nwall_lines = 3\n[structure]\npattern = 'grid'\nspacing_mm = 5\n"
    )
    base = builtin("petg-0.8")
    assert load_process(path) == load_process(str(path))
    assert load_process(path) == dataclasses.replace(
        base,
        name="harbour",  # a changed process does not keep the name of the one it came from
        wall_lines=3,
        structure=dataclasses.replace(base.structure, weave="crossed", spacing_mm=5.0),
    )


def test_file_without_base_starts_from_the_defaults(file):
    assert load_process(file("")) == Process(name="harbour")
    named = load_process(file("[process]\nname = 'slip 3'\n[material]\nprice_per_kg = 30\n"))
    assert named == Process(name="slip 3", material=Material(price_per_kg=30.0))
    assert type(named.material.price_per_kg) is float


def test_byte_order_mark_is_no_obstacle(file):
    assert load_process(file(b"\xef\xbb\xbf[process]\nname = 'a'\n")).name == "a"


@pytest.mark.parametrize("name", builtin_names())
def test_built_in_processes_survive_the_round_trip(name, file):
    assert load_process(file(dump_process(builtin(name)))) == builtin(name)


def test_dump_states_unit_range_and_help():
    text = dump_process(Process())
    assert "layer_height_mm = 0.2  # 0.02 to 2.5 mm: layer height, at most the nozzle bore" in text
    assert 'weave = "parallel"  # parallel or crossed:' in text
    assert list(tomllib.loads(text)) == list(TABLES)


def _value(row):
    if row.choices:
        return st.sampled_from(row.choices)
    if row.type == "str":
        return st.text(min_size=1).filter(lambda s: s.isprintable() and s.strip())
    if row.type == "int":
        return st.integers(int(row.low), int(row.high))
    return st.floats(row.low, row.high)


@st.composite
def printable(draw):
    """Any process whose settings fit each other."""

    def table(name, **fitting):
        return {row.field: _value(row) for row in rows_of(name)} | fitting

    nozzle = draw(st.floats(0.1, 3.0))
    width = draw(st.floats(max(0.05, 0.6 * nozzle), min(5.0, 2.5 * nozzle)))
    height = st.floats(0.02, min(nozzle, width, 2.5))
    far = st.floats(max(0.3, width), 50.0)
    lanes = st.just(0.0) | far
    structure = draw(st.builds(Structure, **table("structure", spacing_mm=far, lane_spacing_mm=lanes)))
    glass = draw(st.floats(20.0, 300.0))
    hot = st.floats(max(120.0, glass), 500.0, exclude_min=glass >= 120.0)
    material = table("material", glass_temperature_c=st.just(glass), nozzle_temperature_c=hot)
    return draw(
        st.builds(
            Process,
            printer=st.builds(Printer, **table("printer")),
            material=st.builds(Material, **material),
            structure=st.just(structure),
            **table(
                "process",
                nozzle_mm=st.just(nozzle),
                line_width_mm=st.just(width),
                layer_height_mm=height,
                first_layer_height_mm=height,
                room_temperature_c=st.floats(-20.0, min(120.0, glass), exclude_max=glass <= 120.0),
            ),
        )
    )


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)  # seventy values on a busy machine
@given(printable())
def test_any_process_reads_back_equal(tmp_path_factory, process):
    path = tmp_path_factory.mktemp("any") / "p.toml"
    path.write_text(dump_process(process), encoding="utf-8")
    assert load_process(path) == process


WRONG = {
    "[process]\nlayer_heigt_mm = 0.2": r"harbour.toml, \[process\] layer_heigt_mm: .* layer_height_mm is",
    "[structure]\nspaceing_mm = 2": r"\[structure\] spaceing_mm: .* spacing_mm is meant",
    "[structure]\nzzz = 2": r"zzz: there is no setting.* Known are form, weave, spacing_mm",
    "[materials]\ndensity_g_cm3 = 1": r"\[materials\]: there is no table .* material is meant",
    "nozzle_mm = 0.4": r"\[nozzle_mm\]: there is no table",
    "process = 3": r"harbour.toml, process: this is a table",
    "[[process]]\nfan = 1": r"harbour.toml, process: this is a table",
    "[process]\nbased_on = 'pla-0.44'": r"based_on: 'pla-0.44' is not .* mean pla-0.4",
    "[process]\nbased_on = 4": r"based_on: 4 is not",
    "[process]\nfan = 1.5": r"harbour.toml, fan: 1.5 is out of range. Give 0 to 1",
    "[structure]\nspacing_mm = 0.1": r"harbour.toml, structure.spacing_mm: 0.1 mm is out.* 0.3 to 50 mm",
    "[process]\nfan = nan": r"fan: nan is out of range",
    "[process]\nfan = inf": r"fan: inf is out of range",
    "[process]\nfan = true": r"fan: True is not a number",
    "[process]\nfan = '1'": r"fan: '1' is not a number",
    "[process]\nwall_lines = 2.0": r"wall_lines: 2.0 is not a whole number",
    "[process]\nwall_lines = 1" + 400 * "0": r"wall_lines: a number beyond reason",
    "[process]\nwall_lines = 1" + 5000 * "0": r"harbour.toml: this is not TOML",
    "[process]\nname = 3": r"name: 3 is not text in quotes",
    "[process]\nname = ''": r"name: '' is not a name",
    '[process]\nname = "a\\nb"': r"one line of printable text",
    "[structure]\nweave = 'zigzag'": r"structure.weave: 'zigzag' is not a choice. Give parallel or crossed",
    "[process": r"harbour.toml: this is not TOML: .*at end of document",
    "[process]\nlayer_height_mm = 0.5": r"layer_height_mm: 0.5 mm is more than .* usually 0.2 mm",
    "[process]\nfirst_layer_height_mm = 0.5": r"first_layer_height_mm: 0.5 mm is more than",
    "[process]\nlayer_height_mm = 0.35\nline_width_mm = 0.3": r"layer_height_mm: .*stand on edge",
    "[process]\nline_width_mm = 0.2": r"line_width_mm: 0.2 mm is too narrow .* 0.24 to 1 mm, usually 0.45 mm",
    "[process]\nline_width_mm = 1.1": r"line_width_mm: 1.1 mm is too wide",
    "[process]\nnozzle_mm = 0.8": r"line_width_mm: 0.45 mm is too narrow for a 0.8 mm nozzle",
    "[structure]\nspacing_mm = 0.4": r"structure.spacing_mm: 0.4 mm is less .* fuse",
    "[process]\nroom_temperature_c = 60": r"room_temperature_c: at 60 °C the strand never sets",
    "[material]\nglass_temperature_c = 210": r"nozzle_temperature_c: 210 °C does not melt",
}


@pytest.mark.parametrize("text", WRONG, ids=lambda text: text.replace("\n", " ")[:40])
def test_wrong_file_is_told_what_and_where(file, text):
    with pytest.raises(ProcessError, match=WRONG[text]) as caught:
        load_process(file(text))
    assert "harbour.toml" in caught.value.subject


def test_unreadable_files(file, tmp_path):
    with pytest.raises(ProcessError, match="not UTF-8"):
        load_process(file(b"\xff\xfe\x00"))
    with pytest.raises(ProcessError, match="directory"):
        load_process(tmp_path)
    with pytest.raises(ProcessError, match="no such file or built-in process"):
        load_process(tmp_path / "none.toml")
    with pytest.raises(ProcessError, match="cannot be read"):
        load_process("a\0b.toml")


@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda s: s.encode("utf-8", "replace")))
def test_garbage_is_read_or_refused(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("garbage") / "p.toml"
    path.write_bytes(data)
    try:
        process = load_process(path)
    except FalseworkError as error:
        assert str(error)
    else:
        assert dataclasses.replace(process) == process  # which checks it again


@pytest.mark.parametrize(
    ("nozzle", "layer", "width"), [(1.2, 0.9, 1.4), (0.25, 0.1, 0.28), (0.4, 0.4, 0.4), (0.4, 0.2, 0.24)]
)
def test_unusual_but_printable(nozzle, layer, width):
    spacing = max(2.0, width)
    Process(
        nozzle_mm=nozzle,
        layer_height_mm=layer,
        first_layer_height_mm=layer,
        line_width_mm=width,
        structure=Structure(spacing_mm=spacing),
    )


def test_override():
    process = override(
        builtin("pla-0.4"),
        {
            "layer_height_mm": "0.3",
            "structure.spacing_mm": "2.5",
            "material.density_g_cm3": "1.3",
            "process.fan": "1",
            "wall_lines": "3",
            "pattern": "grid",
            "name": "bollard",
            "printer.name": "7",
        },
    )
    base = builtin("pla-0.4")
    assert process == dataclasses.replace(
        base,
        name="bollard",
        layer_height_mm=0.3,
        fan=1.0,
        wall_lines=3,
        printer=Printer(name="7"),
        material=dataclasses.replace(base.material, density_g_cm3=1.3),
        structure=dataclasses.replace(base.structure, spacing_mm=2.5, weave="crossed"),
    )
    assert override(base, {}) == base
    # settings that only fit together may be given together
    assert override(base, {"nozzle_mm": "0.8", "line_width_mm": "0.9"}).nozzle_mm == 0.8


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("layer_hight_mm", "0.3", r"^layer_hight_mm: .* layer_height_mm is meant"),
        ("structure.spacing", "2", r"structure.spacing_mm is meant"),
        ("printer.fan", "1", "no setting"),
        ("layer_height_mm", "thin", r"'thin' is not a number. Give 0.02 to 2.5 mm"),
        ("layer_height_mm", "nan", "nan mm is out of range"),
        ("wall_lines", "2.5", "2.5 is not a whole number"),
        ("wall_lines", "", "'' is not a whole number"),
        ("layer_height_mm", "0.5", "more than the 0.4 mm nozzle"),
        ("name", "", "not a name"),
    ],
)
def test_wrong_override(key, value, message):
    with pytest.raises(ProcessError, match=message):
        override(builtin("pla-0.4"), {key: value})


def test_a_process_made_in_code_names_the_setting_that_is_wrong():
    with pytest.raises(ProcessError, match=r"^printer.acceleration_mm_s2: nan mm/s² is out of range"):
        Process(printer=Printer(acceleration_mm_s2=math.nan))


def test_evidence_is_written_for_people_and_changes_nothing(file):
    process = override(builtin("pla-0.4"), {"reach_share": "0.61"})
    evidence = {
        "reach_share": {"basis": "calibrated", "interval": [0.55, 0.66], "coupons": ["K3", 'a "b"']},
        "structure.air_gap_layers": {"basis": "extrapolated", "readings": "1-4, 9"},
    }
    text = dump_process(process, evidence)
    assert load_process(file(text)) == process
    assert tomllib.loads(text)["evidence"] == evidence


@pytest.mark.parametrize("text", ["[evidence]\nair_gap = {}", "evidence = 3"])
def test_evidence_for_no_setting_is_refused(file, text):
    with pytest.raises(ProcessError, match="evidence"):
        load_process(file(text))


def test_words_of_earlier_versions_are_still_read():
    text = "[structure]\npattern = 'grid'\n[printer]\ncorner_speed_mm_s = 8.0\n"
    process = parse_process(text, "quay")
    assert process.structure.weave == "crossed"
    assert process.printer.corner_loss_s == Printer().corner_loss_s
    slow = "[printer]\ncorner_speed_mm_s = 0\nacceleration_mm_s2 = 500"
    assert parse_process(slow, "quay").printer.corner_loss_s == 0.12
    assert "pattern" not in dump_process(process) and "corner_speed" not in dump_process(process)
    with pytest.raises(ProcessError, match="corner_loss_s: 'fast' is not a number"):
        parse_process("[printer]\ncorner_speed_mm_s = 'fast'", "quay")


@given(st.floats(0.0, 60.0), st.floats(100.0, 5000.0))
def test_a_corners_speed_comes_back_from_the_time_it_costs(kept, acceleration):
    lost = (60.0 - kept) ** 2 / (60.0 * acceleration)
    printer = Printer(acceleration_mm_s2=acceleration, corner_loss_s=lost)
    assert printer.corner_speed_mm_s == pytest.approx(kept, abs=1e-4)
