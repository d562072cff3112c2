"""`labkit limits`: what a reading must be, before anyone measures."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.catalog.places import templates_dir
from labkit.catalog.processes import processes
from labkit.catalog.rods import rod_templates
from labkit.cli.main import cli
from labkit.core.case.identifier import grouped
from labkit.ledger.store import open_ledger
from labkit.qa.decision.conformance import conformance_probability
from labkit.workflow.inspection.limits import gauge_notes
from labkit.workflow.sets.cases import open_case
from tests.documents import bench_specs as specs
from tests.support.inspection import record_set
from tests.support.own_instruments import write_instruments

CASE = "QF-1043"


def text_of(tolerance: str = "") -> str:
    if not tolerance:
        return specs.SIX
    return specs.changed(specs.SIX, ("start = 60", f"start = 60\ntolerance = {tolerance}"))


@pytest.fixture
def folder(tmp_path):
    def write(tolerance: str = "") -> str:
        place = tmp_path / f"{CASE}-r1"
        place.mkdir(exist_ok=True)
        content = json.dumps(specs.spec_of(text_of(tolerance)))
        (place / "spacer-set.json").write_text(content, "utf-8")
        return str(place)

    return write


def run(*arguments, **env):
    settings = {"COLUMNS": "100", "LABKIT_LEDGER": "missing.sqlite", **env}
    return CliRunner().invoke(cli, ["limits", *map(str, arguments)], env=settings)


def told(*arguments, code=0, **env):
    result = run(*arguments, "--json", **env)
    assert result.exit_code == code, result.stderr
    (line,) = result.stdout.splitlines()
    return json.loads(line)


def test_every_rod_has_its_limits_of_length_and_of_reading(folder):
    content = told(folder(), "--instrument", "example-calliper")
    assert (content["case"], content["set"]) == (CASE, f"{CASE}-r1")
    assert content["way"]["method"] == "over"
    assert len(content["rods"]) == 12
    for rod in content["rods"]:
        length, tolerance = float(rod["length_mm"]), float(rod["tolerance_mm"])
        lower, upper = rod["specification_mm"]
        assert (lower, upper) == pytest.approx((length - tolerance, length + tolerance))
        u = math.sqrt(sum(one["u_mm"] ** 2 for one in rod["budget"]))
        assert rod["u_mm"] == pytest.approx(u)
        for end in rod["acceptance_mm"]:
            p = conformance_probability(end, u, lower, upper, rod["dof"])
            assert p == pytest.approx(0.95, abs=1e-6)
        # The reading's limits are those of the length and the shift, rounded inwards.
        for side, end in ((1, 0), (-1, 1)):
            reading = float(rod["reading"]["acceptance_mm"][end])
            inside = side * (reading - rod["acceptance_mm"][end] - content["way"]["shift_mm"])
            assert -1e-9 <= inside < 0.001
    assert content["findings"] == []


def test_the_report_tells_what_qa_needs(folder, reports):
    result = run(folder(), "--instrument", "example-micrometer")
    assert result.exit_code == 0, result.stderr
    (report,) = reports
    for words in (
        "Measured over gauge pins in both bores, with Example outside micrometer",
        "length = reading − 2.475 mm", "Gauge pins: 2.50 mm", "conformance probability of 95 %",
    ):
        assert words in report.words
    limits, budget = (section.table for section in report.sections[1:])
    assert limits.cells("allowed")[0] == (Decimal("35.75"), Decimal("36.05"))
    assert "35.75–36.05" in limits.shown().texts[0]
    assert {"repeatability", "together"} <= set(budget.cells("from"))
    assert budget.cells("basis")[-1].startswith("expanded: ")


def test_without_an_instrument_the_process_gauge_counts(folder):
    content = told(folder())
    assert content["instrument"] is None
    names = [one["name"] for one in content["rods"][0]["budget"]]
    assert names == ["gauge", "fittings"]


def test_more_readings_widen_the_zone(folder):
    def width(readings):
        rod = told(folder(), "--instrument", "example-calliper", "--readings", readings)["rods"][0]
        return rod["acceptance_mm"][1] - rod["acceptance_mm"][0]

    assert width(1) < width(3) < width(10)


def test_a_gauge_too_coarse_is_refused_with_what_would_do(folder):
    place = folder("0.06")
    result = run(place, "--instrument", "example-coarse-calliper", "--way", "over")
    assert result.exit_code == 1
    assert result.stderr.startswith(
        'labkit: no acceptance zone for any rod: example-coarse-calliper, measuring "over" with a '
        "standard uncertainty of 0.044 mm, is too coarse for ±0.06 mm (0.020 mm of it are the "
        "fittings' own sizes, as gauge pins let them through, of which half-sum and centres are "
        "free); use the usual gauge of the process (over, between, half-sum, centres), or "
        "example-calliper (over, between, half-sum)"
    )
    assert "example-micrometer (over)" in result.stderr
    assert "none" in result.stdout  # the table is shown all the same
    content = told(place, "--instrument", "example-coarse-calliper", code=1)
    assert {rod["acceptance_mm"] for rod in content["rods"]} == {None}
    assert [found["code"] for found in content["findings"]] == ["gauge_too_coarse", "coarse_scale"]
    # What it names does indeed do.
    for other in content["would_do"]:
        named = ("--instrument", other["instrument"]) if other["instrument"] else ()
        assert told(place, *named, "--way", other["method"])["findings"] == []


def test_finer_gauge_pins_that_would_do_are_named_and_do(folder, tmp_path):
    place, named = folder("0.04"), ("--instrument", "example-micrometer", "--way", "over")
    refused = run(place, *named)
    assert refused.exit_code == 1
    widest = re.search(
        r"or keep example-micrometer and use gauge pins that are below their mark by at most "
        r"(0\.\d+) mm \(over\), as `tolerance` in their file then states", refused.stderr,
    )[1]
    own = write_instruments(tmp_path / "own")
    file = own / "pins-2.toml"
    usual = file.read_text("utf-8")

    def pinned(tolerance):
        file.write_text(usual.replace("tolerance = 0.005", f"tolerance = {tolerance}"), "utf-8")
        return run(place, *named, "--pins", "pins-2", "--instruments", own)

    assert "too coarse" in pinned("0.005").stderr
    assert "too coarse" in pinned(float(widest) + 0.0005).stderr
    finer = pinned(widest)
    assert (finer.exit_code, finer.stderr) == (0, "")
    assert f"their gauge pins (− {widest} mm) let through" in " ".join(finer.stdout.split())
    file.write_text(usual.replace("2.50, ", ""), "utf-8")
    lacking = run(place, *named, "--pins", "pins-2", "--instruments", own)
    assert "pins-2 has no pin of 2.50 mm; name the set that is used" in lacking.stderr


def test_where_nothing_would_do_that_is_said(folder):
    result = run(folder("0.004"))
    assert result.exit_code == 1
    assert "none of the known instruments would do: describe a finer one" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("--way", "ends"), 1, '"ends" (over the ends, outside of both bosses) finds gross errors'),
        (("--way", "over-less-own"), 2, "does not fit this template; its rods are measured over"),
        (("--way", "over", "--instrument", "example-microscope"), 1,
         'example-microscope does not measure "over"'),
        (("--instrument", "example-caliper"), 2, "did you mean `example-calliper`"),
        (("--set", f"{CASE}-r1"), 2, "--set goes with a case number, not with a folder"),
        (("--readings", "0"), 2, "0 is not in the range"),
    ],
)
def test_what_cannot_be_is_told(folder, arguments, code, sentence):
    result = run(folder(), *arguments)
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())


def test_an_overdue_calibration_is_noted(folder, tmp_path):
    from labkit.catalog.places import templates_dir

    text = (templates_dir() / "instruments" / "example-calliper.toml").read_text("utf-8")
    text = text.replace("example-calliper", "bench").replace("= 50\n", "= 50\ndue = 2001-02-03\n")
    own = tmp_path / "bench.toml"
    own.write_text(text, "utf-8")
    content = told(folder(), "--instrument", "bench", "--instruments", own)
    assert [found["code"] for found in content["findings"]] == ["calibration_overdue"]


def test_a_case_of_the_ledger_shows_the_rods_that_fill_its_places_now(tmp_path):
    url = str(tmp_path / "ledger.sqlite")
    with open_ledger(url) as ledger:
        record_set(ledger, specs.SIX)
        rods = [rod.identifier for rod in ledger.rods(CASE)]
    content = told(CASE, LABKIT_LEDGER=url)
    assert {rod["identifier"] for rod in content["rods"]} == set(rods)
    shown = run(CASE, "--set", f"{CASE}-r1", LABKIT_LEDGER=url)
    assert grouped(rods[0]) in shown.stdout
    assert run(CASE, "--set", "QF-9-r1", LABKIT_LEDGER=url).exit_code == 2
    assert run("QF-1034", LABKIT_LEDGER=url).exit_code == 2
    assert run(CASE, LABKIT_LEDGER=str(tmp_path / "none.sqlite")).exit_code == 2


def test_a_folder_that_is_no_set_is_told_and_a_case_number_may_have_a_stroke(tmp_path):
    (tmp_path / "sets").mkdir()
    result = run(tmp_path / "sets")
    assert result.exit_code == 2
    assert "is not a finished set" in result.stderr
    url = str(tmp_path / "ledger.sqlite")
    with open_ledger(url):
        pass
    assert "has no case 'QF/9'" in run("QF/9", LABKIT_LEDGER=url).stderr


def test_an_instrument_out_of_calibration_is_not_advised(folder, tmp_path):
    """The one that would do, once in calibration and once not."""
    text = (templates_dir() / "instruments" / "example-micrometer.toml").read_text("utf-8")
    text = text.replace("example-micrometer", "m-3")
    for due, advised in (("2999-01-01", True), ("2001-01-01", False)):
        own = tmp_path / "m-3.toml"
        own.write_text(text.replace("[calibration]", f"[calibration]\ndue = {due}"), "utf-8")
        place = folder("0.05")
        content = told(
            place, "--instrument", "example-coarse-calliper", "--instruments", own, code=1
        )
        names = {one["instrument"] for one in content["would_do"]}
        assert "example-micrometer" in names
        assert ("m-3" in names) is advised


def test_making_a_set_notes_a_gauge_too_coarse():
    process = processes()["example-resin"]
    wide = open_case(specs.source(specs.SIX), rod_templates())
    assert gauge_notes(wide, process) == ()
    (noted,) = gauge_notes(wide, dataclasses.replace(process, gauge_uncertainty_mm=0.1))
    assert noted.code == "gauge_too_coarse"
    assert "too coarse to show that a rod lies within ±0.15 mm" in noted.message


def test_a_name_too_long_for_a_folder_is_a_case_that_is_not_there(tmp_path):
    url = str(tmp_path / "ledger.sqlite")
    with open_ledger(url) as ledger:
        record_set(ledger, specs.SIX)
    result = run("x" * 5000, LABKIT_LEDGER=url)
    assert result.exit_code == 2
    assert "has no case" in result.stderr


@pytest.mark.parametrize("number", [1, 2, 4])
def test_a_set_of_a_form_that_is_not_known_is_told_in_one_sentence(number):
    ledger = Path(__file__).parent.parent / "golden" / f"ledger-{number}.sqlite"
    result = run(CASE, LABKIT_LEDGER=str(ledger))
    assert result.exit_code == 1
    assert result.stderr.splitlines() == [
        "labkit: the set QF-1043-r1 was recorded in a form that this program cannot measure "
        "against; use the version that it was made with (labkit show)"
    ]
