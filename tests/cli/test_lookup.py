"""`labkit cases`, `show` and `find` in process."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.identifier import check_digit, grouped
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from tests.support.ledgers import Pen, fill
from tests.support.recorded import make_case, parallel, unequal

CASE = "QF-1043"


@pytest.fixture
def file(tmp_path):
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def run(file):
    def invoke(*arguments):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(file), "LABKIT_BY": None}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    return invoke


@pytest.fixture
def rods(file):
    """Two cases; a reading, a slip of the pen and a lost rod in the first."""
    with open_ledger(str(file)) as ledger:
        pen = Pen(ledger)
        made = make_case(pen, parallel(CASE))
        measured = {"identifier": made[0]["identifier"], "quantity": "length", "gauge": "K-7"}
        slip = pen(Kind.READING, CASE, {**measured, "value_um": 30_810})
        pen(Kind.READING, CASE, {**measured, "value_um": 30_612, "note": "swapped"}, slip.seq)
        make_case(pen, unequal("HLB-7", "hinged"))
        lost = {"identifier": made[1]["identifier"], "state": "lost", "reason": "on a journey"}
        pen(Kind.ROD_STATE, CASE, lost)
    return made


def lines(result):
    assert result.exit_code == 0, result.stderr
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.mark.parametrize("name", ["cases", "show", "find", "trial"])
def test_every_command_has_help_with_an_example(run, name):
    result = run(name, "--help")
    assert result.exit_code == 0
    assert f"Example: labkit {name}" in result.stdout
    assert "LABKIT_LEDGER" in result.stdout


def test_cases(run, rods):
    first, second = lines(run("cases", "--json"))
    assert (first["case"], second["case"]) == (CASE, "HLB-7")
    assert (first["revisions"], first["sets"], first["rods_out"]) == (1, 1, 7)
    assert second["rods_out"] == 8
    assert first["last"]["kind"] == "rod-state"
    printed = run("cases").stdout
    assert CASE in printed
    assert "2031-03-14 rod state" in printed


@pytest.mark.parametrize("case", ["QF-1", "QF-漢字-2"])
def test_a_long_list_of_cases_looks_as_a_short_one_does(run, file, monkeypatch, case):
    with open_ledger(str(file)) as ledger:
        for name in ("QF-10000", case):
            Pen(ledger).open_case(name)
    printed = run("cases").stdout
    assert case in printed
    monkeypatch.setattr("labkit.cli.print_report._MANY", 1)
    assert run("cases").stdout == printed


def test_a_ledger_without_cases(run, file):
    with open_ledger(str(file)):
        pass
    assert "The ledger has no cases yet." in run("cases").stdout
    assert run("cases", "--json").stdout == ""


def test_show_tells_the_story_in_time_order(run, rods, reports):
    result = run("show", CASE)
    assert result.exit_code == 0, result.stderr
    first = grouped(rods[0]["identifier"])
    (report,) = reports
    told = [line for line in report.words.splitlines() if "UTC" in line]
    assert [line.split("anna: ")[1] for line in told] == [
        "case opened",
        "prescription revision 1 recorded",
        "set QF-1043-r1 begun: 8 rods from prescription revision 1, template eye-eye-flat, "
        "process nominal",
        "set QF-1043-r1 made, in sets/QF-1043-r1",
        f"rod {first} measured: length 30.810 mm, gauge K-7 [corrected by entry 6]",
        f"rod {first} measured: length 30.612 mm, gauge K-7 (swapped)",
        f"rod {grouped(rods[1]['identifier'])} lost (on a journey)",
    ]
    assert "2031-03-14 09:26:54 UTC" in told[0]
    table = report.table("Rods, and what they make now").shown()
    assert table.texts[0] == (
        first, "30.6 left", "1, 1", "69.6", "in the lab, not released", ""
    )


def test_show_as_json(run, rods):
    (shown,) = lines(run("show", CASE, "--json"))
    assert [rod["identifier"] for rod in shown["rods"]] == [rod["identifier"] for rod in rods]
    assert shown["rods"][0]["now"]["percent"] == pytest.approx(100 * 6.4 / 9.2, abs=1e-9)
    assert (shown["rods"][1]["state"], shown["rods"][1]["now"]) == ("lost", None)
    assert shown["prescriptions"][0]["text"] == parallel(CASE)
    assert [event["seq"] for event in shown["events"]] == sorted(
        event["seq"] for event in shown["events"]
    )
    assert shown["events"][4]["corrected_by"] == 6


def test_show_prints_a_prescription_byte_for_byte(run, file):
    text = parallel(CASE).replace("\n", "\r\n") + "# Zähne"
    with open_ledger(str(file)) as ledger:
        make_case(Pen(ledger), text)
    assert run("show", CASE, "--prescription").stdout_bytes == text.encode()
    assert run("show", CASE, "--prescription", "--revision", "1").stdout_bytes == text.encode()
    missing = run("show", CASE, "--prescription", "--revision", "2")
    assert missing.exit_code == 1
    assert "has no revision 2 of case 'QF-1043'" in missing.stderr
    assert run("show", CASE, "--revision", "1").exit_code == 2


def test_every_kind_of_event_has_words(run, file, reports):
    with open_ledger(str(file)) as ledger:
        fill(ledger)
        events = len(ledger.story(CASE))
    result = run("show", CASE)
    assert result.exit_code == 0, result.stderr
    told = reports[0].words
    assert sum("UTC" in line for line in told.splitlines()) == events
    for piece in (
        "ordered: 32.05 left (asked: 68.75 %), 32.05 right (asked: 68.75 %)",
        "the left rod 33.1 met its seat and the right 100 % rod fell short of its seat by 0.75 mm",
        "trial fit of entry 12 accepted; prescription revision 2 holds",
        "prescription revision 2 recorded after the trial fit of entry 12",
        "extra rods QF-1043-r2 begun: 2 rods",
        "set QF-1043-r2 abandoned: the folder is absent",
        "set QF-1043-r1 released",
        "standard uncertainty 0.0050 mm",
        "entry 9 taken back: it was in the other box",
        # The text in that ledger is no prescription: the rest is shown all the same.
        "What the rods mean now is unknown: QF-1043, revision 2",
    ):
        assert piece in told


@pytest.mark.parametrize(
    ("name", "near"), [("QF-1034", CASE), ("qf-1043", CASE), ("HLB7", "HLB-7")]
)
def test_a_case_that_is_not_there(run, rods, name, near):
    result = run("show", name)
    assert result.exit_code == 2
    (sentence,) = result.stderr.splitlines()
    assert f"has no case '{name}'; did you mean {near}?" in sentence


def test_find(run, rods, reports):
    digits = rods[0]["identifier"]
    result = run("find", digits)
    assert result.exit_code == 0, result.stderr
    assert reports[0].words.split("\n")[1:] == [
        f"Rod {grouped(digits)}: 30.6, left",
        f"Case: {CASE}",
        "Set: QF-1043-r1, made as step 1, for 70 %, on prescription revision 1",
        "Now: set 1, step 1 (69.6 %, 30.6/none), 6.40 mm of advancement; serves no prescribed step",
        "Made: 2031-03-14 09:26:57 UTC by anna",
        "State: made (in the lab, not released) since 2031-03-14 09:26:57 UTC, by anna",
        "Reading: length 30.612 mm, gauge K-7, 2031-03-14 09:26:59 UTC by anna (swapped)",
    ]
    run("find", rods[1]["identifier"])
    assert "Now: not in circulation" in reports[1].words
    assert "Reading: none yet" in reports[1].words


def test_find_as_typed_and_as_scanned(run, rods):
    digits = rods[2]["identifier"]
    expected = lines(run("find", digits, "--json"))
    spaced = grouped(digits)
    for typed in (spaced, spaced.replace(" ", "-"), f"{digits}\r\n", spaced.replace(" ", "\u2013")):
        assert lines(run("find", typed, "--json")) == expected
    assert lines(run("find", *spaced.split(), "--json")) == expected
    (found,) = expected
    assert (found["case"], found["set"], found["side"]) == (CASE, "QF-1043-r1", "left")
    assert found["now"]["serves_percent"] == [80]


def test_find_tells_what_a_rod_means_after_an_accepted_trial(run, rods):
    digits = rods[6]["identifier"]
    (before,) = lines(run("find", digits, "--json"))
    assert before["now"]["percent"] == pytest.approx(100, abs=1e-9)
    told = ("--left", "28.7 meets", "--right", "28.7 meets", "--accept", "--by", "berta")
    assert run("trial", CASE, *told).exit_code == 0
    (after,) = lines(run("find", digits, "--json"))
    assert after["now"]["percent"] == pytest.approx(100 * 9.2 / 8.3, abs=1e-9)
    assert after["now"]["not_to_be_worn"]
    assert {after[key] == before[key] for key in ("label", "identifier", "length_mm")} == {True}
    assert "mm of advancement; NOT TO BE WORN" in run("find", digits).stdout


def test_slips_of_the_finger(run, rods):
    digits = rods[0]["identifier"]
    swap = next(at for at in range(9) if digits[at] != digits[at + 1])
    slips = [
        digits[:swap] + digits[swap + 1] + digits[swap] + digits[swap + 2 :],
        digits[:4] + str((int(digits[4]) + 3) % 10) + digits[5:],
        digits[:6] + digits[7:],
        digits[:2] + "0" + digits[2:],
    ]
    for typed in slips:
        result = run("find", typed)
        assert result.exit_code == 2
        (sentence,) = result.stderr.splitlines()
        assert f"did you mean {grouped(digits)}?" in sentence


def test_a_rod_that_nobody_made(run, rods):
    result = run("find", "000000000" + check_digit("000000000"))
    assert result.exit_code == 2
    (sentence,) = result.stderr.splitlines()
    assert "bears the identifier 000 000 000" in sentence
    assert "did you mean" not in sentence
    assert "is not a rod identifier" in run("find", "=1+1").stderr
    assert run("find").exit_code == 2
