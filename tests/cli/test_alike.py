"""Like slips end alike: one sentence and one exit status, whichever command meets them."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.bodies import RodState
from tests.support.dry import first_set
from tests.support.making import CASE, ONE, START, recorder_for
from tests.support.prescriptions import changed

MEETS = ("--left", "30.1 meets", "--right", "30.1 meets")
NO_ROD = "4829173065"
WRONG_DIGIT = "4829173066"
SET = f"{CASE}-r9"
DIGITS = ' is not a rod identifier; it has fourteen digits, such as 4829 482 917 3065, or '

NO_CASE = "has no case 'QF-9999'; `labkit cases` lists those that it has"
NO_DAY = "is not a day; write one such as 2031-03-20"

#: What cannot be read, or does not exist as typed: 2. What a rule of the trade refuses: 1.
SLIPS = {
    "no such case": (2, NO_CASE, [
        ("trial", "QF-9999", *MEETS), ("trial", "QF-9999", "--withdraw", 3, "--reason", "x"),
        ("order", "QF-9999"), ("order", "QF-9999", "--withdraw", 3, "--reason", "x"),
        ("rod", "30L", "30R", "--case", "QF-9999"), ("sheet", "QF-9999"), ("show", "QF-9999"),
        ("extra", "QF-9999", "--percent", 60, "--dry-run"),
        ("extra", "QF-9999", "--percent", 60, "--out", "sets"),
    ]),
    "no such entry": (2, "entry 99 is no {} of the case 'QF-1043'; it has none", [
        ("trial", CASE, "--withdraw", 99, "--reason", "x"),
        ("order", CASE, "--withdraw", 99, "--reason", "x"),
    ]),
    "an entry of another kind": (2, "entry 2 is no {} of the case 'QF-1043'; it has none", [
        ("trial", CASE, "--withdraw", 2, "--reason", "x"),
        ("order", CASE, "--withdraw", 2, "--reason", "x"),
    ]),
    "an entry that is no number": (2, "Invalid value for '--withdraw': 'three' is not a valid", [
        ("trial", CASE, "--withdraw", "three", "--reason", "x"),
        ("order", CASE, "--withdraw", "three", "--reason", "x"),
    ]),
    "no reason": (2, "no reason is given; say why with --reason", [
        ("trial", CASE, "--withdraw", 2), ("order", CASE, "--withdraw", 2),
        ("replace", "{rod}", "--reason", " ", "--out", "sets"),
    ]),
    "a reason without words": (2, 'the reason "." has no words; say', [
        ("trial", CASE, "--withdraw", 2, "--reason", "."),
        ("order", CASE, "--withdraw", 2, "--reason", "."),
        ("replace", "{rod}", "--reason", ".", "--out", "sets"),
        ("rod", "{rod}", "delivered", "--unreleased", "."),
        ("release", CASE, "--withhold", "."),
    ]),
    "a day that is none": (2, f"'2031-13-01' {NO_DAY}", [
        ("trial", CASE, *MEETS, "--date", "2031-13-01"),
        ("rod", "{rod}", "lost", "--date", "2031-13-01"),
    ]),
    "a day in another form": (2, f"'20310402' {NO_DAY}", [
        ("trial", CASE, *MEETS, "--date", "20310402"),
        ("rod", "{rod}", "lost", "--date", "20310402"),
    ]),
    "a day to come": (1, "then: 2099-01-01 lies in the future; today is 2031-03-14; check", [
        ("trial", CASE, *MEETS, "--date", "2099-01-01"),
        ("rod", "{rod}", "lost", "--date", "2099-01-01"),
    ]),
    "a day before anything was made": (1, "made, on 2031-03-14; check the day given with --date", [
        ("trial", CASE, *MEETS, "--date", "2031-03-13"),
        ("rod", "{rod}", "lost", "--date", "2031-03-13"),
    ]),
    "no such rod": (2, "no rod in the ledger", [
        ("rod", NO_ROD, "lost"), ("find", NO_ROD),
        ("replace", NO_ROD, "--reason", "x", "--out", "sets"),
    ]),
    "no such rod of the case": (2, "the rod 482 917 3065 is not a rod of the case 'QF-1043'", [
        ("trial", CASE, "--left", f"{NO_ROD} meets", "--right", "30.1 meets"),
    ]),
    "a wrong digit": (2, '"4829173066" has a wrong digit or two digits swapped', [
        ("rod", WRONG_DIGIT, "lost"), ("find", WRONG_DIGIT),
        ("replace", WRONG_DIGIT, "--reason", "x", "--out", "sets"),
        ("trial", CASE, "--left", f"{WRONG_DIGIT} meets", "--right", "30.1 meets"),
    ]),
    "no such set": (2, f"'{SET}' is neither a set in the ledger", [("rod", SET, "lost")]),
    "a set where a rod is asked for": (2, f'"{SET}"{DIGITS}', [
        ("find", SET), ("replace", SET, "--reason", "x", "--out", "sets"),
    ]),
    "no such label": (2, "no left rod of the case 'QF-1043' bears 36.0; its left rods are 35.9", [
        ("trial", CASE, "--left", "36 meets", "--right", "30.1 meets"),
        ("rod", "36L", "35.9R", "--case", CASE),
    ]),
    "nobody who records": (2, "under an operator code; give yours with --by", [
        ("rod", "{rod}", "lost"), ("trial", CASE, *MEETS, "--accept"),
        ("trial", CASE, "--withdraw", 3, "--reason", "x"),
        ("order", CASE, "--withdraw", 3, "--reason", "x"),
        ("extra", CASE, "--percent", 60, "--out", "sets"),
    ]),
    "a rod that is gone": (1, "is lost", [
        ("rod", "{gone}", "fitted"), ("rod", "{gone}", "lost"),
        ("trial", CASE, "--left", "35.9 meets", "--right", "{gone} meets"),
        ("rod", "35.9L", "33.0R", "--case", CASE),
    ]),
}


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """A set of two steps, without solids; the right rod of the second is lost."""
    place = tmp_path_factory.mktemp("alike") / "ledger.sqlite"
    with recorder_for(place) as recorder:
        first_set(recorder, changed(ONE, ("[50]", "[50, 75]")))
        gone = recorder.ledger.rods(CASE)[-1]
        recorder.ledger.write(CASE, RodState(gone.identifier, "lost"), "anna", START)
    return place


@pytest.mark.parametrize(
    ("slip", "words"), [(slip, words) for slip, (*_, all_of) in SLIPS.items() for words in all_of],
    ids=lambda value: value if isinstance(value, str) else " ".join(map(str, value)),
)
def test_a_slip_ends_in_its_sentence_and_status(file, monkeypatch, slip, words):
    monkeypatch.setattr(clock, "now", lambda: START)
    status, sentence, _ = SLIPS[slip]
    with recorder_for(file) as recorder:
        first, *_, gone = (rod.identifier for rod in recorder.ledger.rods(CASE))
        before = recorder.ledger.head()
    typed = [str(word).format(rod=first, gone=gone) for word in words]
    who = {} if slip == "nobody who records" else {"LABKIT_BY": "ben"}
    env = {"COLUMNS": "300", "LABKIT_LEDGER": str(file), "LABKIT_BY": None, **who}
    result = CliRunner().invoke(cli, typed, env=env)
    told = " ".join((result.stderr or result.stdout).split())
    assert result.exit_code == status, told
    begin, _, end = sentence.partition("{}")
    assert begin in told
    assert end in told.partition(begin)[2]
    assert sum(line.startswith("labkit: ") for line in result.stderr.splitlines()) <= 1
    with recorder_for(file) as recorder:
        assert recorder.ledger.head() == before
    assert grouped(gone) in told or slip != "a rod that is gone"
