"""What the ledger takes, refuses and flags; and that nothing it holds is ever lost."""

from __future__ import annotations

import dataclasses
import datetime
import math
import random
import sqlite3

import numpy as np
import pytest

from falsework.coupon.reading import ConditionKind, LetGo, Reading
from falsework.errors import FalseworkError, LedgerError
from falsework.ledger import Act, Entry, Ledger, Source, database
from falsework.ledger.checks import sound
from falsework.ledger.recording import twin
from falsework.process.settings import Material, Printer, Process
from ledger.samples import BRIDGE, DAY, HAND, OVERHANG, SUPPORT, museum, reading, tried


@pytest.fixture
def ledger(tmp_path) -> Ledger:
    return museum(tmp_path)


def test_a_reading_comes_back_as_it_was_recorded(ledger):
    number = ledger.add_reading(HAND, when=DAY, note="with the small pliers at hand")
    (found,) = ledger.readings()
    assert found.reading == HAND
    assert (found.id, found.when, found.source, found.flags) == (number, DAY, Source.OTHER, ())
    assert (found.changes, found.withdrawn, found.note) == (0, False, "with the small pliers at hand")
    assert isinstance(found.reading.let_go, LetGo) and isinstance(found.reading.condition.kind, ConditionKind)


def test_words_and_numpy_numbers_become_plain_values(ledger):
    given = reading(tried(BRIDGE, kind="bridge", nozzle_temperature_c=np.float64(215)), finish=np.int64(2))
    given = dataclasses.replace(given, printer=np.str_("harbour mole"))
    assert type(sound(Entry(given)).reading.printer) is str
    ledger.add_reading(given, when=DAY)
    (found,) = ledger.readings()
    assert found.reading.condition.kind is ConditionKind.BRIDGE
    assert type(found.reading.finish) is int
    assert type(found.reading.condition.nozzle_temperature_c) is float


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (reading(finish=7), "finish 7 is out of range: 1 to 5"),
        (reading(finish=3.5), "finish 3.5 is not a whole number"),
        (reading(finish=True), "finish True is not a whole number"),
        (reading(droop_mm=math.nan), "droop_mm nan mm is out of range"),
        (reading(droop_mm=10**400), "out of range"),
        (reading(droop_mm="much"), "'much' is not a number"),
        (reading(let_go="gently"), "'gently' is not one of fused, scraped, tool, hand, touch, fell, early"),
        (reading(clean_up_min=-1.0), "clean_up_min -1 min is out of range"),
        (reading(let_go=None), "no outcome is given"),
        (reading(OVERHANG, let_go=LetGo.HAND), "let_go says how a support came off"),
        (reading(BRIDGE, let_go=LetGo.HAND), "let_go says how a support came off"),
        (
            reading(tried(BRIDGE, span_mm=None)),
            "span_mm is missing: a reading of kind bridge needs it (bridge: free span;",
        ),
        (
            reading(tried(OVERHANG, angle_deg=None)),
            "angle_deg is missing: a reading of kind overhang needs it (overhang: angle of",
        ),
        (reading(tried(SUPPORT, air_gap_mm=None)), "air_gap_mm is missing"),
        (reading(tried(OVERHANG, air_gap_mm=0.4)), "air_gap_mm does not belong"),
        (reading(tried(SUPPORT, angle_deg=45.0)), "angle_deg does not belong"),
        (reading(tried(SUPPORT, air_gap_mm=0.3)), "is 1.50 layers of 0.2 mm: only whole layers"),
        (reading(tried(SUPPORT, air_gap_mm=0.1)), "is 0.50 layers"),
        (reading(tried(SUPPORT, weave="zigzag")), "'zigzag' is not one of parallel, crossed"),
        (reading(tried(SUPPORT, kind="roof")), "kind 'roof' is not one of"),
        (reading(tried(BRIDGE, layer_height_mm=0.6)), "more than the 0.4 mm nozzle"),
        (reading(tried(BRIDGE, line_width_mm=0.15)), "more than the 0.15 mm line"),
        (reading(tried(BRIDGE, nozzle_mm=None)), "nozzle_mm is missing"),
        (dataclasses.replace(HAND, printer="unknown"), "no printer 'unknown' (it knows harbour mole)"),
        (dataclasses.replace(HAND, material="cork"), "no material 'cork'"),
        (dataclasses.replace(HAND, printer=" "), "printer ' ' is not a name"),
        (dataclasses.replace(HAND, material="P\nLA"), "is not a name"),
        (dataclasses.replace(HAND, invented=1), "invented 1 is neither true nor false"),
    ],
)
def test_what_cannot_be_is_refused_and_named(ledger, given: Reading, message: str):
    with pytest.raises(LedgerError) as caught:
        ledger.add_reading(given, when=DAY)
    assert message in str(caught.value)
    assert "Nothing was recorded" in str(caught.value)
    assert ledger.readings() == []


def test_a_gap_between_whole_layers_needs_a_word_on_how_it_was_made(ledger):
    half = reading(tried(SUPPORT, air_gap_mm=0.3), let_go=LetGo.TOOL)
    ledger.add_reading(half, when=DAY, gap_method="one layer of 0.1 mm under the gap")
    assert ledger.readings()[0].gap_method == "one layer of 0.1 mm under the gap"


@pytest.mark.parametrize("layers", range(1, 7))
@pytest.mark.parametrize("layer_mm", [0.07, 0.12, 0.2, 0.28, 1 / 3])
def test_whole_layers_written_to_a_hundredth_are_whole_layers(ledger, layer_mm: float, layers: int):
    gap_mm = round(layers * layer_mm, 2)
    ledger.add_reading(reading(tried(SUPPORT, layer_height_mm=layer_mm, air_gap_mm=gap_mm)), when=DAY)


def test_the_day(ledger):
    today = datetime.date.today()
    ledger.add_reading(HAND)
    assert ledger.readings()[0].when == today
    with pytest.raises(LedgerError, match="lies in the future"):
        ledger.add_reading(HAND, when=today + datetime.timedelta(days=1))
    with pytest.raises(LedgerError, match="cannot be right"):
        ledger.add_reading(HAND, when=datetime.date(202, 5, 1))
    with pytest.raises(LedgerError, match="'2024-05-17' is not a day"):
        ledger.add_reading(HAND, when="2024-05-17")
    ledger.add_reading(HAND, when=datetime.datetime(2024, 5, 17, 14, 30))
    assert ledger.readings()[-1].when == DAY


def test_nothing_sags_deeper_than_the_air_beneath(ledger):
    with pytest.raises(LedgerError, match="droop_mm 12 is more than the 8 mm of air beneath"):
        ledger.add_reading(reading(BRIDGE, droop_mm=12.0), when=DAY, air_beneath_mm=8.0)
    number = ledger.add_reading(reading(BRIDGE, droop_mm=7.0), when=DAY, air_beneath_mm=8.0)
    with pytest.raises(LedgerError, match="more than the 8 mm of air"):
        ledger.correct(number, reading(BRIDGE, droop_mm=9.0), "a slip of the pen")


@pytest.mark.parametrize(
    ("given", "flag"),
    [
        (reading(let_go=LetGo.EARLY, finish=5, droop_mm=0.0), "fell off early, yet"),
        (reading(let_go=LetGo.FUSED, finish=5), "fused, yet the underside is clean"),
        (reading(BRIDGE, finish=5, droop_mm=1.0), "finish 5, yet it sagged by 1 mm"),
        (reading(BRIDGE, finish=1, droop_mm=0.0), "finish 1, yet it did not sag"),
        (reading(droop_mm=0.9), "the support was 0.4 mm below"),
        (reading(BRIDGE, droop_mm=-0.5), "it stands 0.5 mm above its place"),
        (reading(tried(BRIDGE, line_width_mm=1.5)), "unusual for a 0.4 mm nozzle"),
    ],
)
def test_what_is_hard_to_believe_is_kept_and_flagged(ledger, given: Reading, flag: str):
    ledger.add_reading(given, when=DAY)
    (found,) = ledger.readings()
    assert found.reading == given
    assert len(found.flags) == 1 and flag in found.flags[0]


def test_one_cell_of_one_print_is_recorded_once(ledger):
    one, two = (ledger.add_print("harbour mole", "PLA", printed_on=DAY) for _ in range(2))
    first = ledger.add_reading(HAND, cell="underside 3", print_id=one, when=DAY)
    with pytest.raises(LedgerError, match=f"recorded already, as reading {first}: to change it, correct"):
        ledger.add_reading(reading(finish=2), cell="underside 3", print_id=one, when=DAY)
    ledger.add_reading(HAND, cell="underside 3", print_id=two, when=DAY)
    ledger.withdraw(first, "taken from the wrong piece")
    ledger.add_reading(reading(finish=2), cell="underside 3", print_id=one, when=DAY)
    with pytest.raises(LedgerError, match="has taken its place"):
        ledger.restore(first, "was right after all")


def test_what_two_people_say_of_one_cell_are_two_readings(ledger):
    """Who says nothing of who it is, or contradicts what nobody put a name to, may be the same person."""
    one, two, three = (ledger.add_print("harbour mole", "PLA", printed_on=DAY) for _ in range(3))

    def says(print_id: int, who: str, finish: int) -> int:
        given = dataclasses.replace(reading(finish=finish), graded_by=who)
        return ledger.add_reading(given, cell="a1", print_id=print_id, when=DAY)

    assert says(one, "ann", 4) != says(one, "ben", 3)
    says(two, "", 4)
    says(three, "ann", 4)
    for print_id, who in ((one, "ann"), (one, ""), (two, "ben"), (two, ""), (three, "")):
        with pytest.raises(LedgerError, match="recorded already"):
            says(print_id, who, 2)
    assert len(ledger.readings()) == 4


def test_a_reading_agrees_with_the_print_it_is_of(ledger):
    ledger.add_printer(Printer("lighthouse"))
    print_id = ledger.add_print("harbour mole", "PLA", printed_on=DAY)
    elsewhere = dataclasses.replace(HAND, printer="lighthouse")
    with pytest.raises(LedgerError, match="print 1 is of printer 'harbour mole', not 'lighthouse'"):
        ledger.add_reading(elsewhere, print_id=print_id, when=DAY)
    number = ledger.add_reading(HAND, print_id=print_id, when=DAY)
    ledger.correct(number, elsewhere, "the whole print was taken for another's")
    assert ledger.reading(number).reading.printer == "lighthouse"


def test_a_reading_sent_twice_is_recorded_once(ledger):
    number = ledger.add_reading(HAND, cell="a", when=DAY, uid="phone-1")
    assert ledger.add_reading(HAND, cell="a", when=DAY, uid="phone-1") == number
    assert len(ledger.readings()) == 1
    with pytest.raises(LedgerError, match="as reading 1, which says otherwise"):
        ledger.add_reading(reading(finish=1), cell="a", when=DAY, uid="phone-1")


def test_what_is_known_already_stays_as_it_is_and_that_is_said(ledger):
    told = ledger.introduce(Printer("harbour mole"), Material(taut_strain=0.02))
    assert told == ("material 'PLA' differs from the ledger's in taut_strain; the ledger's stands",)
    assert ledger.materials()["PLA"] == Material()


def test_equal_readings_without_a_cell_are_kept_and_flagged(ledger):
    first = ledger.add_reading(HAND, when=DAY)
    ledger.add_reading(HAND, when=DAY)
    ledger.add_reading(HAND, when=DAY + datetime.timedelta(days=1))
    flags = [found.flags for found in ledger.readings()]
    assert flags == [(), (f"the same as reading {first} in everything",), ()]


def test_a_tray_is_recorded_whole_or_not_at_all(ledger):
    tray = [
        Entry(HAND, cell="a", measured_on=DAY),
        Entry(reading(finish=9), cell="b", measured_on=DAY),
        Entry(HAND, cell="a", measured_on=DAY),
        Entry(dataclasses.replace(HAND, material="cork"), cell="d", measured_on=DAY),
    ]
    with pytest.raises(LedgerError) as caught:
        ledger.add_many(tray, lambda k: f"row {k + 2}")
    text = str(caught.value)
    assert "row 2" not in text
    assert "row 3: finish 9" in text and "row 5: the ledger knows no material 'cork'" in text
    assert ledger.readings(withdrawn=True) == []
    with pytest.raises(LedgerError, match=r"row 4: a has been recorded already"):
        ledger.add_many([tray[0], tray[2]], lambda k: f"row {2 * k + 2}")
    assert ledger.readings() == []
    assert ledger.add_many(tray[:1]) == [1]


def test_corrections_and_withdrawals_append(ledger):
    number = ledger.add_reading(HAND, when=DAY)
    better = dataclasses.replace(HAND, finish=3)
    ledger.correct(number, better, "held against the wrong picture")
    assert ledger.reading(number).reading == better
    ledger.withdraw(number, "another printer's piece")
    assert ledger.readings() == [] and len(ledger.readings(withdrawn=True)) == 1
    with pytest.raises(LedgerError, match="withdrawn already"):
        ledger.withdraw(number, "again")
    with pytest.raises(LedgerError, match="Restore it first"):
        ledger.correct(number, HAND, "no")
    ledger.restore(number, "it was ours")
    with pytest.raises(LedgerError, match="has not been withdrawn"):
        ledger.restore(number, "again")
    history = ledger.history(number)
    assert [v.act for v in history] == [Act.RECORDED, Act.CORRECTED, Act.WITHDRAWN, Act.RESTORED]
    assert [v.reason for v in history] == [
        *("", "held against the wrong picture", "another printer's piece", "it was ours")
    ]
    assert [v.reading.finish for v in history] == [4, 3, 3, 3]
    assert [v.recorded_at for v in history] == sorted(v.recorded_at for v in history)
    assert ledger.reading(number).changes == 3


@pytest.mark.parametrize("seed", range(3))
def test_any_course_of_changes_can_be_told_afterwards(ledger, seed: int):
    """Against a plain list of what was done."""
    dice = random.Random(seed)
    told: dict[int, list[tuple[Act, int | None]]] = {}
    for _ in range(30):
        number = dice.choice(list(told) or [0])
        finish = dice.randint(1, 5)
        withdrawn = bool(told) and told[number][-1][0] is Act.WITHDRAWN
        match dice.choice(("add", "correct", "withdraw", "restore")):
            case "correct" if told and not withdrawn:
                ledger.correct(number, reading(finish=finish), "a reason")
                told[number].append((Act.CORRECTED, finish))
            case "withdraw" if told and not withdrawn:
                ledger.withdraw(number, "a reason")
                told[number].append((Act.WITHDRAWN, told[number][-1][1]))
            case "restore" if told and withdrawn:
                ledger.restore(number, "a reason")
                told[number].append((Act.RESTORED, told[number][-1][1]))
            case _:
                told[ledger.add_reading(reading(finish=finish), when=DAY)] = [(Act.RECORDED, finish)]
    for number, steps in told.items():
        assert [(v.act, v.reading.finish) for v in ledger.history(number)] == steps
        assert ledger.reading(number).reading.finish == steps[-1][1]
    counting = [number for number, steps in told.items() if steps[-1][0] is not Act.WITHDRAWN]
    assert [r.id for r in ledger.readings()] == counting
    assert ledger.readings_digest().endswith(f"-{1 + sum(map(len, told.values()))}")


@pytest.mark.parametrize("reason", ["", "  ", "bell\a"])
def test_a_change_needs_a_reason(ledger, reason: str):
    number = ledger.add_reading(HAND, when=DAY)
    with pytest.raises(LedgerError, match="reason"):
        ledger.withdraw(number, reason)
    assert len(ledger.history(number)) == 1


def test_a_correction_is_checked_like_a_reading(ledger):
    number = ledger.add_reading(HAND, when=DAY)
    with pytest.raises(LedgerError, match=r"finish 0 is out of range.*Nothing was changed"):
        ledger.correct(number, dataclasses.replace(HAND, finish=0), "slip")
    with pytest.raises(LedgerError, match="none of that number"):
        ledger.correct(99, HAND, "slip")


@pytest.mark.parametrize("number", [99, -(2**63), 2**63, "1", None])
def test_what_is_no_reading_of_the_ledger_is_said(ledger, number):
    """Whatever is asked for: the file itself holds no number of 64 bits and more."""
    ledger.add_reading(HAND, when=DAY)
    with pytest.raises(LedgerError, match="none of that number"):
        ledger.reading(number)


def test_every_version_says_when_it_was_recorded(ledger):
    before = database.now()
    number = ledger.add_reading(HAND, when=DAY)
    ledger.correct(number, reading(finish=2), "slip")
    ledger.withdraw(number, "another printer's piece")
    recorded = [version.recorded_at for version in ledger.history(number)]
    assert [before, *recorded, database.now()] == sorted([before, *recorded, database.now()])
    assert len(recorded) == 3


def test_the_file_itself_refuses_changes(ledger):
    """Even a program that goes past this API cannot change or delete a record by accident."""
    number = ledger.add_reading(HAND, when=DAY)
    db = sqlite3.connect(ledger.path)
    for statement in (
        *("UPDATE version SET finish = 1", "DELETE FROM version", "DELETE FROM reading"),
        *("UPDATE reading SET cell = 'x'", "DELETE FROM material_settings"),
    ):
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            db.execute(statement)
    db.close()
    assert ledger.reading(number).reading == HAND


def test_readings_are_found_by_printer_and_material(ledger):
    ledger.add_printer(Printer("lighthouse"))
    ledger.add_material(Material("PETG", nozzle_temperature_c=240.0, glass_temperature_c=80.0))
    ledger.add_reading(HAND, when=DAY)
    ledger.add_reading(dataclasses.replace(HAND, printer="lighthouse"), when=DAY)
    ledger.add_reading(dataclasses.replace(HAND, material="PETG"), when=DAY)
    assert [r.id for r in ledger.readings(printer="harbour mole")] == [1, 3]
    assert [r.id for r in ledger.readings(material="PLA")] == [1, 2]
    assert [r.id for r in ledger.readings("lighthouse", "PLA")] == [2]


def test_the_digest_changes_whenever_what_a_fit_rests_on_does(ledger):
    seen = [ledger.readings_digest()]

    def changed() -> bool:
        seen.append(ledger.readings_digest())
        return seen[-1] not in seen[:-1]

    number = ledger.add_reading(HAND, when=DAY)
    assert changed()
    ledger.correct(number, reading(finish=2), "slip")
    assert changed()
    ledger.withdraw(number, "slip")
    assert changed()
    ledger.restore(number, "slip")
    assert changed()
    ledger.add_material(Material(taut_strain=0.02))
    assert changed()
    ledger.add_material(Material(taut_strain=0.02))
    assert not changed(), "the same description is nothing new"
    ledger.save_fit("{}", seen[-1])
    assert not changed()


def test_the_last_fit_is_kept(ledger):
    assert ledger.fit() is None
    for k in range(25):
        ledger.save_fit(f"fit {k}", f"digest {k}")
    stored = ledger.fit()
    assert stored is not None
    text, digest, when, sound = stored
    assert (text, digest, sound) == ("fit 24", "digest 24", True) and when.endswith("Z")


def test_descriptions_keep_their_history(ledger):
    ledger.add_material(Material(price_per_kg=30.0), "new supplier")
    assert ledger.materials()["PLA"].price_per_kg == 30.0
    db = sqlite3.connect(ledger.path)
    numbers = db.execute("SELECT number FROM material_settings WHERE name = 'PLA' ORDER BY number")
    assert numbers.fetchall() == [(1,), (2,)]
    db.close()
    assert list(ledger.printers()) == ["harbour mole"]
    with pytest.raises(FalseworkError, match="out of range"):
        ledger.add_material(Material("dream", density_g_cm3=0.0))
    assert "dream" not in ledger.materials()


def test_processes_spools_and_prints(ledger):
    digest = ledger.add_process(Process(name="bench"))
    assert ledger.process(digest) == Process(name="bench")
    assert ledger.add_process(Process(name="bench")) == digest
    with pytest.raises(LedgerError, match="knows none of digest"):
        ledger.process("0" * 64)
    spool = ledger.add_spool("PLA", "grey 7", "a little damp", DAY)
    assert ledger.add_spool("PLA", "grey 7") == spool
    with pytest.raises(LedgerError, match="no material 'cork'"):
        ledger.add_spool("cork", "1")
    ledger.add_plan("ab" * 32, "cleat", Process(name="bench"), {"undersides": 3})
    number = ledger.add_print("harbour mole", "PLA", plan="ab" * 32, spool=spool, printed_on=DAY)
    (found,) = ledger.prints()
    assert (found.id, found.plan, found.spool, found.printed_on) == (number, "ab" * 32, spool, DAY)
    with pytest.raises(LedgerError, match="no plan"):
        ledger.add_print("harbour mole", "PLA", plan="cd" * 32)
    with pytest.raises(LedgerError, match="no print 7"):
        ledger.add_reading(HAND, print_id=7, when=DAY)


def test_every_field_of_a_reading_has_its_column(ledger):
    """A field added to Reading or Condition needs a step in schema.py."""
    from falsework.ledger.values import READ

    db = sqlite3.connect(ledger.path)
    columns = {row[1] for row in db.execute("PRAGMA table_info(version)")}
    db.close()
    assert set(READ) <= columns


def test_what_would_be_refused_is_told_before_and_in_the_same_words(ledger):
    strange = dataclasses.replace(HAND, printer="lighthouse")
    (told,) = ledger.faults(Entry(strange))
    assert "no printer 'lighthouse'" in told
    assert ledger.faults(Entry(HAND)) == []


def test_events_are_those_of_the_printer_asked_for_and_withdrawn_ones_only_where_asked(ledger):
    ledger.add_printer(Printer("lighthouse"))
    ours, theirs = (ledger.add_event(name, "nozzle replaced", DAY) for name in ("harbour mole", "lighthouse"))
    gone = ledger.add_event("harbour mole", "belt tightened", DAY)
    ledger.withdraw_event(gone, "it was the other one")
    assert [e.id for e in ledger.events()] == [ours, theirs]
    assert [e.id for e in ledger.events("harbour mole")] == [ours]
    assert [e.id for e in ledger.events("harbour mole", withdrawn=True)] == [ours, gone]


@pytest.mark.parametrize("sort", ["of no cell", "of a cell", "of a print's cell"])
def test_whether_a_reading_is_there_already_is_asked_at_the_same_price_however_many_are(ledger, sort) -> None:
    """In steps of the database, which no other work on the machine changes."""

    def numbered(k: int) -> Entry:
        entry = Entry(reading(tried(BRIDGE, span_mm=10.0 + 0.01 * k), droop_mm=0.1), measured_on=DAY)
        if sort == "of no cell":
            return entry
        return dataclasses.replace(entry, cell=f"a{k}", print_id=tray if "print" in sort else None)

    def steps() -> int:
        taken = 0

        def counted() -> None:
            nonlocal taken
            taken += 1

        with database.reading(ledger.path) as db:
            db.set_progress_handler(counted, 1)
            assert twin(db, numbered(5000)) is None
        return taken

    tray = ledger.add_print("harbour mole", "PLA", printed_on=DAY)
    ledger.add_many([numbered(k) for k in range(20)])
    few = steps()
    ledger.add_many([numbered(k) for k in range(20, 420)])
    assert steps() <= few + 20
