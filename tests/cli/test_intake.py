"""`labkit intake` in process: what a clinic sent, as a proposal and confirmed; what is refused."""

from __future__ import annotations

import datetime
import json
import shutil

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.workflow.intake.file import MOST_BYTES
from labkit.workflow.sets import make
from tests.support.ledgers import Pen
from tests.support.recorded import make_case, parallel

CASE = "QF-1043"
NOW = datetime.datetime(2031, 4, 3, 9, tzinfo=datetime.UTC)
HEAD = {"schema": 1, "case": CASE, "entry": 4, "true_on": "2031-03-14", "on": "2031-04-02",
        "by": "dr-m"}


def trial(gap="0,8", **more):
    """A trial fit, both 100 % rods too short by the same."""
    tried = {"seen": "too_short", "by": gap}
    return {"kind": "trial", "left": {"rod": "27,8", **tried},
            "right": {"rod": "27.8R", **tried}, "accepted": True, **more}


@pytest.fixture(scope="session")
def filled(tmp_path_factory):
    """Record one case whose rods are with the clinic; give its ledger and rods. Copy it."""
    file = tmp_path_factory.mktemp("intake") / "ledger.sqlite"
    with open_ledger(str(file)) as ledger:
        pen = Pen(ledger)
        rods = make_case(pen, parallel(CASE))
        for rod in rods:
            pen(Kind.ROD_STATE, CASE,
                {"identifier": rod["identifier"], "state": "delivered", "on": "2031-03-20"})
    return file, rods


@pytest.fixture
def lab(filled, tmp_path, monkeypatch):
    """A copy of that ledger; runs a command on it."""
    monkeypatch.setattr(clock, "now", lambda: NOW)
    file = tmp_path / "ledger.sqlite"
    shutil.copyfile(filled[0], file)

    def run(*arguments):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(file), "LABKIT_BY": None}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    run.rods, run.file = filled[1], file
    return run


@pytest.fixture
def sent(tmp_path):
    """Write what a clinic sent; give the file."""

    def write(told, name="sent.json", **head):
        file = tmp_path / name
        file.write_text(json.dumps({**HEAD, **head, "told": told}), encoding="utf-8")
        return file

    return write


def last(lab):
    with open_ledger(str(lab.file), create=False) as ledger:
        return ledger.head().count


def one(result):
    return json.loads(result.stdout.splitlines()[0])


def test_a_trial_fit_is_shown_with_what_it_means_and_records_nothing(lab, sent):
    before, file = last(lab), sent(trial(), note="by telephone")
    result = lab("intake", file)
    assert result.exit_code == 0
    for words in (
        "Trial fit of case QF-1043, 2031-04-02, reported by dr-m", "Remark: by telephone",
        "Left rod 27.8 too short by 0.8; right rod 27.8R too short by 0.8 (mm).",
        "The jaw went 0.80 mm less far than recorded: the range is 8.40 mm, not 9.20",
        "The sheet was made for entry 4. What the clinic saw may no longer hold",
        f"Nothing has changed. `labkit intake {file} --confirm --by CODE` does this:",
        "labkit trial QF-1043 --left '27.8 too short by 0.8'",
    ):
        assert words in result.stdout
    assert "This is a proposal; the prescriber accepts" not in result.stdout
    assert last(lab) == before


def test_a_confirmed_trial_fit_is_what_its_command_records(lab, sent):
    result = lab("intake", sent(trial()), "--confirm", "--by", "anna")
    assert result.exit_code == 0
    assert "Accepted: the trial fit is entry" in result.stdout
    story = lab("show", CASE).stdout
    assert "trial fit of 2031-04-02 on prescription revision 1" in story
    assert "reported by dr-m on a clinic sheet" in story


def test_a_trial_fit_waits_for_the_prescriber(lab, sent):
    file, before = sent(trial(accepted=False)), last(lab)
    assert "Nothing yet: the sheet does not say that the prescriber accepts" in lab(
        "intake", file
    ).stdout
    result = lab("intake", file, "--confirm", "--by", "anna")
    assert result.exit_code == 1
    assert "nothing was recorded: the sheet does not say" in result.stderr
    assert last(lab) == before


def test_sides_that_disagree_are_refused_with_what_can_be_done(lab, sent):
    told = {**trial(), "left": {"rod": "27.8", "seen": "meets"}}
    result = lab("intake", sent(told))
    assert result.exit_code == 1
    assert "Corrections to choose from, if a second look shows the same" in result.stdout
    assert "Nothing: it is refused." in result.stdout
    assert "disagree" in result.stderr


def test_the_commands_are_given_to_programs(lab, sent):
    data = one(lab("intake", sent(trial()), "--json"))
    assert data["kind"] == "trial"
    assert data["commands"][0].startswith("labkit trial QF-1043 --left '27.8 too short by 0.8'")
    assert data["commands"][0].endswith("--note 'reported by dr-m on a clinic sheet' --by CODE")
    assert len(data["since"]) == 8


def test_rods_lost_and_returned(lab, sent):
    lost, back = (rod["identifier"] for rod in lab.rods[:2])
    told = {"kind": "rods", "rods": [
        {"rod": f"{lost[:3]} {lost[3:6]} {lost[6:]}", "became": "lost"},
        {"rod": back, "became": "returned"},
    ]}
    file = sent(told)
    assert f"labkit rod {lost} lost --date 2031-04-02" in lab("intake", file).stdout
    assert lab("intake", file, "--confirm", "--by", "anna").exit_code == 0
    with open_ledger(str(lab.file), create=False) as ledger:
        states = {rod.identifier: rod.state for rod in ledger.rods(CASE)}
    assert (states[lost], states[back]) == ("lost", "returned")
    again = lab("intake", file)
    assert again.exit_code == 0
    assert "the record says all of this already; there is nothing to record" in again.stdout


def test_a_follow_up_tells_the_pair_in_the_mouth_and_the_one_before(lab, sent):
    def fitted(label, name):
        told = {"kind": "follow-up", "left": label, "right": label}
        return lab("intake", sent(told, name), "--confirm", "--by", "anna")

    assert fitted("30,6", "first.json").exit_code == 0
    assert fitted("29.6", "second.json").exit_code == 0
    with open_ledger(str(lab.file), create=False) as ledger:
        states = {(rod.label, rod.state) for rod in ledger.rods(CASE)}
    assert {("30.6", "delivered"), ("29.6", "fitted")} <= states
    assert fitted("29.6", "third.json").stdout.strip() == (
        "Nothing was recorded: the record says already that this pair is in the mouth; there is "
        "nothing to record."
    )


def test_an_order_is_looked_at_confirmed_and_not_made_twice(
    sent, monkeypatch, tmp_path, two_steps
):
    monkeypatch.setattr(clock, "now", lambda: NOW)
    monkeypatch.setattr(make, "write_papers", lambda *_: ())
    shutil.copyfile(two_steps, tmp_path / "ledger.sqlite")
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        case = ledger.cases()[0].case

    def run(percent, *more):
        told = {"kind": "order", "percent": [percent]}
        file = sent(told, case=case, entry=None, true_on=None, note="for the journey")
        env = {"LABKIT_LEDGER": str(tmp_path / "ledger.sqlite"), "COLUMNS": "200"}
        return CliRunner().invoke(cli, ["intake", str(file), *more], env=env)

    looked = run("62,5")
    assert looked.exit_code == 0, looked.output
    for words in (
        "From a blank sheet, which names no entry of the record.",
        "Rods in between, asked at 62.5 % of the range.",
        "The remark is not recorded with an order.", f"labkit extra {case} --percent 62.5 --out",
    ):
        assert words in looked.stdout
    done = run("62,5", "--confirm", "--by", "anna")
    assert done.exit_code == 0, done.output
    assert "The whole series, as made" in done.stdout
    again = run("62,5", "--confirm", "--by", "anna")
    assert again.exit_code == 1
    assert "is in circulation already" in again.stderr


HOSTILE = {
    "another case": ({"case": "QF-9999"}, None, 2, "has no case 'QF-9999'"),
    "a future day": ({"on": "2031-04-04"}, None, 1, "2031-04-04 lies in the future"),
    "made in the future": ({"true_on": "2031-05-04"}, None, 1, "which lies in the future"),
    "another record": ({"entry": 999}, None, 2, "does not belong to the case QF-1043"),
    "another day of it": ({"true_on": "2031-03-13"}, None, 2, "not belong to the case QF-1043"),
    "another schema": ({"schema": 2}, None, 2, "schema = 2 is not usable; allowed is 1"),
    "a key too many": ({"patient": "x"}, None, 2, "patient is not a known key"),
    "no day": ({"on": "2.4.2031"}, None, 2, 'on = "2.4.2031" is not usable; allowed is a day'),
    "nobody": ({"by": ""}, None, 2, "by is still to be filled in"),
    "a list for a case": ({"case": ["QF-1043"]}, None, 2, "case = "),
    "a control character": ({"by": "dr\u0007m"}, None, 2, "one line of 1 to 60 printable"),
    "half a character": ({"note": "\ud800"}, None, 2, "one line of 1 to 500 printable"),
    "too long a remark": ({"note": "x" * 501}, None, 2, "one line of 1 to 500 printable"),
    "another kind": ({}, {"kind": "withdraw"}, 2, "a table whose kind is trial, order"),
    "nothing told": ({}, [], 2, "a table whose kind is trial, order"),
    "a sign": ({}, trial("-0,8"), 2, "allowed is a number in mm from 0 to 30"),
    "a word for mm": ({}, trial("much"), 2, "allowed is a number in mm from 0 to 30"),
    "no rod of it": ({}, trial() | {"left": {"rod": "99.9", "seen": "meets"}}, 2, "bears 99.9"),
    "a script for a rod": (
        {}, trial() | {"left": {"rod": "<script>", "seen": "meets"}}, 2, 'names the rod "<script>"',
    ),
    "a rod of nobody": (
        {}, {"kind": "rods", "rods": [{"rod": "1234567890", "became": "lost"}]}, 2, "1234567890",
    ),
    "rods without end": (
        {}, {"kind": "rods", "rods": [{"rod": "1", "became": "lost"}] * 201}, 2, "1 to 200 rods",
    ),
    "another state": (
        {}, {"kind": "rods", "rods": [{"rod": "1234567890", "became": "released"}]}, 2,
        '"returned", "lost" or "broken"',
    ),
    "101 %": ({}, {"kind": "order", "percent": ["101"]}, 2, "in % from 0 to 100"),
}


@pytest.mark.parametrize("case", HOSTILE)
def test_what_is_not_right_is_refused_and_records_nothing(case, lab, sent):
    head, told, status, words = HOSTILE[case]
    before = last(lab)
    file = sent(trial() if told is None else told, **head)
    for more in ((), ("--confirm", "--by", "anna")):
        result = lab("intake", file, *more)
        assert result.exit_code == status, result.output
        assert words in result.stderr
        assert "unforeseen" not in result.stderr
    assert last(lab) == before


RAW = {
    "nothing": (b"", "is not what a clinic's sheet saves"),
    "no JSON": (b"<html>", "is not what a clinic's sheet saves"),
    "no text": (b"\xff\xfe\x00", "is not UTF-8 text"),
    "huge": (b" " * (MOST_BYTES + 1), "is larger than 200 kB"),
    "deep": (b"[" * 100_000, "is nested too deeply"),
    "NaN": (b'{"schema": NaN}', "has NaN where a number belongs"),
    "Infinity": (b'{"schema": -Infinity}', "has -Infinity where a number belongs"),
    "a number without end": (b'{"schema": ' + b"1" * 5000 + b"}", "is not a number of at most 20"),
    "an exponent": (b'{"schema": 1e999}', "is not a number of at most 20"),
    "told twice": (b'{"case": "a", "case": "b"}', 'gives "case" twice'),
    "a list": (b"[]", "the file = [] is not usable; allowed is a table"),
    "a text": (b'"x"', 'the file = "x" is not usable'),
}


@pytest.mark.parametrize("case", RAW)
def test_bytes_that_no_sheet_saves(case, lab, tmp_path):
    raw, words = RAW[case]
    file = tmp_path / "raw.json"
    file.write_bytes(raw)
    result = lab("intake", file)
    assert result.exit_code == 2
    assert words in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_what_a_scanner_types_is_taken_from_standard_input(lab, sent):
    env = {"COLUMNS": "200", "LABKIT_LEDGER": str(lab.file), "LABKIT_BY": None}
    typed = sent(trial()).read_text("utf-8").replace(": ", ":") + "\n"
    result = CliRunner().invoke(cli, ["intake", "-"], input=typed, env=env)
    assert result.exit_code == 0
    assert "`labkit intake - --confirm --by CODE` does this:" in result.stdout


def test_a_file_that_is_not_there_and_nobody_who_confirms(lab, sent, tmp_path):
    assert "cannot be read" in lab("intake", tmp_path / "none.json").stderr
    result = lab("intake", sent(trial()), "--confirm")
    assert result.exit_code == 2
    assert "give yours with --by" in result.stderr
