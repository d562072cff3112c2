"""An accepted trial fit is withdrawn: what holds follows from those that remain, in their order."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.trial_seen import Correct
from labkit.errors import InputError, RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.ledger.verify import verify
from labkit.workflow.record.story import told
from labkit.workflow.rods.trial_accept import accept
from labkit.workflow.rods.trial_withdraw import withdraw_trial
from labkit.workflow.sets.stored_case import read_case
from tests.support.ledgers import Pen, moment
from tests.support.recorded import make_case, parallel
from tests.support.trials import trial_seen

CASE = "QF-1043"


@pytest.fixture
def file(tmp_path):
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def ledger(file):
    with open_ledger(str(file)) as ledger:
        make_case(Pen(ledger), parallel(CASE))
        yield ledger


def tried(ledger, label, minute, past=(0, 0), **more):
    """Accept a trial fit; give the number of its entry."""
    done = accept(ledger, CASE, trial_seen((label, label), past, **more), "anna", moment(minute))
    assert done.entry is not None, done.outcome.findings
    return done.entry


def withdrawn(ledger, entry, minute=90):
    reason = "the rods were exchanged"
    return withdraw_trial(ledger, CASE, entry, reason, ("berta", moment(minute)))


def text_now(ledger):
    return ledger.prescription(CASE).text


def test_the_only_trial_fit_gone_the_prescription_is_as_it_was(ledger):
    entry = tried(ledger, "28.7", 60)
    report = withdrawn(ledger, entry)
    assert text_now(ledger) == parallel(CASE)
    assert read_case(ledger, CASE).revision == 3
    event, revised = ledger.story(CASE)[-2:]
    assert (event.kind, event.by) == (Kind.TRIAL_WITHDRAWN, "berta")
    assert event.body == {"trial": entry, "revision": 3, "reason": "the rods were exchanged"}
    assert told(revised) == (
        f"prescription revision 3 recorded without the trial fit of entry {entry}"
    )
    assert report.words.splitlines()[1:4] == [
        f"The trial fit of 2031-03-14 (entry {entry}) is withdrawn as entry {event.seq}: the range "
        "is 9.20 mm, not 8.30 mm.",
        "Trial fits that still count: none.",
        "Prescription revision 3 holds now.",
    ]
    pairs = report.table("Rods in circulation")
    makes = [100 * mm / 9.2 for mm in (6.4, 7.4, 8.3, 9.2)]  # rods 30.6, 29.6, 28.7, 27.8
    assert pairs.cells("percent") == pytest.approx(makes)
    assert pairs.cells("percent_before")[-1] == pytest.approx(920 / 8.3)
    assert verify(ledger).ok


def test_what_holds_follows_from_those_that_remain(ledger):
    first, second = tried(ledger, "28.7", 60), tried(ledger, "27.8", 62, (1, 1))
    # Seats 26.8: 10.2 mm.
    assert read_case(ledger, CASE).prescription.bite.protruded == Decimal("6.2")
    report = withdrawn(ledger, first)
    # The second one says by itself where the maximum is: nothing changes, no new revision.
    assert (report.data["range_mm"], report.data["revision"]) == (10.2, 3)
    assert report.data["trials"] == (second,)
    assert "Prescription revision 3 holds as before." in report.words
    again = withdrawn(ledger, second, 92)
    assert (again.data["range_mm"], again.data["revision"]) == (9.2, 4)
    assert text_now(ledger) == parallel(CASE)


def test_the_last_one_withdrawn_the_one_before_holds_again(ledger):
    tried(ledger, "28.7", 60)
    last = tried(ledger, "27.8", 62, (1, 1))
    report = withdrawn(ledger, last)
    assert (report.data["range_before_mm"], report.data["range_mm"]) == (10.2, 8.3)
    assert read_case(ledger, CASE).prescription.bite.protruded == Decimal("4.3")


def test_a_confirming_trial_moves_the_range_once_what_it_confirmed_is_withdrawn(ledger):
    first, confirming = tried(ledger, "28.7", 60), tried(ledger, "28.7", 62)
    assert withdrawn(ledger, first).data["range_mm"] == pytest.approx(8.3)
    assert withdrawn(ledger, confirming, 92).data["range_mm"] == 9.2


def test_a_confirming_trial_withdrawn_changes_nothing(ledger):
    confirming = tried(ledger, "27.8", 60)
    assert withdrawn(ledger, confirming).data["revision"] == 1
    assert len(ledger.prescriptions(CASE)) == 1


def test_a_corrected_side_goes_with_its_trial_fit(ledger):
    entry = tried(ledger, "27.8", 60, ("-0.45", "0.45"), correct=Correct.LEFT)
    later = tried(ledger, "27.8", 62, ("-1.45", "-0.55"))  # agrees with the side corrected
    with pytest.raises(RefusedError, match="was withdrawn already, as entry"):
        withdrawn(ledger, later)
        withdrawn(ledger, later, 92)
    assert read_case(ledger, CASE).prescription.left.pin_distance_mm == 30.9
    withdrawn(ledger, entry, 94)
    assert text_now(ledger) == parallel(CASE)


def test_the_entry_of_the_acceptance_is_taken_too(ledger):
    entry = tried(ledger, "28.7", 60)
    withdrawn(ledger, entry + 1)
    assert text_now(ledger) == parallel(CASE)


def test_one_that_cannot_stand_alone_is_named(ledger):
    """From 9.2 to 6.4 and on to 4.4 mm; from 9.2 to 4.4 mm is more than a trial fit may mean."""
    text = parallel("QF-2").replace("registered = 3", "registered = 0")
    make_case(Pen(ledger), text)
    first, second = (
        accept(ledger, "QF-2", trial_seen((label, label), past), "anna", moment(minute)).entry
        for label, past, minute in (("24.8", ("-2.8", "-2.8"), 60), ("27.6", ("-2", "-2"), 62))
    )
    with pytest.raises(RefusedError, match=(
        rf"without it the trial fit of entry {second} is not valid: the range would go from "
        r"9\.2 to 4\.40 mm; .*; withdraw that one first"
    )):
        withdraw_trial(ledger, "QF-2", first, "x", ("anna", moment(90)))


def test_a_prescription_recorded_since_states_its_readings_anew(ledger):
    entry = tried(ledger, "28.7", 60)
    text = parallel(CASE).replace("protruded = 5.2", "protruded = 4.7")
    ledger.record(Kind.PRESCRIPTION, CASE, {"revision": 3, "text": text}, "anna", moment(70))
    with pytest.raises(RefusedError, match=(
        f"the trial fit of entry {entry} came before prescription revision 3, which states every "
        "reading itself, so the trial fit no longer counts; if those readings rest on it"
    )):
        withdrawn(ledger, entry)


def test_refusals_record_nothing(ledger):
    entry = tried(ledger, "28.7", 60)
    before = ledger.head()
    with pytest.raises(InputError, match=(
        f"entry 2 is no accepted trial fit that counts of .*; the only one is entry {entry} "
    )):
        withdrawn(ledger, 2)
    with pytest.raises(InputError, match="no reason is given; say why with --reason"):
        withdraw_trial(ledger, CASE, entry, " ", ("berta", moment(90)))
    assert ledger.head() == before


def test_a_trial_fit_stored_in_another_form_is_told(ledger):
    body = {"revision": 1, "left": {"label": "28.7"}, "right": {"label": "28.7"}, "proposal": {}}
    entry = ledger.record(Kind.TRIAL_FIT, CASE, body, "anna", moment(60)).seq
    decided = {"trial": entry, "revision": 1}
    ledger.record(Kind.TRIAL_ACCEPTED, CASE, decided, "anna", moment(61))
    later = tried(ledger, "28.7", 62)
    with pytest.raises(InputError, match="is stored in a form that this program does not know"):
        withdrawn(ledger, later)


def test_trial_fits_in_the_words_of_earlier_versions_keep_their_meaning(ledger):
    """A gap of the 100 % rod, told with a sign: the seats are as they were worked out then."""
    proposal = {
        "seen": {"left": {"gap_mm": "-0.9"}, "right": {"gap_mm": "-0.9"}},
        "proposal": {"seats_mm": {"left": 28.7, "right": 28.7}},
    }
    body = {"revision": 1, "left": {"gap_um": -900}, "right": {"gap_um": -900},
            "proposal": proposal}
    entry = ledger.record(Kind.TRIAL_FIT, CASE, body, "anna", moment(60)).seq
    decided = {"trial": entry, "revision": 1}
    ledger.record(Kind.TRIAL_ACCEPTED, CASE, decided, "anna", moment(61))
    later = tried(ledger, "27.8", 62, (1, 1))
    report = withdrawn(ledger, later)
    assert report.data["range_mm"] == 8.3  # of which the earlier one tells
    assert "fell short of its seat by 0.9 mm" in told(ledger.event(entry))


def test_the_command(file, ledger):
    def run(*arguments):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(file), "LABKIT_BY": None}
        return CliRunner().invoke(cli, ["trial", CASE, *arguments], env=env)

    entry = str(tried(ledger, "28.7", 60))
    nobody = run("--withdraw", entry, "--reason", "x")
    assert nobody.exit_code == 2
    assert "a withdrawal is recorded under an operator code" in nobody.stderr
    both = run("--withdraw", entry, "--reason", "x", "--by", "anna", "--left", "28.7 meets")
    assert both.exit_code == 2
    assert "--left and --right enter another one; do one after the other" in both.stderr
    done = run("--withdraw", entry, "--reason", "exchanged", "--by", "anna", "--json")
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["range_mm"] == 9.2


def test_steps_revised_since_stay_and_the_readings_go_back(ledger):
    """The prescriber asks for other steps on the range that the trial fit gave; then it goes."""
    entry = tried(ledger, "28.7", 60)
    steps = text_now(ledger).replace("[70, 80, 90, 100]", "[70, 85, 100]")
    ledger.record(Kind.PRESCRIPTION, CASE, {"revision": 3, "text": steps}, "anna", moment(70))
    assert withdrawn(ledger, entry).data["range_mm"] == 9.2
    assert text_now(ledger) == parallel(CASE).replace("[70, 80, 90, 100]", "[70, 85, 100]")
