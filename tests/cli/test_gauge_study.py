"""`labkit gauge-study` in process: tables, JSON, report, refusals."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.report import On
from tests.documents.pdfs import squeezed, text_of
from tests.support.gauge_data import houf_berman


@pytest.fixture
def table(tmp_path):
    """Houf and Berman's readings as a spreadsheet saves them, decimal comma and all."""
    study = houf_berman()
    lines = ["Operator;Part;Value;Reference"]
    for part, cells in zip(study.parts, study.values_mm, strict=True):
        for operator, cell in zip(study.operators, cells, strict=True):
            lines += [f"{operator};{part};{value},0;{cells[0][0]},5" for value in cell]
    path = tmp_path / "study.csv"
    path.write_bytes("\r\n".join(lines).encode("utf-8-sig"))
    return path


def run(*arguments):
    return CliRunner().invoke(cli, ["gauge-study", *map(str, arguments)], env={"COLUMNS": "80"})


def test_the_tables_fit_a_screen_of_80_columns(table, reports):
    result = run(table, "--tolerance", "5")
    assert result.exit_code == 0, result.stderr
    (report,) = reports
    differ = report.table("Where readings differ")
    assert differ.cells("where readings differ") == (
        "same person, same rod", "another person adds", "– alike on every rod",
        "– changing from rod to rod", "the gauge together", "rods differ",
    )
    assert differ.cells("by ranges,\nmm")[4] == pytest.approx(1.0274, abs=5e-5)
    texts = [
        cell for section in report.parts(On.SCREEN) if section.table
        for row in section.table.shown(On.SCREEN).texts for cell in row
    ]
    for shown in ("1.3430", "0.6068 to 0.8704", "80.6 %", "1.0274", "reads less than the others"):
        assert shown in texts
    assert "The gauge distinguishes 7 groups" in report.words
    assert "standard_deviation = 0.7149\n  degrees_of_freedom = 60" in report.words
    assert report.table("Linearity").rows
    tables = [line for line in result.stdout.splitlines() if line.startswith(" ")]
    assert all("…" not in line for line in tables)
    assert "the gauge together 1.3430" in " ".join(result.stdout.split())


def test_json_is_one_object_with_full_numbers(table):
    result = run(table, "--tolerance", "5", "--json")
    [line] = result.stdout.splitlines()
    found = json.loads(line)
    by_anova = found["by_analysis_of_variance"]
    gauge = by_anova["variation"]["gauge_together"]
    assert gauge["variance_mm2"] == pytest.approx(1.803704, abs=5e-7)
    assert gauge["share_of_variance"] == pytest.approx(0.0360, abs=5e-5)
    assert gauge["share_of_spread"] == pytest.approx(0.189749, abs=5e-7)
    assert gauge["share_of_tolerance"] == pytest.approx(0.6 * 1.34302, abs=5e-6)
    assert by_anova["groups_told_apart"] == 7
    assert found["by_ranges"]["rods_apart_mm"] == pytest.approx(17.777778, abs=5e-7)
    assert [each["name"] for each in found["look_at"]["persons"]] == ["A", "B", "C"]
    assert found["study"] == {
        "parts": [str(k) for k in range(1, 11)], "operators": ["A", "B", "C"], "trials": 3,
    }
    assert len(found["bias"]) == len({bias["reference_mm"] for bias in found["bias"]})
    assert found["repeatability"]["degrees_of_freedom"] == 60
    assert found["report"] == []


def test_one_method_alone(table):
    anova, ranges = (run(table, "--method", way).stdout for way in ("anova", "ranges"))
    assert "By analysis of variance" in anova
    assert "by ranges" not in anova
    assert "By averages and ranges" in ranges
    assert "analysis of variance" not in ranges


def test_the_report_holds_what_the_screen_shows(table, tmp_path):
    folder = tmp_path / "report"
    result = run(table, "--tolerance", "5", "--report", folder)
    assert result.exit_code == 0, result.stderr
    charts = ("bias", "readings", "shares")
    assert {path.name for path in folder.iterdir()} == {
        "gauge-study.pdf", *(f"{chart}.{end}" for chart in charts for end in ("svg", "png")),
    }
    text = squeezed(text_of((folder / "gauge-study.pdf").read_bytes()))
    for shown in ("Gauge study", "the gauge together", "0.7149", "19.0 %", "Linearity"):
        assert squeezed(shown) in text
    again = run(table, "--report", folder)
    assert (again.exit_code, "is there already" in again.stderr) == (1, True)


def test_a_study_without_operators_has_its_report(tmp_path):
    path = tmp_path / "auto.csv"
    path.write_text("part,value\n" + "".join(f"{p},{30 + p + d}\n" for p in range(4)
                                             for d in (0.01, 0.02, 0.04)))
    result = run(path, "--report", tmp_path / "r", "--json")
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)
    assert list(found["by_analysis_of_variance"]["variation"]) == [
        "same_person_same_rod", "gauge_together", "rods_differ", "all_readings",
    ]
    assert found["look_at"]["persons"] == []


def test_a_study_too_large_for_ranges_has_the_rest(tmp_path):
    path = tmp_path / "many.csv"
    path.write_text("part,value\n" + "".join(f"{p},{30 + p / 64 + d}\n" for p in range(101)
                                             for d in (0.01, 0.02)))
    refused = run(path, "--method", "ranges")
    assert (refused.exit_code, "use the analysis of variance" in refused.stderr) == (1, True)
    both = run(path, "--json")
    told = json.loads(both.stdout)
    assert (both.exit_code, told["by_ranges"]) == (0, None)
    assert any("ranges take at most 100 parts" in each["message"] for each in told["findings"])
    result = run(path, "--method", "anova", "--report", tmp_path / "r")
    assert result.exit_code == 0, result.stderr


def test_a_slip_is_named_whichever_method_is_asked_for(tmp_path):
    path = tmp_path / "slip.csv"
    readings = [(p, 30 + p + (0.3 if (p, d) == (3, 2) else d / 100)) for p in range(8)
                for d in range(3)]
    path.write_text("part,value\n" + "".join(f"{p},{value:.2f}\n" for p, value in readings))
    for method in ("anova", "ranges"):
        told = run(path, "--method", method).stdout
        assert "Look at this: part 3: readings too far apart (0.3 mm)." in told


def test_bias_alone_from_its_own_file(tmp_path):
    path = tmp_path / "blocks.csv"
    path.write_text("reference,value\n" + "25.000,25.004\n25.000,25.002\n25.000,25.003\n")
    result = run("--bias", path, "--report", tmp_path / "r")
    assert "the greatest is +0.0030 mm at 25.000 mm" in result.stdout
    assert (tmp_path / "r" / "bias.png").exists()


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("part,value\na,x\n", 2, "study.csv:2, column 2 (value): \"x\" is not a number"),
        ("part,valeu\na,1\n", 2, "did you mean `value`?"),
        ("part,value\na,1\na,1\n", 1, "study.csv: the study has 1 part"),
        ("part,value\na,1\na,1\nb,1\nc,1\nc,1\n", 2, "part b has 1 reading"),
        ("part,value\n" + "a,1\nb,1\nc,1\n" * 2, 1, "nothing differs"),
        ("part,value\n", 2, "has no row"),
    ],
)
def test_refusals_are_sentences_and_write_nothing(tmp_path, text, code, said):
    path = tmp_path / "study.csv"
    path.write_text(text)
    result = run(path, "--report", tmp_path / "r")
    assert result.exit_code == code
    assert said in result.stderr
    assert "Traceback" not in result.stderr
    assert [entry.name for entry in tmp_path.iterdir()] == ["study.csv"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "no readings were named"),
        (("absent.csv",), "absent.csv: cannot be read"),
        (("--bias", "absent.csv"), "absent.csv: cannot be read"),
        (("absent.csv", "--tolerance", "nan"), "'nan' is not a number of at most"),
        (("absent.csv", "--confidence", "95"), "a confidence of 95 is not usable"),
    ],
)
def test_options_that_cannot_be_are_refused(arguments, said):
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in result.stderr


def test_readings_that_never_differ_are_no_good_gauge(tmp_path):
    path = tmp_path / "copied.csv"
    path.write_text("part,operator,value\n" + "".join(
        f"{p},{o},3{p}.00\n" for p in range(4) for o in "ab" for _ in range(2)
    ))
    result = run(path, "--tolerance", "0.15", "--json")
    assert result.exit_code == 0, result.stderr
    judged = [f["message"] for f in json.loads(result.stdout)["findings"]
              if f["code"] == "gauge_judgement"]
    assert len(judged) == 1
    assert "cannot be judged" in judged[0]
    assert "standard_deviation" not in run(path).stdout


def test_a_fine_gauge_keeps_its_digits_in_the_instruments_lines(tmp_path):
    path = tmp_path / "fine.csv"
    path.write_text("part,value\n" + "".join(
        f"{p},{30 + p + d:.5f}\n" for p in range(10) for d in (-0.00002, 0.00002)
    ))
    # Range 0.04 µm of two readings: s = 0.04/√2 µm.
    assert "standard_deviation = 0.00002828\n" in run(path, "--method", "anova").stdout
