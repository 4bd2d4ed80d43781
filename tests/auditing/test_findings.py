"""What is found in layers, amounts, heights and commands, and how it is said."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from audited import SQUARE
from falsework import load_process
from falsework.auditing import FindingLevel, audit
from falsework.auditing.causes import _instead
from falsework.auditing.copies import Instead
from falsework.auditing.findings import site_findings
from falsework.auditing.pipeline import _gap_below
from falsework.auditing.request import Bed, Reads
from falsework.auditing.sites import FindingSite, Sites, _joined
from programs import Writer, block, heights

PLA = load_process("pla-0.4")
TOPS = 0.2 * np.arange(1, 50)


def met(*amounts: float, layers: int = 1, more: int = 2) -> Sites:
    """Places far from each other, each as long as said."""
    sites = Sites()
    for k, amount in enumerate(amounts):
        x = 20.0 * k
        for layer in range(3, 3 + layers):
            box = (x, 0.0, x + 1.0, 1.0)
            sites.add(FindingSite(layer, TOPS[layer], amount, (x, 0.5), box, (10, 12), amount, more))
    return sites


def told(sites: Sites) -> list:
    return list(site_findings({"on nothing": sites}, None, TOPS))  # type: ignore[arg-type]


def test_the_worst_places_are_told_one_by_one_and_the_rest_is_counted_in_the_last():
    amounts = [float(k) for k in range(1, 16)]
    found = told(met(*amounts))
    assert [f.found for f in found] == sorted(amounts, reverse=True)[:12]
    assert [f.count for f in found] == [2] * 11 + [2 + 3 * 2]
    assert found[-1].says.endswith("(and at 3 more places)")
    assert not any("more places" in f.says for f in found[:-1])


def test_as_many_as_are_told_leave_no_rest():
    found = told(met(*[float(k) for k in range(1, 13)]))
    assert len(found) == 12 and not any("more places" in f.says for f in found)


def test_a_place_says_through_how_many_layers_it_goes():
    (one,), (many,) = told(met(5.0)), told(met(5.0, layers=4))
    assert "layers" not in one.says and many.says.endswith(", through 4 layers")
    assert many.place is not None and many.place.layer == one.place.layer


SOUND = block(Writer(), SQUARE, heights(1.0)).end().bytes()


@pytest.mark.parametrize(("high_mm", "told"), [(0.4, True), (0.6, False)])
def test_a_print_higher_than_the_machine_is_not_to_be_printed(high_mm: float, told: bool):
    found = audit(SOUND, reads=Reads(bed=Bed(200.0, 200.0, high_mm))).findings
    assert [(f.kind, f.level, f.found) for f in found] == [("outside", FindingLevel.RUIN, 1.0)] * told
    if told:
        assert found[0].says.startswith("the print is 1.0 mm high; the machine builds")
        assert SOUND.decode().split("\n")[found[0].lines[0] - 1].startswith("G1")


def fed_by(share: float) -> bytes:
    writer = Writer()
    writer.flow = share
    return block(writer, SQUARE, heights(1.0)).end().bytes()


WIDE = fed_by((1.75 / 2.85) ** 2)


def test_amounts_that_fit_other_filament_are_read_as_made_for_it():
    (finding,) = audit(WIDE).findings
    assert (finding.kind, finding.level) == ("filament diameter", FindingLevel.CAUTION)
    assert finding.found == 2.85
    assert "fit filament of 2.85 mm, not of 1.75 mm" in finding.says
    assert audit(SOUND).findings == ()


def test_for_a_process_that_was_given_they_are_too_little():
    found = audit(WIDE, process=PLA).findings
    assert "filament diameter" not in [f.kind for f in found]
    (finding,) = (f for f in found if f.kind == "underfed")
    assert finding.level is FindingLevel.RUIN and "amounts would fit filament of 2.85 mm" in finding.says


def test_amounts_by_volume_say_nothing_of_a_diameter():
    by_volume = fed_by(np.pi / 4 * 1.75**2)
    assert audit(by_volume, reads=Reads(volumetric=True)).findings == ()


@pytest.mark.parametrize(("gap_mm", "told"), [(0.2, False), (0.235, False), (0.245, True), (0.155, True)])
def test_the_gap_beneath_feet_may_be_off_by_rounding_alone(gap_mm: float, told: bool):
    auditor = SimpleNamespace(
        gap_below=lambda: gap_mm,
        planned=SimpleNamespace(gap_below=SimpleNamespace(realised_mm=0.2)),
        limits=SimpleNamespace(usual=SimpleNamespace(height_mm=0.2)),
    )
    found = list(_gap_below(auditor))
    assert [(f.kind, f.level, f.found, f.planned) for f in found] == [
        ("gap below", FindingLevel.CAUTION, gap_mm, 0.2)
    ] * told


def test_without_feet_on_the_part_no_gap_beneath_them_is_told():
    assert list(_gap_below(SimpleNamespace(gap_below=lambda: None, planned=None))) == []


def test_settings_that_are_kept_beyond_the_print_are_said():
    lines = SOUND.decode().split("\n")
    program = "\n".join([*lines[:6], "M500", *lines[6:]]).encode()
    (finding,) = audit(program).findings
    assert (finding.kind, finding.level, finding.lines) == ("command", FindingLevel.NOTE, (7,))
    assert "keeps the machine's settings" in finding.says


def test_what_changes_the_place_behind_the_last_strand_is_not_told():
    lines = SOUND.decode().split("\n")
    assert audit("\n".join([*lines[:-2], "M92 X80", *lines[-2:]]).encode()).findings == ()


def test_places_beside_each_other_become_one_with_all_that_both_have():
    first = FindingSite(3, 0.6, 2.0, (1.0, 2.0), (0.0, 1.0, 2.0, 3.0), (10, 20), 2.0, 1)
    worse = FindingSite(3, 0.6, 5.0, (8.0, 9.0), (7.0, -1.0, 9.0, 2.0), (5, 15), 5.0, 1)
    for one in (_joined(first, worse), _joined(worse, first)):
        assert one.box_mm == (0.0, -1.0, 9.0, 3.0) and one.lines == (5, 20)
        assert (one.amount, one.at_mm, one.layers) == (5.0, (8.0, 9.0), 1)
    above = _joined(first, replace(worse, layer=4, z_mm=0.8))
    assert (above.layer, above.z_mm, above.layers, above.amount) == (3, 0.6, 2, 5.0)
    assert above.at_mm == first.at_mm


@pytest.mark.parametrize(("tall", "words"), [(1.03, "3.0 % too high"), (0.96, "4.0 % too low")])
def test_a_part_of_another_height_is_told_by_how_much(tall, words):
    found = _instead(SimpleNamespace(name="cowl"), Instead(None, False, (0, 0), 1.0, tall))
    assert words in found.says and found.found == tall and found.level is FindingLevel.RUIN
