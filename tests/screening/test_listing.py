"""What is to be screened: folders, patterns, lists, and what can be wrong with them."""

from __future__ import annotations

import contextlib
import csv
import io
import os
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.errors import PartError
from falsework.screening.listing import ListedPart, listed, wanted_of
from falsework.screening.reading import heaviest_first


def touch(path: Path, text: str = "x") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def names(*paths: object) -> list[str]:
    return [entry.called for entry in listed([os.fspath(path) for path in paths])]


def test_a_folder_gives_its_parts_by_name_and_those_of_folders_within(tmp_path: Path) -> None:
    for name in ("b.stl", "a.STL", "deep/c.3mf", "deep/d.txt", ".hidden.stl", "notes.md"):
        touch(tmp_path / name)
    assert names(tmp_path) == ["a.STL", "b.stl", "c.3mf"]


def test_results_of_falsework_are_no_parts(tmp_path: Path) -> None:
    touch(tmp_path / "a.stl")
    touch(tmp_path / "a-plan" / "plan.json")
    touch(tmp_path / "a-plan" / "part.stl")
    touch(tmp_path / "out" / "screen.json")
    touch(tmp_path / "out" / "plans" / "b.stl")
    assert names(tmp_path) == ["a.stl"]


def test_links_that_lead_back_end(tmp_path: Path) -> None:
    touch(tmp_path / "a.stl")
    touch(tmp_path / "deep" / "b.stl")
    (tmp_path / "deep" / "up").symlink_to(tmp_path)
    (tmp_path / "self").symlink_to(tmp_path / "self")
    (tmp_path / "again.stl").symlink_to(tmp_path / "a.stl")
    assert names(tmp_path) == ["a.stl", "b.stl"]


def test_several_ways_to_a_file_are_one(tmp_path: Path) -> None:
    touch(tmp_path / "a.stl")
    assert names(tmp_path, tmp_path / "*.stl", tmp_path / "a.stl") == ["a.stl"]


def test_a_pattern_reaches_down(tmp_path: Path) -> None:
    for name in ("a.stl", "x/b.stl", "x/y/c.stl"):
        touch(tmp_path / name)
    assert names(tmp_path / "**" / "*.stl") == ["a.stl", "b.stl", "c.stl"]
    assert names(tmp_path / "x" / "?.stl") == ["b.stl"]


def test_an_archive_is_named(tmp_path: Path) -> None:
    touch(tmp_path / "all.zip")
    (entry,) = listed([os.fspath(tmp_path)])
    assert entry.fault == "all.zip: this is an archive. Unpack it first."
    touch(tmp_path / "cowl.stl.gz")
    touch(tmp_path / "program.gcode.gz")
    assert names(tmp_path) == ["all.zip", "cowl.stl.gz"], "a packed program is no part"


@pytest.mark.parametrize(
    ("path", "said"),
    [("empty", "holds no part"), ("gone", "no such file"), ("*.stl", "nothing is there"), ("", "empty name")],
)
def test_a_path_that_leads_to_nothing_is_refused(tmp_path: Path, path: str, said: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(PartError, match=said):
        list(listed([os.fspath(tmp_path / path) if path else ""]))


def test_the_heaviest_come_first_as_far_as_is_seen_ahead(tmp_path: Path) -> None:
    for name, size in (("a", 10), ("b", 30), ("c", 20), ("d", 40), ("e", 20)):
        (tmp_path / f"{name}.stl").write_bytes(b"x" * size)
    entries = [ListedPart(os.fspath(tmp_path / f"{name}.stl")) for name in "abcde"]
    entries += [ListedPart("http://store/f.stl"), ListedPart(os.fspath(tmp_path / "gone.stl"))]
    ordered = ["".join(Path(one.called).stem for one in heaviest_first(iter(entries), n)) for n in (99, 1, 0)]
    assert ordered == ["gonedbceaf", "bcdeagonef", "abcdefgone"]


def test_names_at_addresses_are_in_their_own_script() -> None:
    assert ListedPart("http://store/a/%E8%88%B9%20%231.STL?x=%2F").called == "船 #1.STL"
    assert ListedPart("http://store/..%2F..%2Fb.stl").called == "b.stl"
    assert ListedPart("memory://store/50%25.stl").called == "50%25.stl"


def test_names_in_any_script_and_of_no_characters(tmp_path: Path) -> None:
    touch(tmp_path / "船用ランプ.stl")
    raw = os.fsencode(tmp_path) + b"/bad\xff.stl"
    with open(raw, "wb") as file:
        file.write(b"x")
    files = [entry.file for entry in listed([os.fspath(tmp_path)])]
    assert any("船用ランプ" in file for file in files)
    assert all(file.encode("utf-8") for file in files)


def listing(tmp_path: Path, text: str, name: str = "list.csv") -> list[ListedPart]:
    (tmp_path / name).write_text(text, "utf-8")
    return list(listed([os.fspath(tmp_path / name)]))


def test_a_list_says_what_is_wanted_and_keeps_its_own_columns(tmp_path: Path) -> None:
    text = "Path;wanted;unit;process;spare;shelf\nx/a.stl;12;inch;petg-0.6;+z 0,1,1;A 3\n\nb.stl;;;;;\n"
    first, second = listing(tmp_path, text)
    assert first.place == os.fspath(tmp_path / "x" / "a.stl")
    assert (first.wanted, first.unit, first.process) == (12, "inch", "petg-0.6")
    assert first.own == (("shelf", "A 3"),) and first.own_json == '{"shelf": "A 3"}'
    assert first.marks is not None and len(first.marks.spare.directions) == 2
    assert (second.wanted, second.unit, second.marks) == (1, None, None)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("a.stl,many,,", "'many' is no number of parts"),
        ("a.stl,-1,,", "'-1' is no number of parts"),
        ("a.stl,1,furlong,", "'furlong' is not known"),
        ("a.stl,1,,up", None),
        ("a.stl,1,,0,0", "no direction"),
        (",1,,", "no path is given"),
        ("a.zip,1,,", "this is an archive"),
    ],
)
def test_a_line_that_cannot_be_meant_is_a_row_that_says_so(
    tmp_path: Path, line: str, said: str | None
) -> None:
    cells = line.split(",", 3)
    out = io.StringIO()
    csv.writer(out).writerows([["path", "wanted", "unit", "spare"], cells])
    (entry,) = listing(tmp_path, out.getvalue())
    assert (entry.fault == "") if said is None else (said in entry.fault)


@pytest.mark.parametrize(
    ("text", "said"),
    [("", "empty"), ("path\n", "empty"), ("name,count\na,1\n", "no column 'path'; it has: name, count"),
     ("path,path\na,b\n", "two columns 'path'")],
)  # fmt: skip
def test_a_list_that_is_none_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(PartError, match=said):
        listing(tmp_path, text)


def test_a_list_that_is_not_text_or_not_there(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_bytes(b"path\n\xff\xfe\n")
    with pytest.raises(PartError, match="not UTF-8"):
        list(listed([os.fspath(tmp_path / "list.csv")]))
    with pytest.raises(PartError, match="no such list"):
        list(listed([os.fspath(tmp_path / "gone.csv")]))
    (tmp_path / "list.parquet").write_bytes(b"nonsense")
    with pytest.raises(PartError, match="no Parquet list"):
        list(listed([os.fspath(tmp_path / "list.parquet")]))


TEXTS = st.text(
    st.characters(codec="utf-8", exclude_characters="\0", exclude_categories=("Cs",)), max_size=12
)
LINES = st.lists(
    st.fixed_dictionaries(
        {
            "path": TEXTS.map(lambda text: f"x{text.strip()}x.stl".replace("://", "")),
            "wanted": st.integers(0, 10**6),
            "shelf": TEXTS.map(str.strip),
        }
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=60, deadline=None)
@given(LINES, st.sampled_from([",", ";", "\t"]))
def test_csv_and_parquet_say_the_same(tmp_path_factory: pytest.TempPathFactory, lines, separator) -> None:
    folder = tmp_path_factory.mktemp("lists")
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, ["path", "wanted", "shelf"], delimiter=separator)
    writer.writeheader()
    writer.writerows(lines)
    (folder / "list.csv").write_bytes(text.getvalue().encode())
    pq.write_table(pa.Table.from_pylist(lines), folder / "list.parquet")
    ways = [[(e.place, e.wanted, e.own, e.number) for e in listed([os.fspath(folder / name)])]
            for name in ("list.csv", "list.parquet")]  # fmt: skip
    assert ways[0] == ways[1]
    assert [wanted for _, wanted, _, _ in ways[0]] == [line["wanted"] for line in lines]
    ids = [e.id for e in listed([os.fspath(folder / "list.csv")])]
    assert len(set(ids)) == len(lines)


@given(st.one_of(st.text(max_size=6), st.floats(), st.integers(), st.none()))
def test_a_number_wanted_is_whole_or_refused(value) -> None:
    with contextlib.suppress(ValueError, OverflowError):
        assert 0 <= wanted_of(value) <= 10**9
