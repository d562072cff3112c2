"""Ways to get a bad rod out of the lab, each with the sentence that shut the door."""

from __future__ import annotations

import re

import pytest

from labkit.catalog.places import templates_dir
from labkit.core.case.identifier import grouped
from labkit.core.jsonable import jsonable
from labkit.workflow.inspection.judged_set import set_to_judge
from labkit.workflow.inspection.lots import Lot
from labkit.workflow.rods.slots import slots_of
from tests.documents.pdfs import squeezed, text_of
from tests.support.making import CASE
from tests.support.measured import MICROMETER, PINS, measure_all, record_reading
from tests.workflow.test_release import FIRST, let_go, place, refused


def test_a_calibration_that_had_run_out(recorded, out):
    rod, _ = place(recorded, 2, "right")
    event = record_reading(recorded, rod)
    instrument = event.body["details"]["instrument"]
    due = {**instrument, "calibration_due": "2031-03-19"}
    record_reading(recorded, rod, corrects=event.seq, instrument=due)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert line == (
        f"{rod.label} right ({grouped(rod.identifier)}): measured on 2031-03-20 with "
        f"{instrument['title']}, whose calibration was due on 2031-03-19; measure with a "
        f"calibrated one, and record that with `labkit inspect {CASE} --set {FIRST} --again "
        "REASON`"
    )


def _without(name):
    return {name: None}


def _as_example(tool):
    return {"instrument": {**tool, "name": "m-3", "example": True}}


def _example_of_old(tool):
    return {"instrument": {**tool, "name": "example-micrometer"}}


#: How a rod was measured → what keeps it back.
NOT_TO_BE_TRUSTED = {
    "no instrument": (lambda _: _without("instrument"), "no instrument is named"),
    "no gauge pins": (lambda _: _without("gauge_pins"), "no set of gauge pins is named"),
    "an example": (_as_example, "m-3 is an invented example; measure with one of the lab's own"),
    "an example of old": (_example_of_old, "example-micrometer is an invented example"),
    "no due date": (
        lambda tool: {"instrument": {**tool, "calibration_due": None}},
        "the file of micrometer-7 does not say when its calibration is due",
    ),
    "no day": (lambda _: _without("measured_on"), "the day of measuring is not known"),
}


@pytest.mark.parametrize("name", NOT_TO_BE_TRUSTED)
def test_a_gauge_that_may_not_be_trusted_releases_nothing(recorded, out, name):
    change, sentence = NOT_TO_BE_TRUSTED[name]
    for slot in slots_of(recorded.ledger, set_to_judge(recorded.ledger, CASE, None)):
        record_reading(recorded, slot.rod, **change(jsonable(MICROMETER)))
    _, line = refused(recorded, out)
    assert sentence in line
    assert line.count(" left (") == line.count(" right (") == 2


def test_gauge_pins_out_of_calibration_count_as_an_instrument(recorded, out):
    rod, _ = place(recorded, 1, "left")
    record_reading(
        recorded, rod, gauge_pins={**jsonable(PINS), "calibration_due": "2031-03-19"}
    )
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert "with Gauge pins 2, whose calibration was due on 2031-03-19" in line


def test_a_temperature_that_nothing_covers(recorded, out):
    """As earlier programs recorded it: 38 °C by a budget for 20 ± 3 °C."""
    rod, name = place(recorded, 2, "right")
    record_reading(recorded, rod, temperature_c=38.0)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert line.startswith(f"{name}: 38 °C is not covered: the uncertainty of micrometer-7")
    assert "let rod and gauge come to 20 °C, measure it again" in line


def test_the_lot_of_the_material_is_asked_for(recorded, out):
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, material_lot=None)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert line == (
        f"{rod.label} left ({grouped(rod.identifier)}): the lot of the material is not known; "
        "give it with `--lot LOT`, next time with the readings; a lab that keeps no lots says so "
        "once in its profile (lot_asked = false)"
    )
    refused(recorded, out, lot=Lot(" "))
    told = let_go(recorded, out, lot=Lot("B-17")).event.body["basis"]["rods"]
    assert [each["material_lot"] for each in told] == ["B-17", "B-07", "B-07", "B-07"]


def test_a_lab_that_keeps_no_lots(recorded, out):
    record_reading(recorded, place(recorded, 1, "left")[0], material_lot=None)
    measure_all(recorded, CASE)
    let_go(recorded, out, asked={"lot_asked": False})


@pytest.mark.parametrize("by", ["mo", "Mo", "lee"])
def test_who_measured_or_recorded_does_not_release(recorded, out, by):
    """mo recorded every reading; lee measured one rod."""
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, measured_by="lee")
    measure_all(recorded, CASE)
    (_, line) = refused(recorded, out, by=by)
    assert line == (
        f"{by} measured {'1 rod' if by == 'lee' else '4 rods'} of the set, or recorded the "
        "readings, and cannot release it; let another person release it with `labkit release "
        "--by`; a lab of one person says so once in its profile (one_person = true)"
    )


def test_a_lab_of_one_person_says_so_on_its_certificate(recorded, out):
    measure_all(recorded, CASE)
    done = let_go(recorded, out, by="mo", asked={"one_person": True})
    assert done.event.body["basis"]["one_person"] is True
    assert squeezed(
        "Measured and released by one person, mo: the profile says that the lab is one person."
    ) in squeezed(text_of(done.certificate.read_bytes()))


def test_the_sets_own_profile_speaks_where_none_is_named(recorded, out):
    """The set of the tests was made without a profile: another person is asked for."""
    measure_all(recorded, CASE)
    assert "cannot release it" in refused(recorded, out, by="mo")[1]
    assert "cannot release it" in refused(recorded, out, by="mo", asked={"one_person": False})[1]
    assert let_go(recorded, out).event.body["basis"]["one_person"] is False


def test_every_way_in_the_guide_has_its_test():
    guide = (templates_dir().parent / "DEVELOPERS.md").read_text("utf-8")
    rooms = {"W": "tests/workflow", "C": "tests/cli", "Q": "tests/qa", "L": "tests/ledger"}
    table = guide.partition("| way | test |\n")[2].partition("\n\n")[0].splitlines()[1:]
    assert len(table) >= 25
    for row in table:
        way, room, file, name = re.fullmatch(
            r"\| ([^|]+) \| `([\w/]+)/(\w+\.py)::(\w+)` \|", row
        ).groups()
        text = (templates_dir().parent / rooms.get(room, room) / file).read_text("utf-8")
        assert f"\ndef {name}(" in text, (way, name)
