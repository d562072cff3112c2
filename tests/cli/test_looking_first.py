"""`labkit extra --dry-run` and `labkit prescription record`, in process."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.bodies import Prescription, TrialAccepted, TrialFit, Tried
from labkit.ledger.events import Kind
from labkit.ledger.verify import verify
from labkit.workflow.record.prescribe import prescribe
from tests.support.dry import first_set
from tests.support.making import CASE, ONE, START, recorder_for
from tests.support.prescriptions import changed, source

TWO = changed(ONE, ("[50]", "[50, 75]"))
WHO = ("anna", START)


@pytest.fixture
def ledger_file(tmp_path):
    file = tmp_path / "ledger.sqlite"
    with recorder_for(file) as recorder:
        first_set(recorder, TWO)
    return file


@pytest.fixture
def run(ledger_file):
    def invoke(*arguments):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(ledger_file), "LABKIT_BY": None}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    return invoke


def seen(folder):
    """Every file of a folder, with its bytes."""
    return {each: each.read_bytes() for each in folder.rglob("*") if each.is_file()}


def story(file):
    with recorder_for(file) as recorder:
        assert verify(recorder.ledger).ok
        return recorder.ledger.story(CASE)


def test_a_dry_run_shows_the_order_and_writes_nothing(run, tmp_path):
    before = seen(tmp_path)
    result = run("extra", CASE, "--between", 50, 75, "--count", 2, "--dry-run", "--json")
    assert result.exit_code == 0, result.stderr
    told = json.loads(result.stdout)
    assert [round(step["percent"], 2) for step in told["steps"]] == [58.33, 66.67]
    assert [row["said"] for row in told["series"]] == ["", "new", "new", ""]
    assert told["refused"] is False
    assert told["process"] == "nominal"
    shown = run("extra", CASE, "--between", 50, 75, "--count", 2, "--dry-run")
    assert "Preview only: nothing was written, reserved or ordered." in shown.stdout
    words = (
        "Process nominal (Nominal size, no compensation): STL and plates at nominal size, "
        "uncompensated"
    )
    assert shown.stderr.splitlines() == [words]
    assert shown.stdout.splitlines()[-1] == words
    assert seen(tmp_path) == before


def test_a_dry_run_names_the_pairs_that_are_not_to_be_worn(run, ledger_file):
    with recorder_for(ledger_file) as recorder:
        shorter = changed(TWO, ("protruded = 6.4", "protruded = 3.0"))
        shorter = changed(shorter, ("[50, 75]", "[50, 60]"))
        who = (recorder.by, recorder.now())
        prescribe(recorder.ledger, CASE, source(shorter), "a new bite", who)
        left, right = (grouped(rod.identifier) for rod in recorder.ledger.rods(CASE)[-2:])
    result = run("extra", CASE, "--percent", 90, "--dry-run")
    assert result.exit_code == 0, result.stderr
    told = " ".join(result.stdout.split())
    assert "106.1 8.70 33.0 33.0 NOT TO BE WORN" in told
    assert (
        f"Note: NOT TO BE WORN: set 1, step 2 (106.1 %, 33.0/33.0), rods {left} (33.0 left), "
        f"{right} (33.0 right), makes 106.1 % of the range that holds now, 0.50 mm beyond the "
        "maximum"
    ) in told


def test_a_dry_run_says_what_would_be_refused(run, tmp_path):
    before = seen(tmp_path)
    result = run("extra", CASE, "--percent", 50, "--percent", 60, "--dry-run")
    assert result.exit_code == 1
    assert "use it, or ask for another step" in result.stderr
    assert result.stdout == ""  # the reason stands alone: no series beside it
    assert seen(tmp_path) == before


@pytest.mark.parametrize(("given", "missing"), [
    (("--out", "sets"), "an order of extra rods is recorded under an operator code"),
    (("--by", "anna"), "extra rods are made, and --out is missing; give the folder"),
])
def test_extra_rods_are_made_and_recorded_or_only_looked_at(run, tmp_path, given, missing):
    before = seen(tmp_path)
    result = run("extra", CASE, "--percent", 60, *given)
    assert result.exit_code == 2
    assert missing in result.stderr
    assert seen(tmp_path) == before


@pytest.fixture
def rx(tmp_path):
    def write(text):
        path = tmp_path / "rx.toml"
        path.write_text(text)
        return path

    return write


def record(run, path, *more, reason="a new bite"):
    return run("prescription", "record", path, "--reason", reason, "--by", "ben", *more)


def test_a_new_bite_changes_what_every_rod_makes(run, rx, ledger_file):
    before = json.loads(run("sheet", CASE, "--json").stdout)
    path = rx(changed(TWO, ("protruded = 6.4", "protruded = 5.4")))
    result = record(run, path)
    assert result.exit_code == 0, result.stderr
    assert "Prescription revision 2 of QF-1043 recorded, entry 5; rods make other" in result.stdout
    now = json.loads(run("sheet", CASE, "--json").stdout)
    assert (before["range_mm"], now["range_mm"]) == (11.6, 10.6)
    for was, pair in zip(before["pairs"], now["pairs"], strict=True):
        assert pair["advancement_mm"] == was["advancement_mm"]
        assert pair["percent"] == pytest.approx(was["percent"] * 11.6 / 10.6, abs=1e-6)
    assert story(ledger_file)[-1].body["reason"] == "a new bite"


def test_recording_twice_says_that_it_is_done(run, rx, ledger_file):
    path = rx(changed(TWO, ("protruded = 6.4", "protruded = 5.4")))
    record(run, path)
    count = len(story(ledger_file))
    again = record(run, path)
    assert again.exit_code == 0
    assert "is prescription revision 2 of QF-1043 already, recorded by ben on" in again.stdout
    assert "nothing was recorded" in again.stdout
    assert len(story(ledger_file)) == count


WRONG = {
    "no reason": (TWO + "# new\n", " ", 2, "no reason is given; say why the prescription is revis"),
    "no case": (changed(TWO, ("QF-1043", "QF-9")), "x", 2, "has no case 'QF-9'"),
    "refused": (changed(TWO, ("[50, 75]", "[50, 120]")), "x", 1, "120 %"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_cannot_be_recorded(run, rx, ledger_file, name):
    text, reason, code, words = WRONG[name]
    count = len(story(ledger_file))
    result = record(run, rx(text), reason=reason)
    assert result.exit_code == code
    assert words in result.stderr
    assert len(story(ledger_file)) == count


def test_a_comment_changes_no_rod(run, rx):
    assert "recorded, entry 5; no rod's percentage changes" in record(run, rx(TWO + "# x\n")).stdout


def test_an_earlier_text_is_not_recorded_again(run, rx):
    record(run, rx(TWO + "# x\n"))
    result = record(run, rx(TWO))
    assert result.exit_code == 1
    assert "this text is revision 1 of the prescription of QF-1043, but revision 2" in result.stderr


def test_an_accepted_trial_fit_is_not_set_aside_by_an_older_file(run, rx, ledger_file):
    shorter = changed(TWO, ("protruded = 6.4", "protruded = 5.8"))
    with recorder_for(ledger_file) as recorder:
        ledger = recorder.ledger
        seat = Tried(label="33.0", seen="meets")
        trial = ledger.write(CASE, TrialFit(1, seat, seat, {}), *WHO)
        ledger.write(CASE, TrialAccepted(trial.seq, 2), *WHO)
        ledger.write(CASE, Prescription(2, shorter, "trial fit", trial.seq), *WHO)
    path = rx(TWO + "# a note\n")
    result = record(run, path)
    assert result.exit_code == 1
    words = f"follows the trial fit of entry {trial.seq}, or its withdrawal, and this file has"
    assert words in result.stderr
    path = rx(changed(TWO, ("[50, 75]", "[50, 80]")))  # the same set again would be its first one
    made = run("make", path, "--out", ledger_file.parent / "x", "--by", "anna", "--take-back")
    assert made.exit_code == 1
    assert words in made.stderr
    assert record(run, rx(shorter + "# a note\n")).exit_code == 0
    path = rx(TWO + "# a note\n")
    assert words in record(run, path).stderr
    assert record(run, path, "--despite-trial").exit_code == 0
    assert story(ledger_file)[-1].kind is Kind.PRESCRIPTION
