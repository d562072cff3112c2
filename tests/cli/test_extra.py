"""`labkit extra`, and recording in `labkit make` and `labkit demo`, in process."""

from __future__ import annotations

import json
import shutil
from io import BytesIO

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from labkit.cli.main import cli
from labkit.cli.sets import demo
from labkit.core.case.identifier import grouped
from labkit.ledger.store import open_ledger
from tests.support.making import CASE, ONE
from tests.support.prescriptions import changed


@pytest.fixture
def run(tmp_path):
    def invoke(*arguments, **environment):
        env = {
            "COLUMNS": "200", "LABKIT_LEDGER": str(tmp_path / "ledger.sqlite"), "LABKIT_BY": None,
            **environment,
        }
        return CliRunner().invoke(cli, list(map(str, arguments)), env=env)

    return invoke


@pytest.fixture
def rx(tmp_path):
    path = tmp_path / "rx.toml"
    path.write_text(changed(ONE, ("[50]", "[50, 75]")))
    return path


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr("labkit.workflow.sets.make.write_papers", lambda *_: ())


@pytest.fixture
def made(quick, two_steps, tmp_path):
    """The set of `rx` is recorded already."""
    shutil.copyfile(two_steps, tmp_path / "ledger.sqlite")


def test_help_has_an_example(run):
    result = run("extra", "--help")
    assert result.exit_code == 0
    assert "Example: labkit extra QF-1043 --percent 68.75" in result.stdout


def test_make_says_whether_it_was_recorded(quick, run, rx, tmp_path):
    ledger = tmp_path / "ledger.sqlite"
    result = run("make", rx, "--out", tmp_path / "a")
    assert result.exit_code == 0, result.stderr
    assert "Not recorded: no rods in between can be made later; name who" in result.stdout
    assert not ledger.exists()
    result = run("make", rx, "--out", tmp_path / "b", "--json", "--by", "anna")
    assert result.exit_code == 0, result.stderr
    assert json.loads(result.stdout)["case"] == CASE
    assert f"Recorded in {ledger} by anna" in result.stderr


def test_the_demo_is_recorded_only_where_a_ledger_is_named(quick, run, tmp_path, monkeypatch):
    monkeypatch.setattr(demo, "DEMO_CASES", demo.DEMO_CASES[:1])
    home = {"LABKIT_LEDGER": None, "XDG_DATA_HOME": str(tmp_path / "home")}
    result = run("demo", "--out", tmp_path / "a", "--by", "anna", **home)
    assert result.exit_code == 0, result.stderr
    assert "Not recorded" in result.stdout
    assert not (tmp_path / "home").exists()
    result = run("demo", "--out", tmp_path / "b", "--by", "anna")
    assert "Recorded in" in result.stdout
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        assert len(ledger.cases()) == 1


def test_the_papers_show_the_series_and_the_identifiers_of_the_record(run, rx, tmp_path):
    assert run("make", rx, "--out", tmp_path, "--by", "anna").exit_code == 0
    result = run("extra", CASE, "--percent", "62.5", "--out", tmp_path, "--by", "anna", "--json")
    assert result.exit_code == 0, result.stderr
    folder = tmp_path / "QF-1043-r2"
    assert json.loads(result.stdout)["folder"] == str(folder)
    sheet = PdfReader(BytesIO((folder / "documents" / "case-sheet.pdf").read_bytes()))
    words = " ".join(page.extract_text() for page in sheet.pages).split()
    text = " ".join(words)
    rows = (
        "set 1, step 1 50.0 5.80 35.9 35.9",
        "set 2, step 1 new 62.1 7.20 +1.40 34.5 34.5",
        "set 1, step 2 75.0 8.70 +1.50 33.0 33.0",
    )
    for row in rows:
        assert row in text
    assert text.count(" new ") == 1
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        kept = [rod.identifier for rod in ledger.rods_of_set("QF-1043-r2")]
    bags = PdfReader(BytesIO((folder / "documents" / "bag-labels.pdf").read_bytes()))
    printed = " ".join(" ".join(page.extract_text() for page in bags.pages).split())
    assert len(kept) == 2
    for identifier in kept:
        assert grouped(identifier) in printed


@pytest.mark.usefixtures("made")
def test_the_table_of_the_series(run, tmp_path):
    result = run("extra", CASE, "--between", 50, 75, "--count", 2, "--out", tmp_path,
                 LABKIT_BY="ben")
    assert result.exit_code == 0, result.stderr
    assert sum(line.rstrip().endswith(" new") for line in result.stdout.splitlines()) == 2
    assert "Recorded in" in result.stdout
    assert "Cautions" in result.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        ([], 2, "no rod was asked for; give at least one of"),
        (["--percent", "NaN"], 2, "'NaN' is not a number"),
        (["--percent", "=1+1"], 2, "'=1+1' is not a number"),
        (["--side", "left", "--percent", "60"], 2, "give a --length with it"),
        (["--count", "3", "--percent", "60"], 2, "give --between LOW HIGH"),
        (["--between", "75", "50"], 2, "give the smaller percentage first"),
        (["--percent", "50"], 1, "is in circulation already, in set 1, step 1 (50"),
        (["--percent", "120"], 1, "120 %"),
        (["--length", "31.44"], 1, "does not lie on the length grid"),
    ],
)
@pytest.mark.usefixtures("made")
def test_refusals(run, tmp_path, arguments, code, sentence):
    result = run("extra", CASE, *arguments, "--out", tmp_path, "--by", "anna")
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())
    assert not (tmp_path / "QF-1043-r2").exists()


def test_without_operator_ledger_or_case(quick, run, rx, tmp_path):
    asked = ("--percent", "60", "--out", tmp_path / "sets")
    result = run("extra", CASE, *asked)
    assert result.exit_code == 2
    assert "--by" in result.stderr
    result = run("extra", CASE, *asked, "--by", "anna")
    assert (result.exit_code, (tmp_path / "ledger.sqlite").exists()) == (2, False)
    run("make", rx, "--out", tmp_path, "--by", "anna")
    result = run("extra", "qf-1043", *asked, "--by", "anna")
    assert result.exit_code == 2
    assert "did you mean QF-1043?" in result.stderr
    assert not (tmp_path / "sets").exists()


@pytest.mark.usefixtures("made")
def test_a_next_set_is_made_only_where_the_old_rods_are_taken_back(run, rx, tmp_path):
    make = ("make", rx, "--out", tmp_path, "--by", "anna")
    rx.write_text(changed(ONE, ("[50]", "[51]")))
    result = run(*make)
    assert result.exit_code == 1
    assert "make it by itself with `labkit make … --take-back`, which says" in result.stderr
    assert not (tmp_path / "QF-1043-r2").exists()
    result = run(*make, "--take-back")
    assert result.exit_code == 0, result.stderr
    assert "Rods of the case in circulation" in result.stdout
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        states = [rod.state for rod in ledger.rods(CASE)]
    assert states == ["withdrawn", "withdrawn", "made", "made", "made", "made"]
