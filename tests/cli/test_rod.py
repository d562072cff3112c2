"""`labkit rod`: what became of rods, in process."""

from __future__ import annotations

import datetime
import json

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.bodies import Release, RodState
from labkit.ledger.events import Kind
from labkit.ledger.verify import verify
from tests.support.dry import first_set
from tests.support.making import CASE, ONE, START, recorder_for
from tests.support.prescriptions import changed

FIRST = f"{CASE}-r1"
WHO = ("anna", START)


@pytest.fixture
def file(tmp_path):
    """A released set of two steps, without solids."""
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        first_set(recorder, changed(ONE, ("[50]", "[50, 75]")))
        recorder.ledger.write(CASE, Release(FIRST, "released"), *WHO)
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def run(file, monkeypatch):
    monkeypatch.setattr(clock, "now", lambda: START)

    def invoke(*arguments):
        env = {"COLUMNS": "250", "LABKIT_LEDGER": str(file), "LABKIT_BY": "ben"}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    return invoke


def rods(file):
    with recorder_for(file) as recorder:
        assert verify(recorder.ledger).ok
        return recorder.ledger.rods(CASE)


def states(file):
    return [rod.state for rod in rods(file)]


def count(file):
    with recorder_for(file) as recorder:
        return recorder.ledger.head().count


def refused(run, file, words, *arguments, status=1):
    """Run a command that is refused in a sentence; nothing is recorded."""
    before = count(file)
    result = run("rod", *arguments)
    assert result.exit_code == status, (result.stdout, result.stderr)
    assert words in " ".join(result.stderr.split())
    assert count(file) == before


@pytest.mark.parametrize("named", [FIRST, f"/lab/sets/{FIRST}", f"sets/{FIRST}/"])
def test_a_whole_set_by_its_name_or_folder(run, file, named):
    result = run("rod", named, "delivered", "--date", "2031-03-14", "--note", "by post")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.count("delivered") == 4
    assert states(file) == ["delivered"] * 4
    with recorder_for(file) as recorder:
        last = recorder.ledger.current(CASE, Kind.ROD_STATE)[-1]
    assert (last.by, last.body["on"], last.body["reason"]) == ("ben", "2031-03-14", "by post")


def test_a_life(run, file):
    one = rods(file)[0].identifier
    for state in ("delivered", "fitted", "delivered", "returned", "delivered", "lost"):
        result = run("rod", grouped(one), state, "--json")
        assert result.exit_code == 0, result.stderr
        (told,) = json.loads(result.stdout)["rods"]
        assert (told["identifier"], told["state"]) == (one, state)
    assert states(file) == ["lost", "released", "released", "released"]
    refused(run, file, "is lost and cannot be fitted; what can be recorded of it is nothing more",
            one, "fitted")


def test_what_was_told_already_is_done(run, file):
    one = rods(file)[0].identifier
    run("rod", one, "delivered")
    refused(run, file, "is delivered already, entry 6 by ben on 2031-03-14", one, "delivered")


def test_of_several_rods_all_or_none(run, file):
    first, second, *_ = (rod.identifier for rod in rods(file))
    run("rod", second, "broken")
    refused(run, file, "is broken and cannot be delivered", first, second, "delivered")
    assert states(file)[0] == "released"
    refused(run, file, "is named twice; name each rod once", first, first, "delivered", status=2)


def test_what_may_follow_is_named(run, file):
    refused(run, file, "is released (in the lab, released) and cannot be returned; what can be "
            "recorded of it is delivered, rejected, broken, lost or withdrawn; a mistake is taken "
            "back with `labkit rod", rods(file)[0].identifier, "returned")


def test_a_rod_that_was_not_released_is_delivered_only_with_a_reason(run, file, tmp_path):
    with recorder_for(file) as recorder:
        event = recorder.ledger.current(CASE, Kind.RELEASE)[0]
        recorder.ledger.record(
            Kind.CORRECTION, CASE, {"reason": "too early"}, *WHO, corrects=event.seq
        )
    refused(run, file, "is not released; inspect and release its set first", FIRST, "delivered")
    result = run("rod", FIRST, "delivered", "--unreleased", "the lab releases on paper")
    assert result.exit_code == 0, result.stderr
    with recorder_for(file) as recorder:
        last = recorder.ledger.current(CASE, Kind.ROD_STATE)[-1]
    assert last.body["reason"] == "not released: the lab releases on paper"


def test_only_a_rod_that_leaves_the_lab_is_told_to_leave_it_all_the_same(run, file):
    result = run("rod", FIRST, "withdrawn", "--note", "not needed", "--unreleased", "no matter")
    assert result.exit_code == 0, result.stderr
    with recorder_for(file) as recorder:
        last = recorder.ledger.current(CASE, Kind.ROD_STATE)[-1]
    assert last.body["reason"] == "not needed"


def test_withheld_rods_stay_in_the_lab(run, file):
    with recorder_for(file) as recorder:
        recorder.ledger.write(CASE, Release(FIRST, "withheld"), *WHO)
    refused(run, file, "is withheld (in the lab, withheld) and cannot be delivered",
            FIRST, "delivered", "--unreleased", "all the same")


def test_a_mistake_is_taken_back_by_an_event_that_names_it(run, file):
    one = rods(file)[0].identifier
    refused(run, file, "no state was recorded that could be a mistake", one, "mistaken")
    run("rod", one, "lost")
    refused(run, file, "a mistake is taken back with a reason: add --note", one, "mistaken",
            status=2)
    assert run("rod", one, "mistaken", "--note", "it was in the box").exit_code == 0
    assert states(file)[0] == "released"
    with recorder_for(file) as recorder:
        last = recorder.ledger.story(CASE)[-1]
    assert (last.kind, last.corrects, last.body["reason"]) == (
        Kind.CORRECTION, last.seq - 1, "it was in the box",
    )


@pytest.mark.parametrize(("arguments", "words"), [
    (("4829173065",), "the last word says what became of the rods: delivered, fitted, returned"),
    (("4829173065", "gone"), "the last word says what became of the rods"),
    (("4829173065", "lost"), "no rod in the ledger"),
], ids=["no state", "another word", "no such rod"])
def test_what_is_not_understood(run, file, arguments, words):
    refused(run, file, words, *arguments, status=2)


def test_a_set_of_which_nothing_is_left(run, file):
    run("rod", FIRST, "lost")
    refused(run, file, f"no rod of {FIRST} is left", FIRST, "returned", status=2)


def test_replace_takes_what_became_of_a_rod(run, file, tmp_path):
    one = rods(file)[0].identifier
    with recorder_for(file) as recorder:
        recorder.ledger.write(CASE, RodState(one, "delivered"), *WHO)
    result = run("replace", one, "--reason", "on a journey", "--out", tmp_path / "sets")
    assert result.exit_code == 1
    assert "say what became of it with --because lost, --because broken or" in result.stderr


def test_find_says_the_state_once_with_its_note_and_day(run, file):
    one = rods(file)[0].identifier
    run("rod", one, "delivered", "--note", "by post", "--date", "2031-03-14")
    (line,) = (line for line in run("find", one).stdout.splitlines() if line.startswith("State"))
    assert line == "State: delivered (clinic or wearer) since 2031-03-14, by ben: by post"
    told = json.loads(run("find", one, "--json").stdout)
    assert (told["state_on"], told["state_note"]) == ("2031-03-14", "by post")


def test_one_pair_is_in_the_mouth(run, file):
    run("rod", FIRST, "delivered")
    refused(run, file, "cannot be in the mouth at once; name the rods of the pair that is fitted",
            FIRST, "fitted")
    pair = [rod.identifier for rod in rods(file)[:2]]
    assert run("rod", *pair, "fitted").exit_code == 0
    assert states(file) == ["fitted", "fitted", "delivered", "delivered"]


def test_another_pair_takes_the_place_of_the_one_in_the_mouth(run, file):
    run("rod", FIRST, "delivered", "--date", "2031-03-14")
    first, second = ([rod.identifier for rod in rods(file)[at:at + 2]] for at in (0, 2))
    run("rod", *first, "fitted")
    refused(run, file, "is fitted since entry 10, and two left rods cannot be in the mouth at "
            "once; say with --instead", *second, "fitted")
    refused(run, file, "it goes with fitted only", *second, "lost", "--instead", status=2)
    assert run("rod", *second, "fitted", "--instead").exit_code == 0
    assert states(file) == ["delivered", "delivered", "fitted", "fitted"]
    with recorder_for(file) as recorder:
        out = recorder.ledger.current(CASE, Kind.ROD_STATE)[6]
    assert out.body["reason"] == f"taken out for {grouped(second[0])}"


def test_the_days_of_a_rod_are_in_order(run, file, monkeypatch):
    """The set was made and released on 14 March."""
    monkeypatch.setattr(clock, "now", lambda: START + datetime.timedelta(days=20))
    one = rods(file)[0].identifier
    run("rod", one, "delivered", "--date", "2031-03-20")
    refused(run, file, "cannot have been lost then: 2031-03-19 is before it was delivered, on "
            "2031-03-20", one, "lost", "--date", "2031-03-19")
    assert run("rod", one, "lost", "--date", "2031-03-20").exit_code == 0


def test_a_lost_rod_leads_to_its_replacement(run, file):
    one = rods(file)[0].identifier
    run("rod", one, "delivered", "--unreleased", "for a test")
    said = " ".join(run("rod", one, "lost").stdout.split())
    assert f"Make replacements with `labkit replace {one} --reason … --out …`" in said
