"""`labkit trial` in process: the round trip in every model, acceptance, refusals."""

from __future__ import annotations

import json
import shlex

import numpy as np
import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.grading.prescription import Action, JawModelName
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.ledger.verify import verify
from tests.support import independent
from tests.support.ledgers import Pen
from tests.support.recorded import graded, make_case, parallel, read, set_body, unequal

CASE = "QF-1043"


@pytest.fixture
def file(tmp_path):
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def run(file):
    def invoke(*arguments, **environment):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(file), "LABKIT_BY": None, **environment}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    return invoke


@pytest.fixture
def record(file):
    def fill(text):
        with open_ledger(str(file)) as ledger:
            return make_case(Pen(ledger), text)

    return fill


def one(result):
    (line,) = result.stdout.splitlines()
    return json.loads(line)


def head(file):
    with open_ledger(str(file), create=False) as ledger:
        return ledger.head()


def gaps_at(text, maximum):
    """What the 100 % rods show at a true maximum, by the second solver."""
    prescription = read(text)
    _, _, registered = independent.numbers(prescription)
    seats = independent.exact_lengths(prescription, maximum - registered)
    at_100 = graded(text).steps[-1]
    rods = (float(at_100.left.length), float(at_100.right.length))
    return [f"{rod - seat:.12f}" for rod, seat in zip(rods, seats, strict=True)]


@pytest.mark.parametrize("part", [0.83, 0.96, 1.17])
@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("model", list(JawModelName))
def test_round_trip(run, record, file, model, action, part):
    text = unequal(CASE, str(model), str(action))
    record(text)
    maximum = 8.0 * part  # habitual -2 to protruded 6
    left, right = gaps_at(text, maximum)
    told = ("--gap-left", left, "--gap-right", right)
    before = one(run("show", CASE, "--json"))["rods"]
    start = head(file)

    shown = one(run("trial", CASE, *told, "--json"))
    assert shown["proposal"]["maximum_mm"] == pytest.approx(maximum, abs=1e-6)
    assert shown["proposal"]["range_mm"] == pytest.approx(maximum, abs=1e-6)
    assert shown["accepted"] is False
    assert head(file) == start

    result = run("trial", CASE, *told, "--accept", "--by", "berta", "--json")
    assert result.exit_code == 0, result.stderr
    accepted = one(result)
    assert (accepted["accepted"], accepted["revision"]) == (True, 2)
    after = one(run("show", CASE, "--json"))
    assert [r["label"] for r in after["rods"]] == [r["label"] for r in before]
    assert [r["identifier"] for r in after["rods"]] == [r["identifier"] for r in before]
    for old, new in zip(before, after["rods"], strict=True):
        # What the recorded 8 mm made of an advancement, the true maximum makes anew.
        expected = old["now"]["percent"] * 8.0 / maximum
        assert new["now"]["percent"] == pytest.approx(expected, abs=1e-4)
        assert abs(new["now"]["percent"] - old["now"]["percent"]) > 1
        assert new["now"]["advancement_mm"] == pytest.approx(
            old["now"]["advancement_mm"], abs=1e-6
        )
    # The revision in the record reads back to the same range, comments kept, path as it was.
    revised = run("show", CASE, "--prescription").stdout
    assert "# gauge 2" in revised
    bite = read(revised).bite
    assert float(bite.protruded - bite.habitual) == pytest.approx(maximum, abs=1e-6)
    path = float(bite.midline_deviation_mm) / float(bite.protruded - bite.retruded)
    assert path == pytest.approx(1.2 / 9.2, abs=1e-9)
    with open_ledger(str(file)) as ledger:
        assert verify(ledger).ok
        kinds = [event.kind for event in ledger.story(CASE)][-3:]
        by = {event.by for event in ledger.story(CASE)[-3:]}
    assert kinds == [Kind.TRIAL_FIT, Kind.TRIAL_ACCEPTED, Kind.PRESCRIPTION]
    assert by == {"berta"}


@pytest.mark.common_practice
@pytest.mark.parametrize("action", list(Action))
def test_an_overshoot_means_that_the_bite_was_not_taken_at_100(run, record, action):
    # Rods along the path: the true 100 % rod is shorter by the overshoot, for either action.
    record(parallel(CASE, str(action)))
    recorded = graded(parallel(CASE, str(action))).steps[-1].left.length
    shown = one(run("trial", CASE, "--gap-left", "1.0", "--gap-right", "1", "--json"))
    true = str(recorded - 1)
    assert shown["proposal"]["labels_at_100"] == {"left": true, "right": true}
    assert "bite_not_at_100" in {finding["code"] for finding in shown["findings"]}
    assert not shown["proposal"]["confirmed"]


@pytest.mark.common_practice
def test_labels_stay_and_percentages_change(run, record):
    # The patient reaches 9 mm of the recorded 10: the old 90 % rods are the 100 % ones.
    record(parallel(CASE))
    shown = one(run("trial", CASE, "--met", "28.0", "--json"))
    pairs = {pair["left"]: pair for pair in shown["proposal"]["pairs"]}
    was = {label: round(pair["percent_before"], 6) for label, pair in pairs.items()}
    now = {label: round(pair["percent"], 6) for label, pair in pairs.items()}
    assert was == {"30.0": 70, "29.0": 80, "28.0": 90, "27.0": 100}
    assert now == {"30.0": 77.777778, "29.0": 88.888889, "28.0": 100, "27.0": 111.111111}
    assert [label for label, pair in pairs.items() if pair["above_100"]] == ["27.0"]
    missing = {(m["percent"], m["side"], m["label"]) for m in shown["missing"]}
    assert (70, "left", "30.7") in missing
    # 90 % of 9 mm is 8.1 mm, rod 28.9: the rod 29.0 serves it within its ±0.1 mm.
    serves = {step["percent"]: step["pair"] for step in shown["prescribed"] if step["covered"]}
    assert serves == {90: "QF-1043-r1/2", 100: "QF-1043-r1/3"}


def test_what_is_told(run, record, file, reports):
    record(parallel(CASE))
    before = head(file)
    result = run("trial", CASE, "--left", "28.0", "--right", "28.0")
    assert result.exit_code == 0, result.stderr
    (report,) = reports
    for piece in (
        "Trial fit of case QF-1043, prescription revision 1",
        "True maximum: 9.00 mm of advancement",
        "Range: 9.00 mm, recorded is 10.00 mm; protruded reading 5",
        "True 100 % rods: 28.0 left, 28.0 right",
        "Cannot be ordered: the left rod 29.8 asked for at 80 % differs from the rod 30.0",
        "To order the missing rods after acceptance (with --by",
        "\n  labkit extra QF-1043 --percent 70 --out sets\n",
        "Nothing has changed.",
    ):
        assert piece in report.words
    pairs, steps = report.table("Rods out"), report.table("Steps prescribed, on this range")
    assert pairs.cells("above_100") == (False, False, False, True)
    assert pairs.texts[-1][-1] == "above 100 %: not to be worn"
    assert steps.cells("left rod")[0].wanted == "30.7"
    assert "missing 30.7" in steps.shown().texts[0]
    assert head(file) == before


def test_the_order_asks_only_for_rods_that_can_be_made(run, record):
    # At 9.9 mm the 100 % rod is 27.1, which lies within the tolerance of 27.0 that is out.
    record(parallel(CASE))
    shown = one(run("trial", CASE, "--gap-left", "-0.4", "--gap-right", "-0.4", "--json"))
    words = shlex.split(shown["order"]["command"])
    assert words[:3] == ["labkit", "extra", CASE]
    assert words[-2:] == ["--out", "sets"]
    assert set(words[3:-2:2]) == {"--percent"}
    asked = {float(value) for value in words[4:-2:2]}
    missing = {m["percent"] for m in shown["missing"]}
    blocked = {f["where"] for f in shown["order"]["cannot"]}
    assert asked <= missing
    assert all(any(f"{p:g} %" in where for where in blocked) for p in missing - asked)


def test_a_range_that_stands_gives_no_revision(run, record, file, reports):
    record(parallel(CASE))
    result = run("trial", CASE, "--met", "27.0", "--accept", "--by", "anna", "--note", "all well")
    assert result.exit_code == 0, result.stderr
    assert "The range stands: prescription revision 1 holds" in reports[-1].words
    assert "No rod is missing." in reports[-1].words
    with open_ledger(str(file)) as ledger:
        assert len(ledger.prescriptions(CASE)) == 1
        trial, decided = ledger.story(CASE)[-2:]
    assert trial.body["note"] == "all well"
    assert decided.body == {"trial": trial.seq, "revision": 1}


def test_the_same_command_twice_moves_the_range_once(run, record, file):
    text = parallel(CASE).replace("[70, 80, 90, 100]", "[70, 80, 90]")
    record(text)  # no 100 % rod: a gap is counted from its exact length
    told = ("--gap-left", "-1", "--gap-right", "-1", "--accept", "--by", "anna")
    assert run("trial", CASE, *told).exit_code == 0
    after = head(file)
    again = run("trial", CASE, *told)
    assert again.exit_code == 1
    assert "accepted already, as event 6 by anna" in again.stderr
    assert len(again.stderr.strip().splitlines()) == 1
    assert head(file) == after


def test_after_acceptance_a_gap_needs_the_new_100_percent_rod(run, record, file):
    record(parallel(CASE))
    told = ("--gap-left", "0.5", "--gap-right", "0.5", "--accept", "--by", "anna")
    assert run("trial", CASE, *told).exit_code == 0
    again = run("trial", CASE, "--gap-left", "0.4", "--gap-right", "0.4")
    assert again.exit_code == 1
    assert "no left rod out is one" in again.stderr


@pytest.mark.parametrize(
    ("told", "code", "words"),
    [
        (["--met", "26.5"], 1, "the left rod 26.5 is not among the rods out"),
        (["--left", "30.0", "--right", "27.0"], 1, "check whether the sides were exchanged"),
        (["--gap-left", "-6", "--gap-right", "-6"], 1, "behind the registered reading"),
        (["--gap-left", "9", "--gap-right", "9"], 1, "record the bite again"),
        (["--met", "27.0", "--left", "27.0"], 2, "is told in one way"),
        ([], 2, "is told in one way"),
        (["--gap-left", "1"], 2, "give the gap of both sides"),
        (["--gap-left", "nan", "--gap-right", "1"], 2, "give a number of mm"),
        (["--gap-left", "31", "--gap-right", "1"], 2, "by at most 30 mm"),
        (["--met", "27,0"], 2, "is not the label of a rod"),
    ],
)
def test_refusals_change_nothing(run, record, file, told, code, words):
    record(parallel(CASE))
    before = head(file)
    for decided in ([], ["--accept", "--by", "anna"]):
        result = run("trial", CASE, *told, *decided)
        assert result.exit_code == code, result.stdout
        assert words in result.stderr
    assert head(file) == before


def test_acceptance_needs_an_operator(run, record, file):
    record(parallel(CASE))
    before = head(file)
    result = run("trial", CASE, "--met", "28.0", "--accept")
    assert result.exit_code == 2
    assert "give an operator code with --by" in result.stderr
    assert run("trial", CASE, "--met", "28.0", "--accept", "--by", " a").exit_code == 2
    assert head(file) == before
    assert run("trial", CASE, "--met", "28.0", "--accept", LABKIT_BY="carl").exit_code == 0


def test_a_case_that_is_not_there(run, record, file, tmp_path):
    record(parallel(CASE))
    result = run("trial", "QF-1034", "--met", "28.0")
    assert result.exit_code == 2
    assert "did you mean QF-1043?" in result.stderr
    none = run("trial", CASE, "--met", "28.0", "--ledger", tmp_path / "typo.sqlite")
    assert none.exit_code == 2
    assert not (tmp_path / "typo.sqlite").exists()


def test_a_rod_that_is_only_reserved_was_not_tried(run, file):
    text = parallel(CASE)
    with open_ledger(str(file)) as ledger:
        pen = Pen(ledger)
        pen(Kind.CASE_OPENED, CASE, {})
        pen(Kind.PRESCRIPTION, CASE, {"revision": 1, "text": text})
        assert run("trial", CASE, "--met", "28.0").exit_code == 1  # no set yet
        pen(Kind.SET_STARTED, CASE, set_body(text, f"{CASE}-r1"))
    result = run("trial", CASE, "--met", "28.0")
    assert result.exit_code == 1
    assert "the left rod 28.0 is only reserved" in result.stderr


def test_a_strange_case_number_stays_text(run, record):
    case = "-x; [red]$(rm)"
    record(parallel(case))
    result = run("trial", "--met", "28.0", "--", case)
    assert result.exit_code == 0, result.stderr
    assert f"Trial fit of case {case}," in result.stdout
    (command,) = [line for line in result.stdout.splitlines() if "labkit extra" in line]
    assert shlex.split(command)[-2:] == ["--", case]


def test_rods_that_hold_the_jaw_where_they_did(run, record):
    """The table's advancements are those that the set was graded with."""
    text = unequal(CASE, "hinged")
    record(text)
    left, right = gaps_at(text, 7.0)
    shown = one(run("trial", CASE, "--gap-left", left, "--gap-right", right, "--json"))
    found = [pair["advancement_mm"] for pair in shown["proposal"]["pairs"]]
    made = [step.made.advancement_mm for step in graded(text).steps]
    assert np.allclose(found, made, atol=1e-6, rtol=0)
