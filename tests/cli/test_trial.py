"""`labkit trial` in process: the round trip in every model, acceptance, refusals."""

from __future__ import annotations

import json
import shlex

import numpy as np
import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.core.grading.prescription import Action, JawModelName
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.ledger.verify import verify
from tests.support import independent
from tests.support.ledgers import Pen
from tests.support.recorded import graded, make_case, parallel, read, set_body, unequal
from tests.support.trials import words

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


def told(left, right=None):
    """What is typed of both sides."""
    return ("--left", left, "--right", right or left)


def told_at(text, maximum):
    """What the 100 % rods show at a true maximum, by the second solver, to a micrometre."""
    prescription = read(text)
    _, _, registered = independent.numbers(prescription)
    seats = independent.exact_lengths(prescription, maximum - registered)
    at_100 = graded(text).steps[-1]
    rods = (at_100.left, at_100.right)
    return told(*(
        words(rod.label, f"{float(rod.length) - seat:.3f}")
        for rod, seat in zip(rods, seats, strict=True)
    ))


@pytest.mark.parametrize("part", [0.83, 0.96, 1.17])
@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("model", list(JawModelName))
def test_round_trip(run, record, file, model, action, part):
    text = unequal(CASE, str(model), str(action))
    record(text)
    maximum = 8.0 * part  # habitual -2 to protruded 6
    typed = told_at(text, maximum)
    before = one(run("show", CASE, "--json"))["rods"]
    start = head(file)

    shown = one(run("trial", CASE, *typed, "--json"))
    assert shown["proposal"]["maximum_mm"] == pytest.approx(maximum, abs=3e-3)
    assert shown["proposal"]["range_mm"] == pytest.approx(maximum, abs=3e-3)
    assert shown["accepted"] is False
    assert head(file) == start

    result = run("trial", CASE, *typed, "--accept", "--by", "berta", "--json")
    assert result.exit_code == 0, result.stderr
    accepted = one(result)
    assert (accepted["accepted"], accepted["revision"]) == (True, 2)
    after = one(run("show", CASE, "--json"))
    assert [r["label"] for r in after["rods"]] == [r["label"] for r in before]
    assert [r["identifier"] for r in after["rods"]] == [r["identifier"] for r in before]
    for old, new in zip(before, after["rods"], strict=True):
        # What the recorded 8 mm made of an advancement, the true maximum makes anew.
        expected = old["now"]["percent"] * 8.0 / shown["proposal"]["range_mm"]
        assert new["now"]["percent"] == pytest.approx(expected, abs=1e-4)
        assert abs(new["now"]["percent"] - old["now"]["percent"]) > 1
        assert new["now"]["advancement_mm"] == pytest.approx(
            old["now"]["advancement_mm"], abs=1e-6
        )
    # The revision in the record reads back to the same range, comments kept, path as it was.
    revised = run("show", CASE, "--prescription").stdout
    assert "# gauge 2" in revised
    bite = read(revised).bite
    assert float(bite.protruded - bite.habitual) == pytest.approx(
        shown["proposal"]["range_mm"], abs=1e-6
    )
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
    shown = one(run("trial", CASE, *told(f"{recorded} too long by 1"), "--json"))
    true = str(recorded - 1)
    assert shown["proposal"]["labels_at_100"] == {"left": true, "right": true}
    further = "further" if action is Action.PULL else "less far"
    assert f"The jaw went 1.00 mm {further} than recorded: the range is" in shown["answer"]
    assert not shown["proposal"]["confirmed"]


@pytest.mark.common_practice
def test_labels_stay_and_percentages_change(run, record):
    # The patient reaches 8.3 mm of the recorded 9.2: the old 90 % rods are the 100 % ones.
    record(parallel(CASE))
    shown = one(run("trial", CASE, *told("28.7 meets"), "--json"))
    pairs = {pair["left"]: pair for pair in shown["proposal"]["pairs"]}
    was = {label: round(pair["percent_before"], 6) for label, pair in pairs.items()}
    now = {label: round(pair["percent"], 6) for label, pair in pairs.items()}
    assert was == {"30.6": 69.565217, "29.6": 80.434783, "28.7": 90.217391, "27.8": 100}
    assert now == {"30.6": 77.108434, "29.6": 89.156627, "28.7": 100, "27.8": 110.843373}
    assert [label for label, pair in pairs.items() if pair["not_to_be_worn"]] == ["27.8"]
    missing = {(m["percent"], m["side"], m["label"]) for m in shown["missing"]}
    assert (70, "left", "31.2") in missing
    # 90 % of 8.3 mm is 7.47 mm, rod 29.5: the rod 29.6 serves it within its ±0.1 mm.
    serves = {step["percent"]: step["pair"] for step in shown["prescribed"] if step["covered"]}
    assert serves == {90: "QF-1043-r1/2", 100: "QF-1043-r1/3"}


def test_what_is_told(run, record, file, reports):
    left, right = (grouped(rod["identifier"]) for rod in record(parallel(CASE))[-2:])
    before = head(file)
    result = run("trial", CASE, *told("28.7L meets", "28.7R meets"))
    assert result.exit_code == 0, result.stderr
    (report,) = reports
    for piece in (
        ", prescription revision 1",
        "The jaw went 0.90 mm less far than recorded: the range is 8.30 mm, not 9.20, and the pull "
        "rods of 100 % are 28.7 / 28.7 (left / right).",
        "Left rod 28.7 meets: the seats are 28.7 mm apart.",
        "This holds only if the pads touched on both sides while looking",
        f"Not to be worn, in the lab; keep them there: 27.8 left ({left}), 27.8 right ({right}).",
        "Keep the other rods: they stay in use under the percents above.\n"
        "New rods are made only if the prescriber wants the missing steps.",
        "1 step (2 rods) can be made after acceptance",
        "\n  labkit extra QF-1043 --percent 70 --out sets\n",
        "Nothing has changed.",
    ):
        assert piece in report.words
    pairs = report.table("Rods in circulation")
    steps = report.table("Steps prescribed, on this range")
    assert pairs.cells("not_to_be_worn") == (False, False, False, True)
    assert pairs.shown().texts[-1][-1] == "NOT TO BE WORN"
    assert steps.cells("left rod")[0].wanted == "31.2"
    assert "missing 31.2" in steps.shown().texts[0]
    assert head(file) == before


def test_the_order_asks_only_for_rods_that_can_be_made(run, record):
    # At 8.8 mm the 70 % rod is 30.8, which could be mistaken for the 30.6 that is out.
    record(parallel(CASE))
    shown = one(run("trial", CASE, *told("27.8 too short by 0.4"), "--json"))
    words = shlex.split(shown["order"]["command"])
    assert words[:3] == ["labkit", "extra", CASE]
    assert words[-2:] == ["--out", "sets"]
    assert set(words[3:-2:2]) == {"--percent"}
    asked = {float(value) for value in words[4:-2:2]}
    missing = {m["percent"] for m in shown["missing"]}
    blocked = {f["where"] for f in shown["order"]["cannot"]}
    assert asked == {80, 90, 100}
    assert asked < missing
    assert all(any(f"{p:g} %" in where for where in blocked) for p in missing - asked)


def test_a_range_that_stands_gives_no_revision(run, record, file, reports):
    record(parallel(CASE))
    accepted = ("--accept", "--by", "anna", "--note", "all well")
    result = run("trial", CASE, *told("27.8 meets"), *accepted)
    assert result.exit_code == 0, result.stderr
    assert "The range is confirmed, and prescription revision 1 holds" in reports[-1].words
    assert "Keep the rods: no rod is missing." in reports[-1].words
    with open_ledger(str(file)) as ledger:
        assert len(ledger.prescriptions(CASE)) == 1
        trial, decided = ledger.story(CASE)[-2:]
    assert trial.body["note"] == "all well"
    assert decided.body == {"trial": trial.seq, "revision": 1}


MEETS = "27.8 meets"


@pytest.mark.parametrize(
    ("typed", "code", "sentence"),
    [
        (told("26.5 meets"), 2, "no left rod of the case 'QF-1043' bears 26.5; its left rods are"),
        (told("30.6 meets", MEETS), 1, "left and right disagree"),
        (told("27.8 too short by 6"), 1, "behind the registered reading"),
        (told("27.8 too long by 9"), 1, "record the bite again"),
        ([], 2, "nothing is said of the left side; the jaw can turn, so give both sides"),
        (["--left", MEETS], 2, "nothing is said of the right side; the jaw can turn"),
        (told("27.8 too long by -0.8"), 2, "bears the sign -; say too long or too short in words"),
        (told("27,8 meets"), 2, "has a decimal comma; write 27.8, with a point"),
        (told("27,8 meets", "27,8 too long by 0,8"), 2, "write 27.8 and 0.8, with a point"),
        (told(MEETS, "27.8L meets"), 2, "bears the L of a left rod"),
        ([*told("27.8"), "meets"], 2, "is not part of an answer; what was seen of a rod goes in"),
        ([*told(MEETS), "--correct", "left"], 1, "nothing is to be corrected; leave it out"),
        ([*told(MEETS), "--date", "2.4.2031"], 2,
         "'2.4.2031' is not a day; write one such as 2031-03-20"),
        ([*told(MEETS), "--date", "1999-03-13"], 1, "the trial fit cannot have been then"),
        ([*told(MEETS), "--read-to", "0"], 2, "0 is out of bounds; allowed is 0.01 to 1"),
        (["--gap-left", "0.8", "--gap-right", "0.8"], 2, "No such option"),
        (["--met", "27.8"], 2, "No such option"),
    ],
)
def test_refusals_change_nothing(run, record, file, typed, code, sentence):
    record(parallel(CASE))
    before = head(file)
    for decided in ([], ["--accept", "--by", "anna"]):
        result = run("trial", CASE, *typed, *decided)
        assert result.exit_code == code, result.stdout
        assert sentence in result.stderr
    assert head(file) == before


def test_acceptance_needs_an_operator(run, record, file):
    record(parallel(CASE))
    before = head(file)
    result = run("trial", CASE, *told("28.7 meets"), "--accept")
    assert result.exit_code == 2
    assert "give yours with --by" in result.stderr
    assert run("trial", CASE, *told("28.7 meets"), "--accept", "--by", " a").exit_code == 2
    assert head(file) == before
    assert run("trial", CASE, *told("28.7 meets"), "--accept", LABKIT_BY="carl").exit_code == 0


def test_a_case_that_is_not_there(run, record, file, tmp_path):
    record(parallel(CASE))
    result = run("trial", "QF-1034", *told("28.7 meets"))
    assert result.exit_code == 2
    assert "did you mean QF-1043?" in result.stderr
    none = run("trial", CASE, *told("28.7 meets"), "--ledger", tmp_path / "typo.sqlite")
    assert none.exit_code == 2
    assert not (tmp_path / "typo.sqlite").exists()


def test_a_rod_that_is_only_reserved_was_not_tried(run, file):
    text = parallel(CASE)
    with open_ledger(str(file)) as ledger:
        pen = Pen(ledger)
        pen(Kind.CASE_OPENED, CASE, {})
        pen(Kind.PRESCRIPTION, CASE, {"revision": 1, "text": text})
        assert run("trial", CASE, *told("28.7 meets")).exit_code == 1  # no set yet
        pen(Kind.SET_STARTED, CASE, set_body(text, f"{CASE}-r1"))
    result = run("trial", CASE, *told("28.7 meets"))
    assert result.exit_code == 1
    assert "the left rod 28.7 is only reserved" in result.stderr


def test_a_strange_case_number_stays_text(run, record):
    case = "-x; [red]$(rm)"
    record(parallel(case))
    result = run("trial", *told("28.7 meets"), "--", case)
    assert result.exit_code == 0, result.stderr
    assert f"Trial fit of case {case} on" in result.stdout
    (command,) = [line for line in result.stdout.splitlines() if "labkit extra" in line]
    assert shlex.split(command)[-2:] == ["--", case]


def test_rods_that_hold_the_jaw_where_they_did(run, record):
    """The table's advancements are those that the set was graded with."""
    text = unequal(CASE, "hinged")
    record(text)
    shown = one(run("trial", CASE, *told_at(text, 7.0), "--json"))
    found = [pair["advancement_mm"] for pair in shown["proposal"]["pairs"]]
    made = [step.made.advancement_mm for step in graded(text).steps]
    assert np.allclose(found, made, atol=1e-6, rtol=0)


def test_sides_that_disagree_are_said_with_what_can_be_done(run, record, file, reports):
    record(parallel(CASE))
    before = head(file)
    typed = told("27.8L too short by 0.45", "27.8R too long by 0.45")
    for decided in ([], ["--accept", "--by", "anna"]):
        result = run("trial", CASE, *typed, *decided)
        assert result.exit_code == 1
        assert "left and right disagree: against the recorded path" in result.stderr
        table = reports[-1].table("Corrections to choose from, if a second look shows the same")
        assert table.shown().texts == (
            ("--correct left", "9.65",
             "the left distance at the registered bite was 30.90 mm, not 30.00 mm"),
            ("--correct right", "8.75",
             "the right distance at the registered bite was 29.10 mm, not 30.00 mm"),
        )
        assert (
            "Does not apply: --correct midline (a midline deviation is read from the two sides "
            "with the hinged model alone; look again)." in reports[-1].words
        )
        assert "Left rod 27.8 too short by 0.45 mm: the seats are 28.25 mm" in reports[-1].words
    assert head(file) == before
    shown = one(run("trial", CASE, *typed, "--json"))
    assert shown["proposal"] is None
    assert [choice["correct"] for choice in shown["choices"]] == ["left", "right", "midline"]
    assert shown["disagreement"]["mm"] == pytest.approx(0.9)
    corrected = run("trial", CASE, *typed, "--correct", "left", "--accept", "--by", "anna")
    assert corrected.exit_code == 0, corrected.stderr
    assert "Corrected: the left distance at the registered bite, 30.9 mm." in reports[-1].words
    assert "pin_distance = 30.9" in run("show", CASE, "--prescription").stdout


def test_the_day_is_recorded_and_told(run, record, file):
    record(parallel(CASE))
    assert run("trial", CASE, *told("28.7 meets"), "--accept", "--by", "anna").exit_code == 0
    with open_ledger(str(file)) as ledger:
        (trial,) = (event for event in ledger.story(CASE) if event.kind is Kind.TRIAL_FIT)
    assert trial.body["on"] == one(run("trial", CASE, *told("28.7 meets"), "--json"))["on"]
    assert f"trial fit of {trial.body['on']} on prescription revision 1" in run("show", CASE).stdout
