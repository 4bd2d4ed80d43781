"""Files of programs: packed or plain, in pieces of any size, refused clearly where they are none."""

from __future__ import annotations

import gzip
import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from audited import SQUARE
from falsework.auditing import audit, reading
from falsework.auditing.reading import moves
from falsework.auditing.survey import survey
from falsework.errors import Cancelled, ProgramError
from falsework.process import load_process
from falsework.watch import Watch
from programs import Writer, block, heights

SOUND = block(Writer(), SQUARE, heights(1.0)).end().bytes()
FILAMENT = 2.405


def rows_of(program) -> np.ndarray:
    return np.concatenate([rows.copy() for rows, _ in moves(program, FILAMENT)])


def zipped(name: str = "print.gcode", data: bytes = SOUND) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("readme.txt", "short")
        archive.writestr(name, data)
    return out.getvalue()


@pytest.mark.parametrize("pack", [bytes, gzip.compress, lambda data: zipped(data=data)])
def test_packed_programs_read_like_plain_ones(tmp_path: Path, pack) -> None:
    path = tmp_path / "program"
    path.write_bytes(pack(SOUND))
    for program in (path, str(path), pack(SOUND)):
        np.testing.assert_array_equal(rows_of(program), rows_of(SOUND))


@pytest.mark.parametrize("size", [1, 7, 64, 1000])
def test_pieces_of_any_size_give_the_same(monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    whole = rows_of(SOUND)
    monkeypatch.setattr(reading, "_CHUNK", size)
    monkeypatch.setattr(reading, "_ROWS", 5)
    np.testing.assert_array_equal(rows_of(SOUND), whole)
    np.testing.assert_array_equal(rows_of(SOUND.replace(b"\n", b"\r\n")), whole)
    np.testing.assert_array_equal(rows_of(SOUND.replace(b"\n", b"\r")), whole)
    np.testing.assert_array_equal(rows_of(SOUND.rstrip(b"\n")), whole)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "holds no move"),
        (b"; nothing but words\n" * 50, "holds no move"),
        (bytes(range(14, 256)) * 40, "is not a machine program"),
        (b"Dear all, please print this by Friday.\nThanks!\n", "is not a machine program"),
        (b"\x1f\x8b" + b"nonsense" * 20, "cannot be unpacked"),
        (gzip.compress(SOUND)[:-40], "cannot be unpacked"),
        (zipped()[:-30], "cannot be unpacked"),
        (b"G1 X5 Y5 F600\nG1 X9\n", "lays no strand"),
        (b"x" * 200_000, "is not a machine program"),
    ],
)
def test_what_is_no_program_is_refused(data: bytes, says: str) -> None:
    with pytest.raises(ProgramError, match=says):
        audit(data)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ProgramError, match="cannot be read"):
        audit(tmp_path / "nowhere.gcode")
    with pytest.raises(ProgramError, match="is not a file"):
        audit(tmp_path)


def test_a_program_that_never_stops_changing_height_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("falsework.auditing.survey.MOST_LAYERS", 50)
    lines = ["G21", "G90", "M83", "G1 F600", *(f"G1 X{k % 2} Z{0.1 * k:.2f} E0.1" for k in range(200))]
    with pytest.raises(ProgramError, match="changes its height"):
        survey("\n".join(lines).encode(), load_process("pla-0.4"))


def test_work_is_told_and_can_be_stopped() -> None:
    told: list[float] = []
    audit(SOUND, watch=Watch(tell=lambda step, fraction: told.append(fraction)))
    assert told == sorted(told) and told[-1] == 1.0
    with pytest.raises(Cancelled):
        audit(SOUND, watch=Watch(stop=lambda: len(told) > 0))


def test_comments_are_never_looked_at() -> None:
    """Whatever comments say, the result is the same: only motion counts."""
    spoilt = SOUND.replace(b"\n", b" ; layer 7 support wall E9 X9\n").replace(b"G1 X", b"G1 (X5 E5) X")
    a, b = audit(SOUND), audit(spoilt)
    assert a == b


def test_the_program_is_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "p.gcode"
    path.write_bytes(SOUND)
    path.chmod(0o444)
    audit(path)
    assert path.read_bytes() == SOUND and [p.name for p in tmp_path.iterdir()] == ["p.gcode"]


def test_volumes_declared_by_option() -> None:
    plain = survey(SOUND, load_process("pla-0.4"))
    as_volume = survey(SOUND, load_process("pla-0.4"), volumetric=True)
    assert as_volume.pushed_mm3 == pytest.approx(plain.pushed_mm3 / (np.pi / 4 * 1.75**2))


def test_of_several_programs_in_an_archive_it_says_which() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("readme.txt", "x" * 100_000)
        archive.writestr("small.gcode", SOUND[:2000])
        archive.writestr("large.gcode", SOUND)
    result = audit(out.getvalue())
    says = next(f.says for f in result.findings if f.kind == "archive")
    assert "2 programs" in says and "large.gcode" in says


def test_a_very_long_line_is_one_sentence() -> None:
    lines = SOUND.split(b"\n")
    at = len(lines) // 2
    spoilt = b"\n".join([*lines[:at], b"G1 X1 " * 400_000, *lines[at:]])
    (finding,) = audit(spoilt).findings
    assert finding.kind == "garbled" and "one line without sense" in finding.says
    assert finding.lines == (at + 1,)


@pytest.mark.parametrize(
    "line", ['M862.3 P "GULL"', 'M486 A"cleat"', 'M98 P"start.g"', "T0 R", "M117 a? b!", "T?"]
)
def test_words_that_a_machine_accepts_are_not_garbled(line: str) -> None:
    result = audit(line.encode() + b"\n" + SOUND)
    assert all(f.kind != "garbled" for f in result.findings)
    assert audit(b"\xef\xbb\xbf" + SOUND).findings == ()
