"""`labkit measure` as QA uses it: scans of the rods of a recorded set, told and recorded."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.ledger.store import open_ledger
from labkit.workflow.inspection.inspect import decision_from_record
from tests.support.inspection import CASE, TODAY, record_set
from tests.support.scans import Spoil, scan_of

#: Nothing missing, so that the label can be read.
WHOLE = Spoil(missing=0.0, edge_mm=0.15, stubs=2)
SCANNER = ("--instrument", "example-scanner")


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    monkeypatch.delenv("LABKIT_BY", raising=False)
    return Bench(tmp_path)


class Bench:
    """A ledger with one set, and scans of its rods."""

    def __init__(self, folder):
        self.folder, self.url = folder, str(folder / "ledger.sqlite")
        with open_ledger(self.url) as ledger:
            record_set(ledger)
            self.rods = ledger.rods(CASE)

    def scan(self, length, name="scan.stl", spoil=WHOLE, row="eye-eye-flat"):
        return str(scan_of(row, length, spoil, 1).write(self.folder / name))

    def run(self, *words):
        return CliRunner().invoke(cli, ["measure", *words])

    def of(self, rod, file, *words):
        return self.run(file, "--rod", rod.identifier, "--ledger", self.url, *words)

    def readings(self, rod):
        with open_ledger(self.url) as ledger:
            return ledger.readings(rod.identifier)


def test_a_scan_alone_is_measured_and_told(bench):
    result = bench.run(bench.scan("27.4"))
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "scan.stl: eye-eye-flat"
    assert float(lines[1].split()[1]) == pytest.approx(27.4, abs=0.01)
    assert " mm (95 %, k = " in lines[1]
    assert lines[2].startswith("Label 27.4 (more than 10^12 to 1 against ")
    assert "name the scanner with --instrument" in result.stdout


def test_json_holds_the_budget(bench):
    words = (*SCANNER, "--template", "eye-eye-flat", "--json")
    told = json.loads(bench.run(bench.scan("27.4"), *words).stdout)
    assert told["length_mm"] == pytest.approx(27.4, abs=0.01)
    assert (told["label"], told["label_problem"]) == ("27.4", None)
    parts = {one["name"]: one["u_mm"] for one in told["budget"]}
    assert parts["calibration"] == 0.008
    assert parts["repeatability"] == 0.006
    assert parts["fit to the scan"] < 0.005
    assert told["uncertainty_mm"] == pytest.approx(sum(u**2 for u in parts.values()) ** 0.5)
    assert told["lower"]["least_mm"] == "2.5"


def test_several_scans_go_on_past_one_that_cannot_be_measured(bench):
    good, bad = bench.scan("27.4"), bench.folder / "bad.stl"
    bad.write_bytes(b"no mesh")
    result = bench.run(str(bad), good, "--json")
    assert result.exit_code == 2
    assert "bad.stl: cannot be measured: it is neither STL nor PLY, OBJ or 3MF" in result.stderr
    assert len(result.stdout.splitlines()) == 1


def test_a_rod_of_the_record_is_decided_on_and_recorded(bench):
    rod = bench.rods[0]
    file = bench.scan(rod.label)
    first = bench.of(rod, file, *SCANNER)
    assert first.exit_code == 0, first.output
    assert "Decision: conforms (within the tolerance with" in first.stdout
    assert "Nothing was recorded" in first.stdout
    assert bench.readings(rod) == ()
    second = bench.of(rod, file, *SCANNER, "--by", "quinn")
    assert second.exit_code == 0, second.output
    assert "Recorded by quinn as entry" in second.stdout
    (reading,) = bench.readings(rod)
    details = reading.details
    assert (reading.quantity, reading.gauge) == ("scan", "example-scanner")
    assert details["length_mm"] == pytest.approx(float(rod.label), abs=0.01)
    assert details["label_read"] == rod.label
    assert (details["way"], details["fittings"]) == (None, None)
    assert details["source"]["file"] == "scan.stl"
    assert details["measured_by"] == "quinn"
    with open_ledger(bench.url) as ledger:
        decision = decision_from_record(ledger, CASE).decision
    (measured,) = decision.rods
    assert measured.conforms
    assert measured.length_mm == details["length_mm"]
    again = bench.of(rod, file, "--by", "quinn")
    assert again.exit_code == 1
    assert "already measured" in again.stderr
    third = bench.of(rod, file, "--by", "quinn", "--again", "stubs cut off", "--json")
    assert json.loads(third.stdout)["event"] is not None


def test_the_scan_of_another_rod_is_no_reading_of_this_one(bench):
    rod, other = bench.rods[0], bench.rods[2]
    assert rod.label != other.label
    told = json.loads(bench.of(rod, bench.scan(other.label), *SCANNER, "--json").stdout)
    assert told["result"] == "does not conform"
    assert told["rod"]["label"] == rod.label
    assert f'the label read from the rod is "{other.label}"' in told["problems"][0]


def test_a_scan_of_another_template_is_refused(bench):
    file = bench.scan("27.4", row="ball-ball-round")
    result = bench.of(bench.rods[0], file)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "eye-eye-flat" in result.stderr


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (("--template", "eye-eye-flatt"), 2, "eye-eye-flat"),
        (("--instrument", "example-calliper"), 1, "is a calliper, and a scan comes from a scanner"),
        (("--instrument", "nothing"), 2, "example-scanner"),
        (("--by", "quinn"), 2, "no rod is named; name it with --rod"),
        (("--rod", "482 917 3066"), 2, "wrong digit"),
        (("--rod", "482 917 3065", "b.stl"), 2, "measure one scan at a time"),
        (("--again", "stubs cut off"), 2, "--again is about a recorded rod"),
        (("--rod", "482 917 3065", "--again", " "), 2, "say why it is measured again"),
        (("--rod", "482 917 3065", "--template", "eye-eye-flat"), 2, "leave --template out"),
    ],
)
def test_wrong_options_are_told(bench, words, code, why):
    result = bench.run("none.stl", *words, "--ledger", bench.url)
    assert result.exit_code == code, result.output
    assert why in result.stderr
    assert "Traceback" not in result.output


def test_an_operator_in_the_environment_records_nothing_without_a_rod(bench, monkeypatch):
    monkeypatch.setenv("LABKIT_BY", "quinn")
    assert bench.run(bench.scan("27.4")).exit_code == 0
