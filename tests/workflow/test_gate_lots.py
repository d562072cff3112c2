"""Lots that may not be used any more, temperatures that nobody told."""

from __future__ import annotations

import datetime

import pytest

from labkit.core.jsonable import jsonable
from labkit.workflow.inspection.inspect import decision_from_record
from labkit.workflow.inspection.inspect_report import ending
from labkit.workflow.inspection.lots import Lot
from labkit.workflow.inspection.release import not_yet
from labkit.workflow.record.history import history_of, history_report
from tests.documents.pdfs import squeezed, text_of
from tests.support.making import CASE
from tests.support.measured import MICROMETER, measure_all, record_reading
from tests.workflow.test_release import FIRST, let_go, place, refused

#: The set is made on the 14th, measured on the 20th.
BEFORE, BETWEEN, AFTER = "2031-03-13", "2031-03-16", "2031-09-30"


def measured(recorded, **details):
    """Measure every rod, the first one with more told of it."""
    rod, _ = place(recorded, 1, "left")
    event = record_reading(recorded, rod, **details)
    measure_all(recorded, CASE)
    return rod, event


def test_a_lot_that_was_out_of_date_when_the_set_was_made(recorded, out):
    rod, _ = measured(recorded, use_before=BEFORE)
    _, line = refused(recorded, out)
    assert line.startswith(f"{rod.label} left (")
    assert "lot B-07 was to be used before 2031-03-13, and the set was made after that" in line
    inspected = decision_from_record(recorded.ledger, CASE)
    *_, last = ending(inspected, {"": 1}, "mo", not_yet(recorded.ledger, inspected))
    assert last == f"Not yet: {line}"


def test_a_lot_that_ran_out_between_making_and_measuring_is_asked_about(recorded, out):
    _, event = measured(recorded, use_before=BETWEEN)
    _, line = refused(recorded, out)
    assert "lot B-07 was to be used before 2031-03-16, and the rods were measured after" in line
    entries = range(event.seq, event.seq + 4)  # told once of a lot
    assert line.endswith(
        f"were they printed in time; answer it with `--answer {entries[0]}-{entries[-1]} TEXT`"
    )
    answer = "printed on the 15th, by the machine's list"
    done = let_go(recorded, out, answers=dict.fromkeys(entries, answer))
    assert any("printed in time; answered by kim" in note for note in done.notes)


def test_certificate_and_history_tell_until_when_a_lot_may_be_used(recorded, out):
    measured(recorded, use_before=AFTER)
    done = let_go(recorded, out)
    told = done.event.body["basis"]["rods"]
    assert [one["use_before"] for one in told] == [AFTER] * 4  # told once of a lot
    paper = squeezed(text_of(done.certificate.read_bytes()))
    assert squeezed(f"B-07, use before {AFTER}") in paper
    report = history_report(history_of(recorded.ledger, CASE))
    (lot,) = report.data["material"]
    assert (lot["lot"], lot["use_before"], len(lot["identifiers"])) == ("B-07", AFTER, 4)
    assert report.table("Material").cells("use_before") == (AFTER,)


def test_a_lot_told_at_the_release_is_looked_at_too(recorded, out):
    measured(recorded, material_lot=None)
    late = Lot("B-17", datetime.date.fromisoformat(BEFORE))
    assert "lot B-17 was to be used before" in refused(recorded, out, lot=late)[1]
    told = let_go(recorded, out, lot=Lot("B-17", datetime.date.fromisoformat(AFTER))).event
    assert [(one["material_lot"], one["use_before"]) for one in told.body["basis"]["rods"]] == [
        ("B-17", AFTER), *[("B-07", None)] * 3,
    ]


def test_a_lab_may_ask_until_when_its_lots_may_be_used(recorded, out):
    measured(recorded, material_lot="B-08", use_before=AFTER)
    asked = {"use_before_asked": True}
    _, line = refused(recorded, out, asked=asked)
    assert line == (
        "until when lot B-07 may be used is not known; give it with `--lot LOT --use-before DAY`, "
        "next time with the readings"
    )
    let_go(recorded, out, asked=asked, lot=Lot("B-07", datetime.date.fromisoformat(AFTER)))


@pytest.mark.parametrize(("thermometer", "asked", "says"), [
    (None, {"temperature_asked": True}, "and the profile asks for it (temperature_asked)"),
    (0.2, None, "and lengths of micrometer-7 are corrected to 20 °C by it"),
])
def test_a_temperature_that_nobody_told_is_asked_for(recorded, out, thermometer, asked, says):
    tool = {**jsonable(MICROMETER), "thermometer_c": thermometer}
    rod, _ = measured(recorded, temperature_c=None, instrument=tool)
    _, line = refused(recorded, out, asked=asked)
    assert line.startswith(f"{rod.label} left (")
    assert "the temperature at which it was measured is not known" in line
    assert says in line
    assert f"`labkit inspect {CASE} --set {FIRST} " in line


def test_where_nothing_asks_for_it_the_room_of_the_budget_stands(recorded, out):
    measured(recorded, temperature_c=None)
    let_go(recorded, out)
