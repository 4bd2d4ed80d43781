"""A tray as a CSV file: what spreadsheets make of it, and every wrong row named."""

from __future__ import annotations

import datetime

import pytest

from falsework.coupon.reading import LetGo
from falsework.errors import LedgerError
from falsework.ledger import Given, Ledger, tables
from falsework.ledger.tables import day_of, number_of
from falsework.ledger.tray import _agree
from falsework.process.settings import Material, Printer, Process
from ledger.samples import DAY, HAND, full, museum, piece

HEAD = "coupon,cell,printer,material,measured_on,thickness_mm,let_go,finish,droop_mm,clean_up_min,note"
ROWS = (
    "G7K,a1,,,2024-05-17,,fused,,,4,left a scar",
    "G7K,a2,,,2024-05-17,2.15,tool,4,,,",
    "G7K,b1,,,2024-05-17,,hand,3,0.3,1.5,",
)
TABLE = "\n".join((HEAD, *ROWS)) + "\n"


@pytest.fixture
def ledger(tmp_path) -> Ledger:
    return Ledger.open(tmp_path / "ledger.sqlite3")


def record(ledger: Ledger, text: str | bytes, given: Given | None = None, **options):
    content = text.encode() if isinstance(text, str) else text
    return ledger.record_tray(content, piece().to_json(), given or Given(), "tray.csv", **options)


def test_a_filled_table_becomes_readings_of_one_print(ledger):
    tray = record(ledger, TABLE)
    assert [note.partition(" is new")[0] for note in tray.notes] == [
        "printer 'harbour mole'",
        "material 'PLA'",
    ]
    assert (len(tray.ids), tray.empty, tray.flags) == (3, 0, ())
    a1, a2, b1 = ledger.readings()
    assert [r.reading.let_go for r in (a1, a2, b1)] == [LetGo.FUSED, LetGo.TOOL, LetGo.HAND]
    assert [r.reading.condition for r in (a1, a2, b1)] == [cell.condition for cell in piece().cells]
    assert a2.reading.droop_mm == pytest.approx(0.15), "2.15 between the jaws where 2.00 would be"
    assert b1.gap_method == "one layer of 0.1 mm under the gap"
    assert {r.when for r in (a1, a2, b1)} == {DAY} and a1.note == "left a scar"
    (print_,) = ledger.prints()
    assert print_.coupon == "G7K" and {r.print_id for r in (a1, a2, b1)} == {print_.id}
    assert ledger.coupons()["G7K"].document == piece().to_json()


@pytest.mark.parametrize(
    "change",
    [
        lambda text: b"\xef\xbb\xbf" + text.encode(),
        lambda text: text.encode("utf-16"),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace(",", ";").replace("2.15", "2,15").replace("1.5", "1,5").encode(),
        lambda text: text.replace(",", "\t").replace("2.15", "2,15").encode(),
        lambda text: b"sep=;\r\n" + text.replace(",", ";").encode(),
        lambda text: text.replace("2.15", '"2,15"').encode(),
        lambda text: text.replace("2024-05-17", "17.05.2024").encode(),
        lambda text: text.replace("2024-05-17", "5/17/2024").encode(),
        lambda text: text.replace("fused", " FUSED ").replace("note", "Note").encode(),
        lambda text: text.replace("note", "note,#look at").replace("scar", "scar,the roof").encode(),
        lambda text: (text + "\n,,,,,,,,,,\n\n").encode(),
    ],
)
def test_what_spreadsheets_make_of_it_is_read(ledger, tmp_path, change):
    record(ledger, TABLE)
    other = Ledger.open(tmp_path / "other.sqlite3")
    tray = record(other, change(TABLE))
    assert len(tray.ids) == 3
    assert [r.reading for r in other.readings()] == [r.reading for r in ledger.readings()]
    assert [r.when for r in other.readings()] == [DAY] * 3


def test_rows_that_were_not_looked_at_are_left_out(ledger):
    tray = record(ledger, TABLE.replace("2.15,tool,4", ",,"))
    assert (len(tray.ids), tray.empty) == (2, 1)
    with pytest.raises(LedgerError, match="no row has an outcome filled in"):
        record(ledger, HEAD + "\nG7K,a1,,,,,,,,,\n")


def test_every_wrong_row_is_named_and_nothing_recorded(ledger):
    rows = (
        "G7K,a1,,,2024-05-17,,stuck,,,,",
        "G7K,a2,,,2024-05-17,,hand,7,,,",
        "G7K,z9,,,2024-05-17,,hand,3,,,",
        "G7K,b1,,,2999-05-17,2.1,hand,3,,,",
        "XYZ,a1,,,2024-05-17,,hand,3,,,",
        "G7K,a2,,,2024-05-17,2.15,hand,3,0.9,,",
        "G7K,,,,2024-05-17,,hand,3,,,",
        "G7K,a1,,,05/04/2024,,hand,3,,,",
        "G7K,a1,,,2024-05-17,,hand,3,a bit,,",
    )
    with pytest.raises(LedgerError) as caught:
        record(ledger, "\n".join((HEAD, *rows)))
    told = str(caught.value).splitlines()
    expected = (
        "line 2: let_go 'stuck' is not one of fused, scraped, tool, hand, touch, fell, early",
        "line 3: finish 7 is out of range: 1 to 5",
        "line 4: test piece G7K has no cell 'z9' (it has a1, a2, b1)",
        "line 5: cell b1 has no thickness to take",
        "line 6: the ledger knows no test piece 'XYZ'",
        "line 7: thickness_mm 2.15 means a sag of 0.15 mm, not 0.9",
        "line 8: cell is missing: test piece G7K has a1, a2, b1",
        "line 9: measured_on '05/04/2024' may mean two days: write it as 2031-05-04",
        "line 10: droop_mm 'a bit' is not a number",
    )
    assert told[0] == "tray.csv: 9 of them cannot be right, so nothing was recorded:"
    assert len(told) == 11 and "brings no printers" in told[-1]
    for line, text in zip(told[1:-1], expected, strict=True):
        assert text in line
    assert (ledger.readings(), ledger.prints(), ledger.coupons(), ledger.printers()) == ([], [], {}, {})


def test_a_tray_recorded_twice_is_one_sentence(ledger):
    """With the numbers of the readings that it became, the first to the last."""
    tray = record(ledger, TABLE)
    (printed,) = ledger.prints()
    with pytest.raises(LedgerError) as caught:
        record(ledger, TABLE, Given(print_id=printed.id))
    told = str(caught.value)
    assert f"and so have the others, as readings {tray.ids[0]} to {tray.ids[-1]}:" in told
    assert told.count("has been recorded already") == 1 and len(ledger.readings()) == 3


@pytest.mark.parametrize(
    ("droop_mm", "agrees"), [(0.169, True), (0.131, True), (0.171, False), (0.129, False)]
)
def test_a_sag_and_a_thickness_may_differ_by_two_hundredths(ledger, droop_mm, agrees):
    """2.15 mm between the jaws where 2 were meant is a sag of 0.15."""
    text = f"{HEAD}\nG7K,a2,,,2024-05-17,2.15,hand,3,{droop_mm},,\n"
    if agrees:
        record(ledger, text)
        assert ledger.readings()[0].reading.droop_mm == droop_mm
    else:
        with pytest.raises(LedgerError, match=r"means a sag of 0\.15 mm"):
            record(ledger, text)


def test_a_trial_records_nothing(ledger):
    tray = record(ledger, TABLE.replace("fused,,", "fused,5,"), keep=False)
    assert len(tray.ids) == 3 and tray.flags == ("line 2: the support was fused, yet the underside is clean",)
    assert (ledger.readings(), ledger.prints(), ledger.coupons(), ledger.printers()) == ([], [], {}, {})


def test_the_same_file_twice_is_refused_unless_the_piece_was_printed_again(ledger):
    record(ledger, TABLE)
    told = r"line 2 to line 4 \(3 of them\): cell a1 of test piece G7K of print 1 has been recorded"
    with pytest.raises(LedgerError, match=told):
        record(ledger, TABLE)
    assert len(ledger.readings()) == 3
    record(ledger, TABLE, again=True)
    assert len(ledger.readings()) == 6 and len(ledger.prints()) == 2
    with pytest.raises(LedgerError, match="of print 2"):
        record(ledger, TABLE)


def test_the_rest_of_a_tray_goes_to_the_same_print(ledger):
    record(ledger, "\n".join((HEAD, *ROWS[:1])))
    record(ledger, "\n".join((HEAD, *ROWS[1:])).replace("2024-05-17", "2024-05-18"))
    assert len(ledger.prints()) == 1 and {r.print_id for r in ledger.readings()} == {1}


def test_a_row_twice_in_one_file_is_refused(ledger):
    with pytest.raises(LedgerError, match=r"line 5: cell a1 .* recorded already"):
        record(ledger, TABLE + ROWS[0] + "\n")
    assert ledger.readings() == []


def test_a_tray_is_of_one_printer_and_one_material(ledger):
    mixed = TABLE.replace("a1,,", "a1,mole,").replace("a2,,", "a2,seal,")
    with pytest.raises(LedgerError, match=r"a tray is of one printer.*'mole' \(line 2\), 'seal' \(line 3\)"):
        record(ledger, mixed)
    with pytest.raises(LedgerError, match="'PLA blue': is not known"):
        record(ledger, TABLE, Given(printer="seal", material="PLA blue"))
    record(ledger, TABLE, Given(printer="seal", material="PLA blue", alike=True), spool="blue 2")
    assert ledger.printers()["seal"] == Printer("seal")
    assert ledger.materials()["PLA blue"] == Material("PLA blue")
    # known by now, so nobody has to say so again
    made_for = Material("PLA white", nozzle_temperature_c=211.0)
    assert ledger.material_named("PLA blue", made_for) == Material("PLA blue", nozzle_temperature_c=211.0)
    with pytest.raises(LedgerError, match="'PLA red': is not known"):
        ledger.material_named("PLA red", made_for)
    assert ledger.spools()[0].label == "blue 2" and ledger.prints()[0].spool == ledger.spools()[0].id


def test_filled_in_conditions_must_agree_with_the_piece(ledger):
    wrong = HEAD + ",air_gap_mm,layer_height_mm\n" + ROWS[0] + ",0.4,0.2\n"
    with pytest.raises(
        LedgerError, match=r"air_gap_mm 0\.4 does not agree with cell a1 of the piece, which has"
    ):
        record(ledger, wrong)
    with pytest.raises(LedgerError, match=r"air_gap_mm 0\.2001 does not agree"):
        record(ledger, wrong.replace(",0.4,0.2", ",0.2001,0.2"))
    record(ledger, wrong.replace(",0.4,0.2", ",0.20001,0.2"))  # as a spreadsheet rounds


def test_invented_is_handed_on(ledger):
    record(ledger, TABLE, Given(invented=True, measured_on=DAY))
    assert all(r.reading.invented for r in ledger.readings()) and ledger.prints()[0].invented
    assert ledger.export_csv().count(",yes,") == 3


def test_a_readings_file_without_a_piece(tmp_path):
    ledger = museum(tmp_path)
    head = "printer,material,kind,nozzle_mm,layer_height_mm,line_width_mm,nozzle_temperature_c,fan,speed_mm_s"
    good = f"{head},span_mm,droop_mm\nharbour mole,PLA,bridge,0.4,0.2,0.45,210,1,30,25,0.2\n"
    assert len(ledger.import_csv(good.encode()).ids) == 1
    with pytest.raises(LedgerError, match=r"line 2: .*nozzle_mm is missing"):
        ledger.import_csv(good.replace("PLA,bridge,0.4", "PLA,bridge,").encode())
    with pytest.raises(LedgerError, match=r"line 2: printer is missing; material is missing"):
        ledger.import_csv(good.replace("harbour mole,PLA,", ",,").encode())
    with pytest.raises(LedgerError, match=r"no material 'cork'"):
        ledger.import_csv(good.replace("PLA", "cork").encode())


def test_an_exported_file_comes_back_and_is_not_doubled(tmp_path):
    ledger = full(tmp_path)
    text = ledger.export_csv()
    before = ledger.export_json()
    ledger.import_csv(text.encode())
    assert ledger.export_json() == before
    with pytest.raises(LedgerError, match="which says otherwise: correct that one"):
        ledger.import_csv(text.replace(",tool,", ",hand,").encode())


def test_another_ledgers_table_is_refused_in_one_sentence_that_says_how(tmp_path):
    text = full(tmp_path / "there").export_csv()
    fresh = museum(tmp_path / "here")
    with pytest.raises(LedgerError, match=r"is the table of another ledger.*test pieces: 1") as told:
        fresh.import_csv(text.encode(), "all.csv")
    assert len(str(told.value)) < 300 and "JSON" in str(told.value)
    assert fresh.readings() == []


def test_texts_that_a_spreadsheet_would_run_are_made_harmless(tmp_path):
    ledger = museum(tmp_path)
    note = '=HYPERLINK("http://example.invalid","look")'
    ledger.add_reading(HAND, when=DAY, note=note)
    text = ledger.export_csv()
    assert '"\'=HYPERLINK(""' in text
    assert all(not cell.startswith(("=", "+", "@")) for line in text.splitlines() for cell in line.split(","))
    assert ledger.export_csv(history=True).count("'=HYPERLINK") == 1


def test_the_history_as_a_table(tmp_path):
    lines = full(tmp_path).export_csv(history=True).splitlines()
    assert lines[0].startswith("id,version,act,reason,recorded_at")
    assert [line.split(",")[:3] for line in lines[1:]] == [
        *(["1", "1", "recorded"], ["1", "2", "corrected"], ["2", "1", "recorded"], ["3", "1", "recorded"]),
        *(["4", "1", "recorded"], ["5", "1", "recorded"], ["5", "2", "withdrawn"]),
    ]


def test_a_history_is_brought_in_by_the_json_beside_it_and_that_is_said_once(tmp_path):
    ledger = full(tmp_path / "one")
    history = ledger.export_csv(history=True).encode()
    for other in (ledger, museum(tmp_path / "other")):
        before = other.export_json()
        with pytest.raises(
            LedgerError, match=r"every version a row.*Import the ledger\.json beside it"
        ) as said:
            other.import_csv(history, "history.csv")
        assert "\n" not in str(said.value) and other.export_json() == before
    fresh = Ledger.open(tmp_path / "fresh.sqlite3")
    fresh.import_json(ledger.export_json())
    assert fresh.export_csv(history=True).encode() == history


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "it is empty"),
        (b"\n\n", "it is empty"),
        (b"caf\xe9,cell\n1,2\n", "is not text in UTF-8. Save it as 'CSV UTF-8'"),
        (b"coupon,cell\0\n", "null characters"),
        (b"\x89PNG\r\n\x1a\n\0\0", "UTF-8"),
        (b"cupon,cell\n", "no column of the name 'cupon'. Perhaps coupon is meant"),
        (b"cell,cell\n1,2\n", "column cell is there twice"),
        (b'coupon,cell\n"unclosed,1\n', "cannot be read"),
        (
            b"coupon,cell,droop_mm\nG7K,a1,0,35\n",
            "line 2: has 4 cells, but there are 3 columns; decimal commas",
        ),
        (b"coupon\n" + b"x" * 200_000, "cannot be read"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path, content: bytes, message: str):
    with pytest.raises(LedgerError) as caught:
        museum(tmp_path).import_csv(content, "tray.csv")
    assert message in str(caught.value) and "tray.csv" in str(caught.value)


def test_a_table_that_is_too_large_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "MOST_ROWS", 1000)
    ledger = museum(tmp_path)
    with pytest.raises(LedgerError, match="it has 1001 rows; the most is 1000"):
        ledger.import_csv(b"cell,finish\n" + b"a,3\n" * 1001)
    monkeypatch.setattr(tables, "LARGEST_BYTES", 1000)
    with pytest.raises(LedgerError, match="the most is"):
        ledger.import_csv(b"cell,finish\n" + b"a,3\n" * 1001)


@pytest.mark.parametrize(
    ("text", "value"),
    [("0,35", 0.35), ("0.35", 0.35), (" 12 ", 12.0), ("\u22120.1", -0.1), (".5", 0.5), ("1e-2", 0.01)],
)
def test_numbers(text: str, value: float):
    assert number_of(text) == value


@pytest.mark.parametrize("text", ["", "1,234.5", "1.2.3", "nan", "inf", "0x10", "٣", "1_000", "--1", "3 mm"])
def test_what_is_no_number(text: str):
    with pytest.raises(ValueError, match="is not a number"):
        number_of(text)


@pytest.mark.parametrize("text", ["1e999", "-1e999", "9" * 400])
@pytest.mark.parametrize("whole", [True, False])
def test_numbers_beyond_reason(text: str, whole: bool):
    with pytest.raises(ValueError, match="is beyond reason"):
        number_of(text, whole)


@pytest.mark.parametrize("text", ["2024-05-17", "17.5.2024", "17/05/2024", "05/17/2024", "2024/5/17"])
def test_days(text: str):
    assert day_of(text) == DAY
    assert day_of("03/03/2024") == datetime.date(2024, 3, 3)


@pytest.mark.parametrize("text", ["", "yesterday", "2024-02-31", "4/5/2024", "17-5-24", "20240517"])
def test_what_is_no_day(text: str):
    with pytest.raises(ValueError, match="write it as 2031-05-04"):
        day_of(text)


def test_the_piece_stands_for_its_process(ledger):
    made = piece(process=Process(name="fine", layer_height_mm=0.2, material=Material("PLA grey")))
    ledger.record_tray(TABLE.encode(), made.to_json(), Given())
    assert list(ledger.materials()) == ["PLA grey"] and list(ledger.printers()) == ["generic bench printer"]


def test_what_a_row_does_not_say_is_what_all_have(ledger):
    """Who graded and when: of the row where it says so, else as given for the whole tray."""
    head = "coupon,cell,measured_on,graded_by,finish"
    text = f"{head}\nG7K,a1,2024-05-16,ann,4\nG7K,a2,,,3\n"
    record(ledger, text, Given(printer="gull", material="PETG", measured_on=DAY, graded_by="ben"))
    told = [
        (r.reading.printer, r.reading.material, r.when.day, r.reading.graded_by) for r in ledger.readings()
    ]
    assert told == [("gull", "PETG", 16, "ann"), ("gull", "PETG", 17, "ben")]
    assert ledger.prints()[0].printed_on == DAY


def test_a_tray_was_printed_at_the_latest_on_the_first_day_that_it_names(ledger):
    """A day to come is none."""
    head, given = "coupon,cell,measured_on,finish", Given(printer="gull", material="PETG")
    far = datetime.date.today() + datetime.timedelta(days=400)
    record(ledger, f"{head}\nG7K,a1,2024-05-17,4\nG7K,a2,2024-05-16,3\nG7K,b1,2024-05-18,3\n", given)
    assert ledger.prints()[0].printed_on == datetime.date(2024, 5, 16)
    with pytest.raises(LedgerError, match="line 3"):
        record(ledger, f"{head}\nG7K,a1,2024-05-17,4\nG7K,a2,{far},3\n", given)


@pytest.mark.parametrize(
    ("read", "meant", "agree"),
    [
        (2.0002, 2.0, True),
        (2.0003, 2.0, False),
        (1.9998, 2.0, True),
        (0.000001, 0.0, True),
        (0.000002, 0.0, False),
        ("crossed", "crossed", True),
        ("crossed", "parallel", False),
        (1, "1", False),
    ],
)
def test_what_a_spreadsheet_may_have_rounded_agrees(read, meant, agree):
    assert _agree(read, meant) is agree


def test_cells_beyond_the_last_column_may_be_empty_but_not_filled(ledger):
    assert len(tables.read_rows(b"cell,finish\na1,3,,\n", "t.csv")) == 1
    with pytest.raises(LedgerError, match="line 2: has 4 cells, but there are 2 columns"):
        ledger.import_csv(b"cell,finish\na1,3,,x\n", "t.csv")


def test_names_that_nearly_are_columns(ledger):
    with pytest.raises(LedgerError, match="Perhaps finish is meant"):
        ledger.import_csv(b"cell,finsh\na1,3\n", "t.csv")
    with pytest.raises(LedgerError, match="Known are uid, source"):
        ledger.import_csv(b"cell,qqqqq\na1,3\n", "t.csv")
