"""The parts of an inspection, told at once or apart: a fault in any of them holds the rod."""

from __future__ import annotations

import pytest

from labkit.core.jsonable import jsonable
from labkit.errors import RefusedError
from labkit.qa.decision.readings import RodReadings
from labkit.workflow.inspection.inspect import inspect, record_readings
from tests.documents.pdfs import squeezed, text_of
from tests.support.making import CASE, START
from tests.support.measured import measure_all, record_reading
from tests.workflow.test_gate_taken import SCANNER
from tests.workflow.test_release import let_go, place, refused

NOTHING_SEEN = {"label_read": None, "fittings": None, "look": None}


def look_at(recorded, rods, by="lee", again=None, **seen):
    """Record what was seen on rods, apart from their lengths."""
    known = [
        RodReadings(rod.identifier, None, measured_on=START.date(), **seen) for rod in rods
    ]
    inspection = inspect(recorded.ledger, CASE, None, known, {})
    return record_readings(recorded.ledger, inspection, known, (by, recorded.now()), again)


def all_rods(recorded):
    return [place(recorded, step, side)[0] for step in (1, 2) for side in ("left", "right")]


def test_parts_that_were_told_apart_open_the_gate(recorded, out):
    """Length by one hand, label, fittings and look by another, on the same rods."""
    rods = all_rods(recorded)
    for rod in rods:
        record_reading(recorded, rod, **NOTHING_SEEN)
    _, *lines = refused(recorded, out)
    assert len(lines) == 4
    assert "its label was not read from the rod and its fittings were not checked" in lines[0]
    for rod in rods:
        look_at(recorded, [rod], label_read=rod.label, fittings=True)
    _, *lines = refused(recorded, out)
    assert len(lines) == 4
    assert "nobody looked whether it is whole, smooth, straight and clean" in lines[0]
    seqs = look_at(recorded, rods, look=())
    done = let_go(recorded, out)
    basis = done.event.body["basis"]
    printed = squeezed(text_of(done.certificate.read_bytes()))
    assert squeezed("every rod whole, smooth, straight and clean") in printed
    assert squeezed("Label, fittings or look seen by lee") in printed
    assert [each["look"] for each in basis["rods"]] == [[]] * 4
    assert [one["part"] for one in basis["rods"][0]["seen_apart"]] == [
        "label_read", "fittings", "look",
    ]
    assert [each["seen_apart"][-1]["event"] for each in basis["rods"]] == list(seqs)
    assert {one["by"] for each in basis["rods"] for one in each["seen_apart"]} == {"lee"}


def test_the_length_by_scan_and_the_rest_by_eye(recorded, out):
    rods = all_rods(recorded)
    for rod in rods:
        record_reading(
            recorded, rod, quantity="scan", way=None, readings_mm=[], scan={}, gauge_pins_mm=None,
            gauge_pins=None, instrument=jsonable(SCANNER), source={
                "file": "rod.stl", "sha256": f"{rod.identifier[-10:]:0>64}", "line": None,
            }, **NOTHING_SEEN,
        )
    assert "its label was not read from the rod" in refused(recorded, out)[1]
    for rod in rods:
        look_at(recorded, [rod], label_read=rod.label, fittings=True, look=())
    done = let_go(recorded, out)
    assert {each["way"] for each in done.event.body["basis"]["rods"]} == {"scan"}


FAULTS = {
    "label": ({"label_read": "38.7"}, 'the label read from the rod is "38.7"'),
    "fittings": ({"fittings": False}, "a fitting is not within its limits; reject the rod"),
    "look": ({"look": ("smooth", "clean")}, "the rod is not smooth and not clean; reject the rod"),
    "word": (
        {"verdict": "does not conform"}, "whoever inspected it says that the rod does not conform",
    ),
    "doubt": ({"verdict": "undecided"}, "says that the rod is undecided; ask why"),
}


@pytest.mark.parametrize("first", [True, False])
@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_in_any_part_holds_the_rod(recorded, out, name, first):
    """Whether it was told before the length or after."""
    seen, sentence = FAULTS[name]
    rod, _ = place(recorded, 1, "left")
    if first:
        look_at(recorded, [rod], **seen)
        part = inspect(recorded.ledger, CASE, None, (), {}).decision
        assert part.held == {rod.identifier}
        assert any(sentence in finding.message for finding in part.findings)
        record_reading(recorded, rod, **{part: None for part in seen if part in NOTHING_SEEN})
    else:
        record_reading(recorded, rod, **NOTHING_SEEN)
        good = {"label_read": rod.label, "fittings": True, "look": ()}
        look_at(recorded, [rod], **(good | seen))
    measure_all(recorded, CASE)
    _, *lines = refused(recorded, out)
    assert any(sentence in line for line in lines), lines


def test_a_part_is_told_again_only_with_a_reason(recorded, out):
    rod, _ = place(recorded, 1, "left")
    record_reading(recorded, rod)
    measure_all(recorded, CASE)
    with pytest.raises(RefusedError, match="already measured"):
        look_at(recorded, [rod], look=("smooth",))
    look_at(recorded, [rod], again="seen under the lamp", look=("smooth",))
    assert any("is not smooth" in line for line in refused(recorded, out))
    assert len(recorded.ledger.readings(rod.identifier)) == 2  # the length still counts
    look_at(recorded, [rod], again="it was dust", look=())
    assert len(recorded.ledger.readings(rod.identifier)) == 2  # the second look corrects the first
    let_go(recorded, out)


REMARK = {"remark": "crack at the eye"}


def test_a_remark_is_shown_at_the_release_and_answered_there(recorded, out):
    rod, _ = place(recorded, 1, "left")
    event = record_reading(recorded, rod, **REMARK)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert line.endswith(
        f'remark of mo: "crack at the eye"; answer it with `--answer {event.seq} TEXT`'
    )
    for answers in ({event.seq: " "}, {event.seq + 1: "only a line of the plate"}):
        refused(recorded, out, answers=answers)
    done = let_go(recorded, out, answers={event.seq: "a line of the build plate, polished"})
    told = done.event.body["basis"]["answers"]
    assert [(one["entries"], one["by"]) for one in told] == [([event.seq], "kim")]
    assert squeezed(
        'remark of mo: "crack at the eye"; answered by kim: "a line of the build plate, polished"'
    ) in squeezed(text_of(done.certificate.read_bytes()))


def test_a_remark_stays_where_the_rod_is_measured_again(recorded, out):
    rod, _ = place(recorded, 1, "left")
    first = record_reading(recorded, rod, **REMARK)
    record_reading(recorded, rod, corrects=first.seq)
    measure_all(recorded, CASE)
    assert "crack at the eye" in refused(recorded, out)[1]
    let_go(recorded, out, answers={first.seq: "not to be seen under the lamp"})
    (reading,) = recorded.ledger.readings(rod.identifier)
    record_reading(recorded, rod, "0.01", corrects=reading.stamp.seq)
    let_go(recorded, out)  # it was answered then


def test_one_remark_on_many_rods_is_one_question(recorded, out):
    events = [record_reading(recorded, rod, remark="cold room") for rod in all_rods(recorded)]
    span = f"{events[0].seq}-{events[-1].seq}"
    (_, line) = refused(recorded, out)
    assert f"answer it with `--answer {span} TEXT`" in line
