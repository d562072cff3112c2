"""A rod that does not conform and is used: a reason, a second person, the prescriber's word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.core.case.identifier import grouped
from labkit.documents.bag_labels import facts as bag_labels
from labkit.errors import InputError, LabkitError, RefusedError
from labkit.ledger.bodies import AsIsBasis, UseAsIs
from labkit.workflow.inspection.inspect import decision_from_record
from labkit.workflow.inspection.release_basis import beyond_maximum, missing_for_release
from labkit.workflow.inspection.release_state import release_now
from labkit.workflow.inspection.use_as_is import Accepted, use_as_is, withdraw
from labkit.workflow.record.lookup import case_story
from labkit.workflow.record.reports import story_report
from labkit.workflow.record.sheet import sheet_report
from labkit.workflow.record.standing import case_rods, standing_of_case
from labkit.workflow.sets.standing import with_standing
from tests.documents.pdfs import squeezed, text_of
from tests.support.dry import first_set
from tests.support.making import CASE, ONE, recorder_for, rod_at
from tests.support.measured import measure_all, record_reading
from tests.support.prescriptions import changed
from tests.workflow.test_release import FIRST, WHEN, let_go, place, refused

WORDS = Accepted("the wearer leaves tomorrow", "Dr Lind, by telephone: 0.2 mm is as good")
REASON = WORDS.reason


def accept(recorded, rod, by="kim", words=WORDS):
    return use_as_is(recorded.ledger, rod.identifier, words, (by, WHEN))


def not_accepted(recorded, rod, **more):
    before = recorded.ledger.head()
    with pytest.raises((InputError, RefusedError)) as caught:
        accept(recorded, rod, **more)
    assert recorded.ledger.head() == before
    return str(caught.value)


@pytest.fixture
def long(recorded):
    """Every rod measured; the left one of the first step is 0.2 mm too long."""
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, "0.20")
    measure_all(recorded, CASE)
    return rod


def test_a_rod_that_is_used_as_is_is_told_everywhere(recorded, out, long):
    assert any("does not conform: 36.100 mm" in line for line in refused(recorded, out))
    report = accept(recorded, long)
    entry = report.data["entry"]
    assert report.data["faults"] == [
        "its length is 36.100 mm (standard uncertainty 0.0212 mm); allowed is 35.750 to 36.050 mm: "
        "does not conform",
        "step 1: left minus right differs from the labels by 0.200 mm; allowed is ±0.15 mm: does "
        "not conform",
    ]
    (accepted,) = (one.faults for one in decision_from_record(recorded.ledger, CASE).as_is.values())
    assert accepted == (
        "length: mm=36.100 u=0.0212 low=35.750 high=36.050 result=NOT_CONFORMING",
        "sides: step=1 mm=0.200 allowed=0.15 result=NOT_CONFORMING",
    )
    done = let_go(recorded, out, by="lee")
    rods = done.event.body["basis"]["rods"]
    assert [bool(rod["as_is"]) for rod in rods] == [True, False, False, False]
    assert rods[0]["result"] == "does not conform"
    printed = squeezed(text_of(done.certificate.read_bytes()))
    for words in (
        "4 rods: 3 conform; 1 is used as is, by the prescriber's word, see below",
        "These rods do not conform.", "its length is 36.100 mm", REASON, WORDS.prescriber,
        f"entry {entry}",
    ):
        assert squeezed(words) in printed, words
    assert squeezed("every one conforms") not in printed
    ledger, beside = recorded.ledger, "left rod used as is, 36.100 mm measured"
    story = story_report(case_story(ledger, CASE))
    assert f"rod {grouped(long.identifier)} is used as is: its length is 36.100" in story.words
    assert f"the prescriber's word: {WORDS.prescriber}" in story.words
    assert beside in str(story.table("Rods, and what they make now").rows)
    sheet = sheet_report(standing_of_case(ledger, CASE))
    assert any(beside in str(row) for one in sheet.sections if one.table for row in one.table.rows)
    spec = with_standing(ledger.set_named(FIRST).spec.content, ledger)
    marks = {one["identifier"]: one["mark"] for one in bag_labels(spec)["labels"]}
    assert marks[grouped(long.identifier)] == "used as is, 36.100 mm measured"
    assert sum(bool(mark) for mark in marks.values()) == 1


def test_taken_back_the_release_does_not_stand(recorded, out, long):
    accept(recorded, long)
    done = let_go(recorded, out, by="lee")
    withdraw(recorded.ledger, long.identifier, "the wearer is back", ("kim", WHEN))
    (why,) = release_now(recorded.ledger, done.stored).why_not
    assert f"that the rod {grouped(long.identifier)} (step 1, left) is used as is was taken" in why
    assert any("does not conform" in line for line in refused(recorded, out))
    with pytest.raises(RefusedError, match="is not used as is; nothing was recorded"):
        withdraw(recorded.ledger, long.identifier, "again", ("kim", WHEN))


def test_it_holds_for_the_readings_that_it_was_said_of(recorded, out, long):
    accept(recorded, long)
    (reading,) = recorded.ledger.readings(long.identifier)
    record_reading(recorded, long, "0.24", corrects=reading.stamp.seq)
    assert decision_from_record(recorded.ledger, CASE).as_is == {}
    assert any("does not conform: 36.140 mm" in line for line in refused(recorded, out, by="lee"))


def test_an_earlier_version_recorded_sentences(recorded, out, long):
    """They count as the codes do, and read as today's sentences."""
    (reading,) = recorded.ledger.readings(long.identifier)
    basis = AsIsBasis((reading.stamp.seq,), (
        "its length is 36.100 mm (standard uncertainty 0.0212 mm), asked was 35.750 to 36.050 mm: "
        "does not conform",
        "step 1: left minus right beyond labels is 0.200 mm, asked was ±0.15 mm: does not conform",
    ), 36.1)
    with recorded.ledger.transaction():
        recorded.ledger.write(
            CASE, UseAsIs(long.identifier, REASON, WORDS.prescriber, basis), "kim", WHEN
        )
    done = let_go(recorded, out, by="lee")
    (faults,) = (rod["as_is"]["faults"] for rod in done.event.body["basis"]["rods"] if rod["as_is"])
    assert "uncertainty 0.0212 mm); allowed is 35.750 to 36.050 mm: does not conform" in faults[0]
    assert faults[1].startswith("step 1: left minus right beyond labels is 0.200 mm; allowed is ±")


def test_another_difference_of_the_sides_is_accepted_again(recorded, out, long):
    accept(recorded, long)
    other, _ = place(recorded, 1, "right")
    (reading,) = recorded.ledger.readings(other.identifier)
    record_reading(recorded, other, "-0.10", corrects=reading.stamp.seq)
    (line,) = (one for one in refused(recorded, out, by="lee") if one.startswith("step 1: "))
    assert line.startswith("step 1: left minus right differs from the labels by 0.300 mm")
    assert f"that was not known when {grouped(long.identifier)} was accepted" in line


def test_the_rest_of_the_set_is_still_asked_for(recorded, out, long):
    accept(recorded, long)
    other, _ = place(recorded, 2, "right")
    (reading,) = recorded.ledger.readings(other.identifier)
    record_reading(recorded, other, "0.20", corrects=reading.stamp.seq)
    assert any("does not conform" in line for line in refused(recorded, out, by="lee"))


REFUSED = {
    "conforms": ({}, {}, "conforms; there is nothing to accept"),
    "who measured": ({"error_mm": "0.20"}, {"by": "MO"},
                     "was measured or recorded by MO, who cannot also accept it"),
    "no reason": ({"error_mm": "0.20"}, {"words": Accepted(" ", "Dr Lind")},
                  "--reason has no words"),
    "no word": ({"error_mm": "0.20"}, {"words": Accepted("hurry", "")},
                "--prescriber has no words"),
    "label": ({"label_read": "38.7"}, {}, "cannot be used as is: "),
    "not whole": ({"look": ["whole"]}, {}, "it is not whole, and a piece of it can be swallowed"),
    "not looked at": ({"look": None}, {}, "is not known well enough: nobody looked whether it"),
    "no instrument": ({"error_mm": "0.20", "instrument": None}, {}, "no instrument is named"),
    "another step": ({"error_mm": "-1.50"}, {}, "its label would name another step"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_nobody_may_accept(recorded, out, name):
    details, more, sentence = REFUSED[name]
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod, **details)
    measure_all(recorded, CASE)
    assert sentence in not_accepted(recorded, rod, **more)


def test_a_rod_that_makes_more_than_the_maximum_is_not_accepted(tmp_path):
    """Pull: a shorter rod, the jaw would be beyond the recorded maximum."""
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        first_set(recorder, changed(ONE, ("[50]", "[50, 100]")))
        rod = rod_at(recorder, FIRST, 2, "left")
        record_reading(recorder, rod, "-0.40")
        measure_all(recorder, CASE)
        sentence = not_accepted(recorder, rod)
    assert "as long as it is makes 101.7 %, 0.20 mm beyond the maximum: NOT TO BE WORN" in sentence


def test_a_rod_that_is_not_there_is_not_accepted(recorded, out, long):
    other, _ = place(recorded, 2, "left")
    recorded.ledger.record("rod-state", CASE, {"identifier": other.identifier, "state": "lost"},
                           "kim", WHEN)
    assert "is lost; only a rod that fills its place is used" in not_accepted(recorded, other)


def test_two_rods_of_a_pair_do_not_pass_the_maximum_together(tmp_path):
    """Each alone stays within rounding; the second counts the first as long as it is."""
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        first_set(recorder, changed(ONE, ("[50]", "[50, 100]")))
        left, right = (rod_at(recorder, FIRST, 2, side) for side in ("left", "right"))
        for rod in (left, right):
            record_reading(recorder, rod, "-0.28")
        measure_all(recorder, CASE)
        accept(recorder, left)
        pair = standing_of_case(recorder.ledger, CASE).of_rod(left.identifier)
        assert 100.4 < pair.makes.percent < 101.7
        assert not pair.not_to_be_worn
        assert pair.lengths == f"{left.label}/{right.label}"
        assert "NOT TO BE WORN; reject it" in not_accepted(recorder, right)


def test_what_the_maximum_is_now_is_asked_again_at_the_release(tmp_path):
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        first_set(recorder, changed(ONE, ("[50]", "[50, 100]")))
        left = rod_at(recorder, FIRST, 2, "left")
        record_reading(recorder, left, "-0.28")
        measure_all(recorder, CASE)
        accept(recorder, left)
        inspection = decision_from_record(recorder.ledger, CASE)
        assert list(beyond_maximum(recorder.ledger, inspection)) == []
        text = changed(ONE, ("[50]", "[50, 100]"), ("protruded = 6.4", "protruded = 5.2"))
        body = {"revision": 2, "text": text, "reason": "measured again"}
        recorder.ledger.record("prescription", CASE, body, "kim", WHEN)
        (line,) = beyond_maximum(recorder.ledger, inspection)
    assert line.startswith("set 1, step 2 (")
    assert "a rod is used as is: NOT TO BE WORN" in line


def test_the_rest_of_the_set_keeps_its_net(recorded, long):
    """A rod beside the one accepted that nobody has a sentence for still holds the set."""
    accept(recorded, long)
    inspection = decision_from_record(recorded.ledger, CASE)
    assert missing_for_release(inspection) == ()
    other = place(recorded, 2, "right")[0].identifier
    held = replace(inspection.decision, held=inspection.decision.held | {other})
    (line,) = missing_for_release(replace(inspection, decision=held))
    assert line.startswith("the set QF-1043-r1 as a whole is undecided")


def test_half_of_the_way_to_a_rod_of_another_set_is_too_far(recorded, out, long, monkeypatch):
    """The rods of the case in circulation count, whatever set they are of."""
    own = next(one for one in case_rods(recorded.ledger, CASE) if one.identifier == long.identifier)
    near = replace(own.rod.rod, pair="2/1", label="36.3", place="set 2, step 1")
    other = replace(own, identifier="1", rod=replace(own.rod, rod=near))
    monkeypatch.setattr(
        "labkit.workflow.inspection.use_as_is.case_rods", lambda *_: iter((own, other))
    )
    assert "half of the way to 36.3 (set 2, step 1) or more" in not_accepted(recorded, long)


def test_the_record_itself_holds_the_second_person_and_the_readings(recorded, out, long):
    """Also where another program wrote the entry, as before an import."""
    (seq,) = (one.stamp.seq for one in recorded.ledger.readings(long.identifier))
    body = {"identifier": long.identifier, "reason": "hurry", "prescriber": "Dr Lind"}
    whole = {"readings": [seq], "faults": ["long"], "measured_mm": 36.1}
    for basis, by, words in (
        ({}, "kim", "readings"),
        (whole | {"measured_mm": "long"}, "kim", "measured_mm = 'long'"),
        (whole | {"readings": []}, "kim", "has other readings of the rod"),
        (whole, "MO", "measured or recorded by MO, who cannot also accept it"),
    ):
        with pytest.raises(LabkitError, match=words):
            recorded.ledger.record("use-as-is", CASE, body | {"basis": basis}, by, WHEN)
    recorded.ledger.record("use-as-is", CASE, body | {"basis": whole}, "kim", WHEN)
