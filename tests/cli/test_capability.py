"""`labkit capability` and `labkit chart` in process: the record, tables, reports, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.report import On
from labkit.ledger.store import open_ledger
from tests.documents.pdfs import text_of
from tests.support.measured_rods import fill


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    file = tmp_path_factory.mktemp("record") / "ledger.sqlite"
    with open_ledger(str(file)) as ledger:
        return file, fill(ledger, sets=5)


@pytest.fixture
def run(record, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def invoke(*arguments, ledger=record[0]):
        env = {"COLUMNS": "100", "LABKIT_LEDGER": str(ledger), "LABKIT_PROFILE": None}
        return CliRunner().invoke(cli, [*map(str, arguments)], env=env)

    return invoke


def as_json(result):
    assert result.exit_code == 0, result.stderr
    (line,) = result.stdout.splitlines()
    return json.loads(line)


def table(path, values, head="value", form="{:.4f}"):
    path.write_text("\n".join([head, *(form.format(value) for value in values)]) + "\n", "utf-8")
    return path.name


@pytest.mark.parametrize("name", ["capability", "chart"])
def test_help_with_an_example(run, name):
    result = run(name, "--help")
    assert result.exit_code == 0
    assert f"Example: labkit {name}" in result.stdout


def test_the_rods_of_the_record(run, record):
    found = as_json(run("capability", "--json"))
    deviations = record[1]
    assert found["n"] == len(deviations) == 40
    assert found["mean"] == pytest.approx(np.mean(deviations))
    assert found["total"]["sd"] == pytest.approx(np.std(deviations, ddof=1))
    assert found["limits"] == {"lower": -0.15, "upper": 0.15, "target": 0.0}
    assert found["uncertainty"] == pytest.approx(0.012)
    assert found["total"]["Ppk"]["lower"] < found["total"]["Ppk"]["value"]


def test_the_screen_says_findings_first_and_all_tables(run, reports):
    result = run("capability")
    assert result.exit_code == 0, result.stderr
    text, (report,) = result.stdout, reports
    heads = ("Note: 40 values", "How many lie outside", "How well the limits")
    assert sorted(heads, key=text.index) == list(heads)
    assert {"Cpk", "Ppk", "Cpm"} <= set(report.table("How well the limits are kept").cells("index"))
    assert set(report.table("By material lot").cells("group")) >= {"B-17", "B-18"}
    for words in ("Anderson–Darling", "at least 99 % of all rods", "standard uncertainty",
                  "released by the decision rule"):
        assert words in " ".join(report.parts(On.SCREEN)[-1].words)


def test_a_selection_and_a_subgroup(run):
    found = as_json(run("capability", "--lot", "B-17", "--side", "left", "--json"))
    assert found["n"] == 16
    assert found["about"]["Side"] == "left"
    grouped = as_json(run("capability", "--subgroup", "set", "--json"))
    assert grouped["inherent"]["degrees_of_freedom"] == 40 - 5
    since = as_json(run("chart", "--since", "2031-03-17", "--until", "2031-03-18", "--json"))
    assert len(since["values"]) == 16


def test_a_report_of_the_record(run, tmp_path):
    result = run("capability", "--report", "out")
    assert result.exit_code == 0, result.stderr
    assert "Report: out/capability.pdf" in result.stdout
    names = {path.name for path in (tmp_path / "out").iterdir()}
    charts = {
        "values-and-limits", "indices", "probability-plot", "individuals", "by-material-lot",
        "by-side",
    }
    assert names >= {"capability.pdf", *(f"{c}.{e}" for c in charts for e in ("svg", "png"))}
    text = text_of((tmp_path / "out" / "capability.pdf").read_bytes())
    for words in ("Findings", "Are the values normal?", "too short", "Signals", "B-17"):
        assert words in text
    again = run("capability", "--report", "out")
    assert again.exit_code == 1
    assert "is there already" in again.stderr
    assert again.stdout == ""


def test_a_table_with_decimal_commas(run, tmp_path):
    (tmp_path / "v.csv").write_bytes(
        "\ufeffPart;Value\nA;30,02\nB;29,98\nC;30,1\nD;30,00\n".encode()
    )
    limits = ("--lower", 29.5, "--upper", 30.5)
    found = as_json(run("capability", "--file", "v.csv", *limits, "--json"))
    assert found["n"] == 4
    assert found["mean"] == pytest.approx(30.025)


def test_three_decimals_after_a_comma(run, tmp_path):
    """30,012 is thirty where the limits say so or the user does; else it is asked about."""
    name = table(tmp_path / "v.csv", [])
    (tmp_path / name).write_text("n;value\n1;30,012\n2;29,987\n3;30,104\n")
    both = as_json(run("capability", "--file", name, "--lower", 29, "--upper", 31, "--json"))
    assert both["mean"] == pytest.approx(30.0343333)
    told = as_json(run("chart", "--file", name, "--decimal", "comma", "--json"))
    assert told["centre"] == pytest.approx(30.0343333)
    asked = run("chart", "--file", name)
    assert asked.exit_code == 2
    assert "v.csv:2, column 2 (value)" in asked.stderr
    assert "could be 30.012 or 30012" in asked.stderr
    assert "--decimal comma" in asked.stderr
    assert len(asked.stderr.splitlines()) == 1
    wrong = run("chart", "--file", name, "--decimal", "point")
    assert wrong.exit_code == 2


def test_a_slip_of_typing_is_asked_about(run, tmp_path):
    name = table(tmp_path / "v.csv", [31.5, 31.6, 315.0, 31.4], form="{:.1f}")
    result = run("capability", "--file", name, "--lower", 31.3, "--upper", 31.7)
    assert result.exit_code == 2
    assert "v.csv:4, column 1 (value)" in result.stderr


def test_an_unstable_process_predicts_nothing(run, tmp_path):
    rng = np.random.default_rng(1)
    values = [*rng.normal(0, 1, 40), *rng.normal(4, 1, 30)]
    name = table(tmp_path / "v.csv", values)
    found = as_json(run("capability", "--file", name, "--lower", -12, "--upper", 12, "--json"))
    assert not found["stable"]
    assert found["findings"][0].startswith("Cpk of an unstable process predicts nothing")
    chart = run("chart", "--file", name)
    assert "the process is not stable" in chart.stdout
    assert "the level has moved" in chart.stdout


def test_a_steady_process_has_nothing_to_say(run, tmp_path):
    name = table(tmp_path / "v.csv", np.random.default_rng(5).normal(0, 1, 120))
    found = as_json(run("capability", "--file", name, "--lower", -8, "--upper", 8, "--json"))
    assert found["findings"] == []
    assert found["stable"]
    result = run("chart", "--file", name)
    assert "No signals: nothing speaks against a stable process." in result.stdout


def test_one_limit(run, tmp_path, reports):
    name = table(tmp_path / "v.csv", np.random.default_rng(8).normal(0, 1, 40))
    result = run("capability", "--file", name, "--upper", 5)
    assert result.exit_code == 0
    assert set(reports[0].table("How well the limits are kept").cells("index")) == {"Cpk", "Ppk"}


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["--file", "none.csv", "--upper", "3"], 2, "none.csv: cannot be read"),
        (["--file", "v.csv"], 2, "capability needs limits"),
        (["--file", "v.csv", "--target", "3"], 2, "capability needs a limit"),
        (["--file", "v.csv", "--lower", "3", "--upper", "1"], 2, "not in order"),
        (["--file", "v.csv", "--upper", "3", "--lot", "B-17"], 2, "--lot chooses rods"),
        (["--file", "v.csv", "--upper", "3", "--shortest", "9"], 2, "--shortest chooses rods"),
        (["--lower", "1"], 2, "--lower is for a --file"),
        (["--decimal", "comma"], 2, "--decimal is for a --file"),
        (["--since", "2031-03-20", "--until", "2031-03-10"], 1, "fits the whole selection"),
        (["--file", "v.csv", "--upper", "3", "--subgroup", "value"], 2, "name two columns"),
        (["--file", "v.csv", "--upper", "3", "--column", "day"], 2,
         "v.csv:1: has no column `day`; its columns are `value`"),
        (["--file", "v.csv", "--upper", "3", "--column", "valeu"], 2,
         "v.csv:1: has no column `valeu`; did you mean `value`?"),
        (["--file", "v.csv", "--upper", "3", "--subgroup", "valve"], 2, "did you mean `value`?"),
        (["--file", "v.csv", "--lower", "1.2", "--upper", "1.212"], 2,
         "2.0000 lies outside of the limits 1.2 to 1.212 by more than 50 times their distance"),
        (["--file", "one.csv", "--upper", "3"], 1, "needs at least 2 values"),
        (["--file", "same.csv", "--upper", "3"], 1, "have no spread"),
        (["--file", "text.csv", "--upper", "3"], 2, "text.csv:2, column 1 (value)"),
        (["--lot", "B-99"], 2, "measured are 'B-17', 'B-18'"),
        (["--shortest", "70"], 1, "fits the whole selection"),
        (["--subgroup", "machine"], 2, "choose `set` or `lot`"),
    ],
)
def test_refusals_are_one_sentence(run, tmp_path, arguments, status, words):
    table(tmp_path / "v.csv", [1.0, 1.5, 2.0, 1.2])
    table(tmp_path / "one.csv", [1.0])
    table(tmp_path / "same.csv", [1.0, 1.0])
    table(tmp_path / "text.csv", ["abc"], form="{}")
    result = run("capability", *arguments)
    assert result.exit_code == status, result.output
    assert words in result.stderr
    assert "Traceback" not in result.output
    assert len(result.stderr.splitlines()) == 1


def test_no_ledger_is_begun_by_looking(run, tmp_path):
    result = run("capability", ledger=tmp_path / "none.sqlite")
    assert result.exit_code == 2
    assert not (tmp_path / "none.sqlite").exists()


def test_columns_keep_their_names_and_name_no_path(run, tmp_path):
    (tmp_path / "v.csv").write_text(
        "Größe;../Lot/Day\n" + "".join(f"{10 + n % 7 / 10};{n // 4}\n" for n in range(16)), "utf-8"
    )
    result = run(
        "capability", "--file", "v.csv", "--column", "größe", "--subgroup", "../lot/day",
        "--lower", 9, "--upper", 12, "--report", "r",
    )
    assert result.exit_code == 0, result.output
    assert "By ../Lot/Day" in result.stdout
    assert (tmp_path / "r" / "by-Lot-Day.svg").exists()
    assert "Größe" in text_of((tmp_path / "r" / "capability.pdf").read_bytes())


def test_of_very_many_signals_the_first_are_told(run, tmp_path, reports):
    name = table(tmp_path / "v.csv", [n % 2 + n // 40 * 5 for n in range(4000)])
    run("chart", "--file", name)
    *rows, last = reports[0].table("Signals").cells("what was found")
    found = as_json(run("chart", "--file", name, "--json"))["signals"]
    assert len(rows) == 60 < len(found)
    assert last == f"And {len(found) - 60} more signals; --json lists all."


def test_a_day_that_is_none(run):
    result = run("capability", "--since", "20.3.2031")
    assert result.exit_code == 2
    assert "write one such as 2031-03-20" in result.output
