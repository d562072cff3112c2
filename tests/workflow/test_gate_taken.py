"""Readings that were not taken, or that contradict earlier ones: held until a second word."""

from __future__ import annotations

from labkit.core.jsonable import jsonable
from labkit.workflow.inspection.inspect import decision_from_record
from labkit.workflow.inspection.inspect_report import ending
from labkit.workflow.inspection.release import not_yet, withhold
from tests.support.making import CASE, extra
from tests.support.measured import measure_all, record_reading
from tests.support.measured_sets import SCANNER
from tests.workflow.test_release import FIRST, WHEN, let_go, place, refused

WORD = "seen by me on the gauge"


def both(first, then):
    return dict.fromkeys((first.seq, then.seq), WORD)


def test_a_first_reading_contradicted_by_the_next(recorded, out):
    """+0.138, then again by the same hand +0.008."""
    rod, _ = place(recorded, 1, "left")
    first = record_reading(recorded, rod, "0.138")
    then = record_reading(recorded, rod, "0.008", corrects=first.seq)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert (
        f"36.038 mm (entry {first.seq}) and 35.908 mm (entry {then.seq}) by the same hand "
        "contradict each other by more than their uncertainties"
    ) in line
    assert line.endswith(f"`--answer {first.seq}-{then.seq} TEXT` (by a person other than who "
                         "measured)")
    # Who measured does not answer for it, in a lab of one person either.
    refused(recorded, out, by="mo", asked={"one_person": True}, answers=both(first, then))
    done = let_go(recorded, out, answers=both(first, then))
    assert any(f'answered by kim: "{WORD}"' in note for note in done.notes)


def test_a_reading_that_repeats_within_its_uncertainty_is_no_contradiction(recorded, out):
    rod, _ = place(recorded, 1, "left")
    first = record_reading(recorded, rod, "0.02")
    record_reading(recorded, rod, "0.008", corrects=first.seq)
    measure_all(recorded, CASE)
    let_go(recorded, out)


def test_another_hand_does_not_settle_a_contradiction_alone(recorded, out):
    """Lee reads +0.138, mo +0.008: somebody other than mo says why, lee too."""
    rod, _ = place(recorded, 1, "left")
    first = record_reading(recorded, rod, "0.138", by="lee", measured_by="lee")
    then = record_reading(recorded, rod, "0.008", corrects=first.seq)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert (
        f"36.038 mm (entry {first.seq}) and 35.908 mm (entry {then.seq}) by lee and by another "
        "hand contradict each other"
    ) in line
    assert line.endswith(f"`--answer {first.seq}-{then.seq} TEXT` (by a person other than who "
                         "measured last)")
    refused(recorded, out, by="mo", asked={"one_person": True}, answers=both(first, then))
    done = let_go(recorded, out, by="lee", answers=both(first, then))
    assert any(f'answered by lee: "{WORD}"' in note for note in done.notes)


SHEET = {"file": "readings.csv", "sha256": "ab" * 32, "line": 2}


def test_a_file_that_was_read_before_measures_nothing(recorded, out):
    rod, _ = place(recorded, 1, "left")
    first = record_reading(recorded, rod, "0.01", source=SHEET)
    then = record_reading(recorded, rod, "0.01", corrects=first.seq, source=SHEET)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert f"entry {then.seq} came from the same file as entry {first.seq}" in line
    let_go(recorded, out, answers=both(first, then))


def test_a_form_of_many_rods_is_one_file(recorded, out):
    for step in (1, 2):
        for side in ("left", "right"):
            record_reading(recorded, place(recorded, step, side)[0], source=SHEET)
    let_go(recorded, out)


def test_a_scan_of_another_rod_is_no_scan_of_this_one(recorded, out):
    scan = {"way": None, "readings_mm": [], "scan": {}, "gauge_pins_mm": None,
            "instrument": jsonable(SCANNER),
            "source": {"file": "rod.stl", "sha256": "cd" * 32, "line": None}}
    left, right = (place(recorded, 1, side)[0] for side in ("left", "right"))
    first = record_reading(recorded, left, quantity="scan", **scan)
    then = record_reading(recorded, right, quantity="scan", **scan)
    measure_all(recorded, CASE)
    _, line = refused(recorded, out)
    assert f"entry {then.seq} came from the same file as entry {first.seq}" in line


def test_a_drawn_mesh_is_no_scan_and_the_same_mesh_no_second_one(recorded, out):
    """The rod's own STL under another header, for left and for right."""
    scan = {"way": None, "readings_mm": [], "gauge_pins_mm": None, "instrument": jsonable(SCANNER),
            "scan": {"noise_mm": 3e-7, "mesh_sha256": "ef" * 32}}
    found = [
        record_reading(
            recorded, place(recorded, 1, side)[0], quantity="scan", **scan,
            source={"file": f"{side}.stl", "sha256": digest * 32, "line": None},
        )
        for side, digest in (("left", "ab"), ("right", "cd"))
    ]
    measure_all(recorded, CASE)
    _, drawn, same = refused(recorded, out)
    assert "scatter by less than 0.001 mm, as those of a drawn model do" in drawn
    assert f"entry {found[1].seq} shows the same mesh as entry {found[0].seq}" in same


def test_readings_copied_from_the_other_side(recorded, out):
    """Both steps of the set: chance gives that in fewer than one set of a thousand."""
    for step in (1, 2):
        rods = [place(recorded, step, side)[0] for side in ("left", "right")]
        for rod in rods:
            values = [f"{float(rod.label) + 2.475 + off / 1000:.3f}" for off in (3, -4, 1)]
            record_reading(recorded, rod, readings_mm=values)
    _, line = refused(recorded, out)
    assert "left and right have the same readings in the same order at steps 1, 2" in line
    inspected = decision_from_record(recorded.ledger, CASE)
    *_, last = ending(inspected, {"": 1}, "mo", not_yet(recorded.ledger, inspected))
    assert last == f"Not yet: {line}"
    assert "(by a person other than who measured)" in line


def test_what_an_earlier_set_failed_by_stands_on_the_later_certificate(recorded, out):
    rod, _ = place(recorded, 1, "left")
    bad = record_reading(recorded, rod, "0.30", result="does not conform")
    held = withhold(recorded.ledger, CASE, FIRST, "one rod too long", ("kim", WHEN)).event
    extra(out, recorded, 62.5)
    measure_all(recorded, CASE)
    done = let_go(recorded, out)
    (note,) = (note for note in done.notes if FIRST in note)
    assert note.startswith(f"set {FIRST}, of the same prescription (revision 1): 1 rod did not")
    assert f"36.200 mm, entry {bad.seq}" in note
    assert note.endswith(f"withheld by kim (entry {held.seq}): one rod too long")
