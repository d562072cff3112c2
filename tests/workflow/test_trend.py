"""The drift of a process as the record shows it, before the next set is made."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.instruments import find_instrument, instruments
from labkit.catalog.processes import processes
from labkit.core.gauging.ways_of_measuring import Method, shifted_way, ways_of
from labkit.core.rod.calibration import USUAL_GAUGE
from labkit.core.rod.rods import Eye
from labkit.ledger.store import open_ledger
from labkit.qa.decision.budget import length_budget, plain_budget
from labkit.workflow.process.trend import case_process, range_findings, rods_since, trend_findings
from tests.support.drifting import Lab
from tests.support.processes import CALIBRATED
from tests.support.rods import templates


@pytest.fixture
def lab(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        yield Lab(ledger)


def sets(lab, *off_mm):
    """Make and measure a set of eight rods for each mean deviation."""
    for number, off in enumerate(off_mm, 1):
        case = f"Q-{number}"
        lab.measure(case, lab.make(case), off)


def messages(findings):
    return [finding.message for finding in findings]


def test_a_steady_process_is_not_mentioned(lab):
    sets(lab, 0.0, 0.0, 0.0, 0.0)
    assert len(rods_since(CALIBRATED, lab.ledger)) == 32
    assert trend_findings(CALIBRATED, lab.ledger) == ()


@pytest.mark.parametrize(("off", "words"), [(0.05, "too long"), (-0.05, "too short")])
def test_a_drift_is_told_with_how_much_since_when_and_what_to_do(lab, off, words):
    sets(lab, 0.0, 0.0, off, off)
    before = lab.ledger.head()
    (found,) = trend_findings(CALIBRATED, lab.ledger)
    assert lab.ledger.head() == before
    assert found.code == "process_drifts"
    assert str(found.severity) == "note"
    assert words in found.message
    assert "since 2031-06-04" in found.message  # the third set, a day for each
    assert "the last 16 rods of 32" in found.message
    assert "calibrate again (`labkit calibrate`)" in found.message
    assert "labkit chart --process resin-may" in found.message
    told = float(found.message.partition("came out ")[2].partition(" mm")[0])
    assert told == pytest.approx(0.05, abs=0.01)


def test_a_reading_that_was_corrected_does_not_count(lab):
    sets(lab, 0.0, 0.0)
    rods = lab.make("Q-9")
    wrong = lab.measure("Q-9", rods, 0.08)
    assert trend_findings(CALIBRATED, lab.ledger)
    for rod, slip in zip(rods, wrong, strict=True):
        lab.read("Q-9", rod, 0.0, corrects=slip.seq, note="gauge pin was the wrong one")
    assert len(rods_since(CALIBRATED, lab.ledger)) == 24
    assert trend_findings(CALIBRATED, lab.ledger) == ()


def test_only_rods_of_this_calibration_count(lab):
    """Rods of other processes, and of this one before it was calibrated, say nothing of it."""
    sets(lab, 0.08, 0.08)
    own = CALIBRATED.calibration
    later = replace(CALIBRATED, calibration=replace(own, source_sha256="cd" * 32))
    other = replace(CALIBRATED, name="resin-june")
    for process in (later, other, processes()["example-resin"]):
        assert trend_findings(process, lab.ledger) == ()
    assert rods_since(later, lab.ledger) == ()
    assert trend_findings(CALIBRATED, lab.ledger)


def test_a_new_title_or_bed_does_not_hide_a_drift(lab):
    sets(lab, 0.08, 0.08)
    moved = replace(CALIBRATED, title="Resin", plate=replace(CALIBRATED.plate, width_mm=150.0))
    assert trend_findings(moved, lab.ledger)


def test_rods_stand_in_the_order_in_which_they_were_made_and_only_the_latest_are_read(lab):
    """Measured in another order; 60 rods are looked at, so that of ten sets the last eight do."""
    rods = {f"Q-{n}": lab.make(f"Q-{n}") for n in range(1, 11)}
    for case in sorted(rods, reverse=True):
        lab.measure(case, rods[case], int(case[2:]))
    found = [round(rod.off_mm) for rod in rods_since(CALIBRATED, lab.ledger)]
    assert found == [n for n in range(3, 11) for _ in range(8)]
    newest_first = list(dict.fromkeys(r.set_name for r in lab.ledger.last_readings("resin-may")))
    assert newest_first == [f"Q-{n}-r1" for n in range(10, 0, -1)]
    assert list(lab.ledger.last_readings("nominal")) == []


def test_what_all_readings_share_is_kept_apart_from_what_is_a_rods_own(lab):
    (rod, *_) = lab.make("Q-1")
    gauge_pin = shifted_way(Method.OVER, (Eye(2.5, 7.5, "H8"),) * 2)
    budget = length_budget(
        find_instrument(instruments(), "example-micrometer"), gauge_pin, 34.0, 3, 1e-4
    )
    lab.read("Q-1", rod, 0.0, budget=budget.to_json())
    (found,) = rods_since(CALIBRATED, lab.ledger)
    parts = {one.name: one.u_mm for one in budget.components}
    shared = math.hypot(*(parts[name] for name in ("calibration", "fittings", "room temperature")))
    assert found.shared_mm == pytest.approx(min(shared, 0.006), rel=1e-9)
    # The recorded total, 0.006 mm, is what both parts make together.
    assert math.hypot(found.u_mm, found.shared_mm) == pytest.approx(0.006, rel=1e-9)


@pytest.mark.parametrize(
    ("instrument", "shared"), [("micrometer M-3", 0.01), (USUAL_GAUGE, 0.0)]
)
def test_the_usual_gauge_shares_unless_the_coupons_were_measured_with_it(
    tmp_path, instrument, shared
):
    """Its one number does not say what is the same for every rod: it may all be."""
    own = replace(CALIBRATED.calibration, instrument=instrument)
    process = replace(CALIBRATED, calibration=own)
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        lab = Lab(ledger, process)
        (rod, *_) = lab.make("Q-1")
        centres = next(w for w in ways_of(templates()["eye-eye-flat"]) if w.method == "centres")
        lab.read("Q-1", rod, 0.0, budget=plain_budget(0.01, centres).to_json())
        (found,) = rods_since(process, ledger)
    assert (found.u_mm, found.shared_mm) == pytest.approx((0.006, shared), abs=1e-12)


def test_an_empty_record_says_nothing(lab):
    assert trend_findings(CALIBRATED, lab.ledger) == ()
    lab.make("Q-1")
    assert trend_findings(CALIBRATED, lab.ledger) == ()


def test_the_process_of_a_case_is_the_recorded_one(lab):
    assert case_process("Q-1", lab.ledger) is None
    lab.make("Q-1")
    assert case_process("Q-1", lab.ledger) == CALIBRATED


def test_lengths_outside_of_the_calibrated_range_are_noted():
    lengths = [Decimal(text) for text in ("19.9", "20.0", "33.6", "50.0", "50.1")]
    (found,) = range_findings(CALIBRATED, lengths)
    assert found.code == "outside_calibrated_range"
    assert "lengths 19.9, 50.1 mm lie outside of 20 to 50 mm" in found.message
    assert range_findings(CALIBRATED, lengths[1:4]) == ()
    assert range_findings(processes()["nominal"], lengths) == ()
    assert "the length 50.1 mm lies" in range_findings(CALIBRATED, lengths[1:])[0].message
