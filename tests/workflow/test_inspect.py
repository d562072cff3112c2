"""Inspection and the record: what is recorded decides the same; all rods are recorded, or none."""

from __future__ import annotations

import datetime
import json
from dataclasses import fields, replace
from decimal import Decimal

import pytest

from labkit.catalog.instruments import gauge_pins, instruments
from labkit.core.gauging.ways_of_measuring import Method
from labkit.core.report import data_of
from labkit.errors import InputError, LedgerError, RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.ledger.verify import verify
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.readings import RodReadings, Source
from labkit.qa.files.form_columns import TOLD
from labkit.units import as_written
from labkit.workflow.inspection.inspect import (
    decision_from_record,
    inspect,
    record_readings,
)
from labkit.workflow.inspection.inspect_report import inspection_report
from labkit.workflow.sets.bench import bench_of, side_tolerances
from tests.support.inspection import CASE, SET, TODAY, record_set
from tests.support.measured_sets import scanned
from tests.support.prescriptions import SMALLEST, changed

KNOWN = instruments()
STAMP = ("quinn", TODAY)


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        record_set(ledger)
        yield ledger


def by_hand(inspection, off=None, instrument="example-micrometer", **more):
    """Measure every rod over pins, three readings each, some of them off by so much."""
    bench, off = inspection.bench, off or {}
    rods = []
    for at, place in enumerate(bench.places):
        rod = place.expected
        nominal = rod.length_mm + bench.way(Method.OVER).shift_mm + Decimal(off.get(at, "0"))
        readings = tuple(nominal + Decimal(each) for each in ("0.012", "0.014", "0.013"))
        rods.append(bench.measured(RodReadings(
            identifier=rod.identifier, method=Method.OVER, readings_mm=readings,
            gauge_pins_mm="2.50", label_read=rod.engraved, fittings=True, look=(),
            instrument=KNOWN.get(instrument),
            measured_on=TODAY.date(), **more,
        )))
    return rods


@pytest.mark.parametrize("instrument", [None, "example-micrometer", "example-calliper"])
@pytest.mark.parametrize("off", [{}, {3: "0.3"}, {0: "-1.5", 2: "1.5"}, {4: "0.1", 5: "-0.1"}])
def test_the_record_decides_as_the_readings_did(ledger, off, instrument):
    before = inspect(ledger, CASE, None, (), KNOWN)
    rods = by_hand(before, off, instrument, remark="x", material_lot="B-7", temperature_c=21.0)
    told = inspect(ledger, CASE, None, rods, KNOWN)
    record_readings(ledger, told, rods, STAMP)
    kept = decision_from_record(ledger, CASE)
    assert kept.decision.result is told.decision.result
    assert kept.decision.findings == told.decision.findings
    assert kept.decision.held == told.decision.held
    for one, other in zip(kept.decision.rods, told.decision.rods, strict=True):
        assert one.length_mm == other.length_mm
        assert as_written(one.budget.to_json()) == as_written(other.budget.to_json())
        assert one.decision.result is other.decision.result
        assert one.decision.probability == pytest.approx(other.decision.probability, abs=1e-6)
        assert one.decision.u_mm == pytest.approx(other.decision.u_mm, abs=1e-9)
        assert replace(one.readings, measured_by=None) == other.readings
    assert kept.recorded[rods[0].expected.identifier].stamp.by == "quinn"
    assert verify(ledger).problems == ()


def test_without_readings_every_rod_is_missing(ledger):
    inspection = decision_from_record(ledger, CASE, SET)
    assert (len(inspection.decision.missing), inspection.decision.result) == (
        10, Result.UNDECIDED,
    )
    told = data_of(inspection_report(inspection, (), {}, None).data)
    assert (len(told["not_measured"]), told["rods"], told["recorded"]) == (10, [], [])


def test_all_rods_are_recorded_or_none(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    rods = by_hand(inspection)
    gone = rods[-1].expected.identifier
    state = {"identifier": gone, "state": "broken", "reason": "fell"}
    ledger.record(Kind.ROD_STATE, CASE, state, "anna", TODAY)
    head = ledger.head()
    with pytest.raises(RefusedError, match="is broken; nothing was recorded"):
        record_readings(ledger, inspection, rods, STAMP)
    assert ledger.head() == head
    record_readings(ledger, inspection, rods[:-1], STAMP)
    after = decision_from_record(ledger, CASE)
    assert [place.identifier for place in after.decision.missing] == [gone]
    assert [slot.rod.state for slot in after.empty] == ["broken"]


def test_measuring_again_wants_a_reason_and_corrects(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    rods = by_hand(inspection)
    first = record_readings(ledger, inspection, rods[:2], STAMP)
    head = ledger.head()
    with pytest.raises(RefusedError, match=r"already measured: 35.9 left .* say why with --again"):
        record_readings(ledger, inspection, rods, STAMP)
    assert ledger.head() == head
    again = record_readings(ledger, inspection, rods, STAMP, "cleaned")
    assert ledger.corrected(CASE) == dict(zip(first, again[:2], strict=True))
    notes = [ledger.event(seq).body.get("note") for seq in again]
    assert notes == ["measured again: cleaned"] * 2 + [None] * 8


@pytest.mark.parametrize(("first", "then"), [({}, {3: "0.3"}), ({3: "0.3"}, {})])
def test_what_is_measured_now_counts_before_what_is_recorded(ledger, first, then):
    """A rod that was good once and is too long now never shows the reading of then."""
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    rods = by_hand(inspection, first)
    record_readings(ledger, inspection, rods, STAMP)
    again = by_hand(inspection, then)
    told = inspect(ledger, CASE, None, again, KNOWN)
    bad = again[3].expected.identifier
    wanted = Result.NOT_CONFORMING if then else Result.CONFORMS
    (rod,) = (one for one in told.decision.rods if one.expected.identifier == bad)
    assert rod.decision.result is wanted
    assert rod.length_mm == again[3].length_mm
    # Once it is recorded, the record says the same.
    record_readings(ledger, told, again, STAMP, "measured again")
    (kept,) = (one for one in decision_from_record(ledger, CASE).decision.rods
               if one.expected.identifier == bad)
    assert (kept.decision.result, kept.length_mm) == (wanted, again[3].length_mm)


def test_what_is_seen_now_counts_before_what_is_recorded(ledger):
    """A rod that was smooth once and is rough now is never shown as it was, nor the other way."""
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    rods = by_hand(inspection)
    record_readings(ledger, inspection, rods, STAMP)
    looked_at = rods[3].expected.identifier
    for look, wanted in ((("smooth",), Result.NOT_CONFORMING), ((), Result.CONFORMS)):
        seen = RodReadings(looked_at, None, measured_on=TODAY.date(), look=look)
        told = inspect(ledger, CASE, None, [seen], KNOWN)
        (rod,) = (one for one in told.decision.rods if one.expected.identifier == looked_at)
        assert rod.result is wanted
        record_readings(ledger, told, [seen], STAMP, "seen again")


@pytest.mark.parametrize(("first", "then"), [({}, {3: "0.3"}), ({3: "0.3"}, {})])
def test_a_length_told_alone_counts_before_the_one_told_with_the_rest(ledger, first, then):
    """What was seen still holds, so that both readings stay in the record."""
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    record_readings(ledger, inspection, by_hand(inspection, first), STAMP)
    rod = by_hand(inspection, then)[3]
    alone = inspection.bench.measured(
        replace(rod.readings, label_read=None, fittings=None, look=None)
    )
    record_readings(ledger, inspection, [alone], STAMP, "measured again")
    assert len(ledger.readings(rod.expected.identifier)) == 2
    (kept,) = (one for one in decision_from_record(ledger, CASE).decision.rods
               if one.expected.identifier == rod.expected.identifier)
    wanted = Result.NOT_CONFORMING if then else Result.CONFORMS
    assert (kept.decision.result, kept.length_mm) == (wanted, rod.length_mm)


def test_one_rod_measured_again_leaves_the_others_as_recorded(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    rods = by_hand(inspection, {3: "0.3"})
    record_readings(ledger, inspection, rods, STAMP)
    again = by_hand(inspection)[:1]
    told = inspect(ledger, CASE, None, again, KNOWN)
    assert len(told.decision.rods) == len(rods)
    assert told.decision.result is Result.NOT_CONFORMING


def test_every_field_of_a_reading_comes_back_from_the_record(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    rod = inspection.bench.places[0].expected
    readings = RodReadings(
        rod.identifier, Method.OVER, (Decimal("38.40"), Decimal("38.410")), "2.50", "35.9",
        fittings=False, instrument=KNOWN["example-micrometer"], temperature_c=21.5,
        material_lot="B-7", measured_on=TODAY.date(), measured_by="mo", checked_on=TODAY.date(),
        checked_by="kim", remark="cold room", source=Source("form.csv", "ab" * 32, 7),
        scan={"noise_mm": 0.02}, gauge_pins=gauge_pins()["example-pins"],
        look=("smooth",), verdict="does not conform",
        use_before=datetime.date(2031, 4, 30),
    )
    assert all(
        getattr(readings, field.name) != field.default for field in fields(RodReadings)
    )  # a field that came since is to be filled in here, too
    record_readings(ledger, inspection, [inspection.bench.measured(readings)], STAMP)
    (kept,) = decision_from_record(ledger, CASE).decision.rods
    assert kept.readings == readings
    assert [str(one) for one in kept.readings.readings_mm] == ["38.40", "38.410"]


def test_every_column_of_the_form_has_its_field():
    names = {field.name for field in fields(RodReadings)}
    assert {column.name for column in TOLD} <= names
    elsewhere = {"identifier", "method", "readings_mm", "source", "scan", "verdict"}
    assert names - elsewhere == {column.name for column in TOLD}


def test_a_scan_is_recorded_by_the_same_road(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    place = inspection.bench.places[0].expected
    rod = scanned(place, 35.912, 0.006, "35.9", fittings=True)
    scan = replace(rod, readings=replace(rod.readings, scan={"noise_mm": 0.02}))
    record_readings(ledger, inspection, [scan], STAMP)
    (kept,) = decision_from_record(ledger, CASE).decision.rods
    assert (kept.length_mm, kept.u_mm) == (35.912, 0.006)
    assert kept.readings == replace(scan.readings, measured_by="quinn")
    reading = ledger.readings(place.identifier)[0]
    assert (reading.quantity, reading.value_um, reading.details["scan"]) == (
        "scan", 35_912, {"noise_mm": 0.02},
    )


def test_readings_of_other_programs_are_left_out_or_refused(ledger):
    identifier = ledger.rods(CASE)[0].identifier
    body = {"identifier": identifier, "quantity": "length", "value_um": 35_910, "gauge": "K-7"}
    ledger.record(Kind.READING, CASE, body, "anna", TODAY)
    assert decision_from_record(ledger, CASE).decision.rods == ()
    ledger.record(Kind.READING, CASE, {**body, "details": {"length_mm": 35.91}}, "anna", TODAY)
    with pytest.raises(RefusedError, match="recorded in a form that this program does not know"):
        decision_from_record(ledger, CASE)


def test_a_reading_against_another_tolerance_is_refused(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    one = by_hand(inspection)[0]
    other = replace(one, expected=replace(one.expected, tolerance_mm=Decimal("0.3")))
    record_readings(ledger, inspection, [other], STAMP)
    with pytest.raises(RefusedError, match="was taken against 35.9 ± 0.3 mm, but the rod is"):
        decision_from_record(ledger, CASE)


def test_what_is_not_there_is_told(ledger):
    with pytest.raises(InputError, match="did you mean QF-1043"):
        decision_from_record(ledger, "QF-1034")
    with pytest.raises(InputError, match="has no set 'QF-1043-r9'"):
        decision_from_record(ledger, CASE, "QF-1043-r9")


def test_nobody_and_no_time_zone_record_nothing(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    one = by_hand(inspection)[:1]
    head = ledger.head()
    with pytest.raises(InputError, match="operator code"):
        record_readings(ledger, inspection, one, (" ", TODAY))
    naive = datetime.datetime(2031, 3, 20, 12)
    with pytest.raises((InputError, LedgerError), match="time zone"):
        record_readings(ledger, inspection, one, ("quinn", naive))
    assert ledger.head() == head


def test_side_tolerances_are_the_rods_own_unless_prescribed(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    own = side_tolerances(inspection.stored, inspection.bench)
    assert set(own.values()) == {Decimal("0.15")}
    assert not inspection.side_tolerance_stated
    text = changed(SMALLEST, ('"QF-1043"', '"QF-2000"'),
                   ("start = 62.5", "start = 62.5\nside_tolerance = 0.08"))
    record_set(ledger, text, "QF-2000")
    stated = inspect(ledger, "QF-2000", None, (), KNOWN)
    told = side_tolerances(stated.stored, stated.bench)
    assert set(told.values()) == {Decimal("0.08")}
    assert stated.side_tolerance_stated


def test_sets_of_older_programs_tell_no_side_tolerance(ledger):
    inspection = inspect(ledger, CASE, None, (), KNOWN)
    spec = inspection.stored.spec.content
    for each in spec["tolerances_mm"]:
        del each["side_tolerance_mm"]
        each["right"] = 0.1
    end = inspection.stored.end
    older = replace(
        inspection.stored, end=replace(end, body_json=json.dumps({**end.body, "spec": spec}))
    )
    bench = bench_of(older, inspection.slots, {older.name: older}, KNOWN)
    assert side_tolerances(older, bench) == dict.fromkeys(range(1, 6), Decimal("0.1"))
