"""`labkit rod A B --case`: what two rods make together, the prohibition first."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.bodies import Release, RodState
from labkit.ledger.events import Kind
from tests.support.dry import first_set
from tests.support.making import CASE, ONE, START, recorder_for
from tests.support.prescriptions import changed

WHO = ("anna", START)


@pytest.fixture
def file(tmp_path):
    """A released set of two steps, without solids: 35.0 makes 6.7, 32.6 makes 9.1 of 11.6 mm."""
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        text = changed(ONE, ("[50]", "[50, 75]"), ("pin_distance = 33.6", "pin_distance = 32.7"))
        first_set(recorder, text)
        recorder.ledger.write(CASE, Release(f"{CASE}-r1", "released"), *WHO)
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def run(file):
    def invoke(*arguments):
        env = {"COLUMNS": "250", "LABKIT_LEDGER": str(file), "LABKIT_BY": "ben"}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    return invoke


@pytest.fixture
def asked(run):
    """Ask for two rods; give the sentences before the cautions, and the exit status."""

    def ask(*labels):
        result = run("rod", *labels, "--case", CASE)
        return result.stdout.partition("Cautions")[0].splitlines(), result.exit_code

    return ask


def labels(file):
    with recorder_for(file) as recorder:
        return {(rod.step, rod.side): (rod.label, rod.identifier)
                for rod in recorder.ledger.rods(CASE)}


def tell(file, place, state):
    with recorder_for(file) as recorder:
        recorder.ledger.write(CASE, RodState(labels(file)[place][1], state), *WHO)


def test_rods_of_one_step(asked):
    lines, status = asked("35.0L", "35.0R")
    assert status == 0
    assert lines == [
        f"Case {CASE}: 35.0 left with 35.0 right",
        "They make 50.0 % of the range that holds now, 5.80 mm of advancement (±0.15 mm within "
        "their tolerances).",
        "Nothing on record speaks against wearing them together.",
        "True as of entry 5 of the record, 2031-03-14",
    ]


def test_the_prohibition_comes_first(asked):
    lines, status = asked("32.1R", "35L")
    assert status == 1
    assert lines[:2] == [
        f"Case {CASE}: 35.0 left with 32.1 right",
        "NOT TO BE WORN TOGETHER: the right rod holds the jaw 2.90 mm ahead of the other one, and "
        "one joint would carry the difference.",
    ]
    assert not any("speaks against" in line for line in lines)


@pytest.mark.parametrize(("states", "words"), [
    (["lost"], "lost"), (["withdrawn"], "withdrawn"), (["delivered", "broken"], "broken"),
    (["delivered", "returned"], "returned, in the lab"),
])
def test_a_rod_that_is_not_there_is_never_cleared(file, asked, states, words):
    for state in states:
        tell(file, (1, "right"), state)
    lines, status = asked("35.0", "35.0")
    assert status == 1
    which = grouped(labels(file)[1, "right"][1])
    assert lines[1] == (
        f"The right rod 35.0, {which}, is {words}; nothing can be said about wearing it."
    )
    assert not any("%" in line or "speaks against" in line for line in lines)


def test_rods_that_were_not_released_are_told(file, asked):
    with recorder_for(file) as recorder:
        (event,) = recorder.ledger.current(CASE, Kind.RELEASE)
        why = {"reason": "too early"}
        recorder.ledger.record(Kind.CORRECTION, CASE, why, *WHO, corrects=event.seq)
    lines, status = asked("35.0", "35.0")
    assert status == 0
    which = grouped(labels(file)[1, "left"][1])
    assert f"Note: the left rod 35.0, {which}, is in the lab, not released." in lines


def test_withheld_rods_are_not_cleared(file, asked):
    with recorder_for(file) as recorder:
        recorder.ledger.write(CASE, Release(f"{CASE}-r1", "withheld"), *WHO)
    lines, status = asked("35.0", "35.0")
    assert status == 1
    assert lines[1].endswith("is in the lab, withheld; nothing can be said about wearing it.")


def test_programs_are_told_the_same(file, run):
    told = json.loads(run("rod", "35.0", "32.1", "--case", CASE, "--json").stdout)
    assert (told["left"], told["right"], told["may_be_worn"]) == ("35.0", "32.1", False)
    assert [one["code"] for one in told["findings"]] == ["sides_of_two_steps"]


@pytest.mark.parametrize(("words", "message"), [
    (["36", "35.0"], f"no left rod of the case '{CASE}' bears 36.0; its left rods are 35.0, 32.1; "
                     "read the label again"),
    (["35.0L", "32.1L"], "both rods are left ones; name one left and one right rod"),
    (["35.0"], "name one left and one right rod as engraved, such as 31.6L 30.1R"),
    (["35,0", "35.0"], "name one left and one right rod as engraved"),
])
def test_what_cannot_be_asked(run, words, message):
    result = run("rod", *words, "--case", CASE)
    assert (result.exit_code, result.stdout) == (2, "")
    assert message in " ".join(result.stderr.split())
