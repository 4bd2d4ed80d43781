"""The whole ledger as JSON and back; merging two ledgers; documents that are none."""

from __future__ import annotations

import json
import random
from copy import deepcopy
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from falsework.coupon.reading import Condition, ConditionKind, LetGo, Reading
from falsework.errors import LedgerError
from falsework.ledger import Entry, Ledger
from falsework.process.settings import Material, Printer
from ledger.samples import BRIDGE, DAY, HAND, full, museum, reading


@pytest.fixture(scope="module")
def text(tmp_path_factory) -> str:
    return full(tmp_path_factory.mktemp("full")).export_json()


def test_what_is_exported_and_imported_is_exported_again(text, tmp_path):
    other = Ledger.open(tmp_path / "other.sqlite3")
    brought = other.import_json(text)
    assert other.export_json() == text
    assert brought.added["readings"] == 5 and brought.known == 0 and brought.notes == ()


def test_importing_twice_adds_nothing(text, tmp_path):
    other = Ledger.open(tmp_path / "other.sqlite3")
    other.import_json(text)
    digest = other.readings_digest()
    again = other.import_json(text)
    assert again.added == {} and again.known == 5
    assert other.export_json() == text and other.readings_digest() == digest


def test_everything_comes_along(text, tmp_path):
    one, other = full(tmp_path / "one"), Ledger.open(tmp_path / "other.sqlite3")
    other.import_json(one.export_json())
    assert other.readings(withdrawn=True) == one.readings(withdrawn=True)
    assert [other.history(r.id) for r in other.readings()] == [one.history(r.id) for r in one.readings()]
    assert (other.printers(), other.materials()) == (one.printers(), one.materials())
    assert (other.coupons(), other.plans(), other.prints()) == (one.coupons(), one.plans(), one.prints())
    assert (other.spools(), other.photographs()) == (one.spools(), one.photographs())
    for digest in {plan.process for plan in one.plans().values()}:
        assert other.process(digest) == one.process(digest)


def test_the_export_says_what_is_invented(text):
    document = json.loads(text)
    assert document["notice"] == "1 of 4 readings are invented for demonstration, never measured."
    marked = [v["invented"] for r in document["readings"] for v in r["versions"]]
    assert marked.count(True) == 1


def test_two_ledgers_are_merged(text, tmp_path):
    ours = museum(tmp_path)
    ours.add_reading(HAND, when=DAY)
    ours.import_json(text)
    assert len(ours.readings()) == 5
    assert ours.materials()["PLA"] == Material(price_per_kg=31.5), "a longer history of the same beginning"
    uids = [r.uid for r in ours.readings(withdrawn=True)]
    assert len(set(uids)) == 6


def test_a_material_described_otherwise_stays_as_it_is_here_and_that_is_said(text, tmp_path):
    ours = Ledger.open(tmp_path / "ours.sqlite3")
    ours.add_material(Material(taut_strain=0.02))
    brought = ours.import_json(text)
    assert ours.materials()["PLA"].taut_strain == 0.02
    (note,) = brought.notes
    assert "material 'PLA' is described otherwise there" in note and "taut_strain" in note


def test_changes_made_elsewhere_are_added_and_changes_on_both_sides_refused(text, tmp_path):
    here, there = (Ledger.open(tmp_path / name) for name in ("here.sqlite3", "there.sqlite3"))
    here.import_json(text)
    there.import_json(text)
    there.correct(4, reading(BRIDGE, droop_mm=0.5), "measured again")
    here.import_json(there.export_json())
    assert here.reading(4).reading.droop_mm == 0.5 and here.history(4) == there.history(4)
    there.withdraw(4, "bent")
    here.withdraw(4, "too old")
    before = here.export_json()
    with pytest.raises(LedgerError, match="differs in version 3 from reading 4 here"):
        here.import_json(there.export_json())
    assert here.export_json() == before


number = st.floats(allow_nan=False, allow_infinity=False)
words = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=12)
notes = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Zl", "Zp"]), max_size=30).filter(
    str.isprintable
)


@st.composite
def entries(draw) -> Entry:
    kind = draw(st.sampled_from(ConditionKind))
    layer = draw(st.floats(0.05, 0.4))
    common = (kind, 0.4, layer, draw(st.floats(0.4, 0.9)), draw(st.floats(150, 300)), draw(st.floats(0, 1)))
    tried = Condition(*common, draw(st.floats(1, 500)), draw(st.floats(0, 60)))
    outcome = {"finish": draw(st.none() | st.integers(1, 5)), "droop_mm": draw(st.floats(-1, 100))}
    if kind is ConditionKind.OVERHANG:
        tried = replace(tried, angle_deg=draw(st.floats(0, 90)))
    elif kind is ConditionKind.BRIDGE:
        tried = replace(tried, span_mm=draw(st.floats(0.1, 1000)))
    else:
        gap = layer * draw(st.integers(0, 5))
        tried = replace(tried, air_gap_mm=gap, interface_layers=draw(st.integers(0, 20)), spacing_mm=2.5)
        tried = replace(tried, weave=draw(st.sampled_from(["parallel", "crossed"])))
        outcome["let_go"] = draw(st.none() | st.sampled_from(LetGo))
    given = Reading("harbour mole", "PLA", tried, **outcome, invented=draw(st.booleans()))
    return Entry(given, cell=draw(st.none() | words), measured_on=DAY, note=draw(notes))


@settings(
    max_examples=8,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(entries(), min_size=1, max_size=8, unique_by=lambda e: e.cell or id(e)))
def test_round_trips_to_the_last_bit(tmp_path_factory, tray):
    folder = tmp_path_factory.mktemp("trip")
    one = museum(folder)
    one.add_many(tray)
    assert [r.reading for r in one.readings()] == [entry.reading for entry in tray]
    assert all(r.note == entry.note.strip() for r, entry in zip(one.readings(), tray, strict=True))
    by_json, by_csv = Ledger.open(folder / "json.sqlite3"), museum(folder / "csv")
    by_json.import_json(one.export_json())
    assert by_json.export_json() == one.export_json()
    by_csv.import_csv(one.export_csv().encode())
    assert by_csv.export_csv() == one.export_csv()
    assert [r.reading for r in by_csv.readings()] == [entry.reading for entry in tray]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is not a JSON document"),
        ("[" * 100_000, "is not a JSON document"),
        ("[]", "has no schema"),
        ("{}", "has no schema"),
        ('{"schema": "falsework.ledger/9"}', "has schema 'falsework.ledger/9'"),
        ('{"schema": "falsework.ledger/1", "readings": NaN}', "NaN is not a number"),
        ('{"schema": "falsework.ledger/1", "readings": {}}', "readings: is not a list"),
        ('{"schema": "falsework.ledger/1", "readings": [1]}', "is not an object"),
        ('{"schema": "falsework.ledger/1", "secrets": []}', "secrets: is no table"),
        (
            '{"schema": "falsework.ledger/1", "readings": [{"uid": ' + "9" * 5000 + "}]}",
            "not a JSON document",
        ),
    ],
)
def test_what_is_no_export_is_refused(tmp_path, text: str, message: str):
    ledger = museum(tmp_path)
    with pytest.raises(LedgerError, match=message):
        ledger.import_json(text)


def changed(document: dict, path: tuple, value) -> dict:
    document = deepcopy(document)
    place = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return document


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (("readings", 0, "versions", 0, "finish"), 7, "finish 7 is out of range"),
        (("readings", 0, "versions", 0, "droop_mm"), 1e300, "out of range"),
        (("readings", 0, "versions", 0, "measured_on"), "2999-01-01", "lies in the future"),
        (("readings", 0, "versions", 0, "measured_on"), "2024-02-31", "is not a day"),
        (("readings", 0, "versions", 1, "reason"), "", "has no reason"),
        (("readings", 0, "versions", 1, "act"), "recorded", "does not begin with its one record"),
        (("readings", 0, "versions", 0, "flags"), "odd", "flags"),
        (("readings", 0, "versions", 0, "printer"), "ghost", "refers to printer 'ghost'"),
        (("readings", 0, "versions"), [], "does not begin"),
        (("readings", 0, "print"), "nowhere", "refers to print 'nowhere'"),
        (("readings", 0, "air_beneath_mm"), 10**400, "out of range"),
        (("readings", 0, "uid"), "\ud800", "is not a name"),
        (("readings", 1, "coupon"), "XXX", "refers to coupon 'XXX'"),
        (("readings", 0, "extra"), 1, "unknown field 'extra'"),
        (("readings", 0, "source"), ["print"], "is not a source"),
        (("readings", 0, "source"), "hearsay", "is not a source"),
        (("readings", 0, "versions", 0, "act"), "guessed", "is not"),
        (("materials", 0, "settings"), {"name": "PLA", "density_g_cm3": -1.0}, "out of range"),
        (("materials", 0, "settings"), {"name": "PLA", "colour": "\ud800"}, "holds what no ledger can"),
        (("materials", 0, "settings"), [], "is not an object"),
        (("processes", 0, "settings", "fan"), 0.5, "do not give its digest"),
        (("processes", 0, "settings"), {}, "digest"),
        (("coupons", 0, "document"), "{}", "coupons[0]"),
        (("coupons", 0, "code"), "ZZZ", "holds piece G7K"),
        (("photographs", 0, "media"), "text/html", "not a known kind of photograph"),
        (("photographs", 0, "digest"), "../../etc/passwd", "SHA-256"),
        (("attachments", 0, "reading"), None, "not exactly one thing"),
        (("prints", 0, "spool"), "green", "is of a spool 'green'"),
        (("prints", 0, "invented"), "no", "true or false"),
    ],
)
def test_a_record_that_cannot_be_is_named_and_nothing_imported(text, tmp_path, path, value, message: str):
    ledger = Ledger.open(tmp_path / "ledger.sqlite3")
    with pytest.raises(LedgerError) as caught:
        ledger.import_json(json.dumps(changed(json.loads(text), path, value)), "friend.json")
    assert message in str(caught.value) and "friend.json" in str(caught.value)
    assert ledger.readings(withdrawn=True) == [] and ledger.materials() == {}


def test_no_mangled_document_breaks_it(text, tmp_path):
    """Whatever is wrong with a document, a sentence says so, and nothing of it stays."""
    ledger = Ledger.open(tmp_path / "ledger.sqlite3")
    empty = ledger.export_json()
    dice = random.Random(4)
    whole = json.loads(text)
    junk = [None, -1, 1e308, "", "x" * 300, [], {}, [[]], {"a": 1}, True, "\x00", "1970-01-01"]

    def places(node, path=()):
        if isinstance(node, dict | list):
            for key in node.keys() if isinstance(node, dict) else range(len(node)):
                yield (*path, key)
                yield from places(node[key], (*path, key))

    everywhere = list(places(whole))
    refused = 0
    for _ in range(100):
        broken = changed(whole, dice.choice(everywhere), dice.choice(junk))
        try:
            ledger.import_json(json.dumps(broken))
        except LedgerError:
            refused += 1
            assert ledger.export_json() == empty
        else:
            ledger = Ledger.open(tmp_path / f"{refused}-{dice.random()}.sqlite3")
    assert refused > 50


def test_a_document_from_before_a_field_was_added_is_read(text, tmp_path):
    document = json.loads(text)
    for record in document["readings"]:
        for step in record["versions"]:
            del step["perimeter_lines"]
    ledger = Ledger.open(tmp_path / "ledger.sqlite3")
    ledger.import_json(json.dumps(document))
    assert all(r.reading.condition.perimeter_lines is None for r in ledger.readings())


def test_printers_are_told_apart_by_name(text, tmp_path):
    ledger = Ledger.open(tmp_path / "ledger.sqlite3")
    ledger.add_printer(Printer("lighthouse"))
    notes = ledger.import_json(text).notes
    assert len(notes) == 1 and "build_width_mm" in notes[0]


def test_a_material_whose_history_parts_later_is_told(tmp_path):
    """Both began alike, and were described otherwise since."""
    for name, price in (("ours", 30.0), ("theirs", 32.0)):
        (tmp_path / name).mkdir()
        museum(tmp_path / name).add_material(Material(price_per_kg=price), "a new spool")
    ours, theirs = (Ledger.open(tmp_path / name / "ledger.sqlite3") for name in ("ours", "theirs"))
    (note,) = ours.import_json(theirs.export_json()).notes
    assert note == "material 'PLA' is described otherwise there (price_per_kg); ours stands"
    assert ours.materials()["PLA"].price_per_kg == 30.0
