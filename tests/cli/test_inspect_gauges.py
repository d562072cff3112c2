"""`labkit inspect`: temperatures and instruments that nothing covers are told before recording."""

from __future__ import annotations

import pytest

from tests.cli.test_inspect import bench
from tests.support.own_instruments import write_instruments

__all__ = ["bench"]


def test_one_temperature_for_all_rods(bench):
    """In an option, where the form has none; 25 °C is too warm for the usual gauge."""
    result = bench.run(bench.file(), "--by", "quinn", "--temperature", "21.5")
    assert result.exit_code == 0, result.output
    assert {r.details["temperature_c"] for r in bench.readings()} == {21.5}
    bench.form.without("temperature_c")
    for words in (("--again", "x", bench.file()), ("--again", "x")):
        warm = bench.run("--by", "quinn", "--temperature", "25", *words, typed="")
        assert warm.exit_code == 1
        assert "25 °C is not covered: the uncertainty of the usual gauge" in warm.stderr


@pytest.mark.parametrize(("cells", "whose"), [
    ({"temperature_c": "38"}, "38 °C is not covered: the uncertainty of the usual gauge"),
    ({"temperature_c": "24.5", "instrument": "example-micrometer"},
     "24.5 °C is not covered: the uncertainty of example-micrometer is for 20 ± 3 °C"),
])
def test_a_temperature_that_nothing_covers_is_told_with_its_cell(bench, cells, whose):
    bench.form.set(2, **cells)
    result = bench.run(bench.file(), "--by", "quinn")
    assert result.exit_code == 2
    column = bench.form.column("temperature_c")
    assert f"readings.csv:2, column {column} (temperature_c): {whose}" in result.stderr
    assert bench.readings() == []


PINS = ("--pins", "pins-2", "--instrument", "micrometer-7")


def test_gauge_pins_are_named_in_the_form_or_for_all_rods(bench, reports):
    own = str(write_instruments(bench.folder / "own"))
    bench.form.set(2, gauge_pins="pins-2", calibration_due="2032-09-30")
    words = (bench.file(), "--by", "quinn", "--instruments", own, *PINS)
    assert bench.run(*words).exit_code == 0
    kept = bench.readings()
    assert {(r.details["instrument"]["name"], r.details["gauge_pins"]["name"]) for r in kept} == {
        ("micrometer-7", "pins-2"),
    }
    assert "no release yet" not in reports[0].words


@pytest.mark.parametrize(("tolerance", "play"), [("0.001", 0.027), ("0.008", 0.041)])
def test_the_budget_counts_what_the_named_gauge_pins_let_through(bench, tolerance, play):
    """Two H10 bores of 2.5: 2 × (1.2375 − 2.500 + tolerance + 2.550 / 2) mm, ±."""
    own = write_instruments(bench.folder / "own")
    file = own / "pins-2.toml"
    text = file.read_text("utf-8").replace("tolerance = 0.005", f"tolerance = {tolerance}")
    file.write_text(text, "utf-8")
    assert bench.run(bench.file(), "--by", "quinn", "--instruments", str(own), *PINS).exit_code == 0
    details = bench.readings()[0].details
    assert details["gauge_pins"]["tolerance_mm"] == float(tolerance)
    (fittings,) = (one for one in details["budget"] if one["name"] == "fittings")
    assert fittings["u_mm"] == pytest.approx(play / 3**0.5)


def test_the_form_tells_when_a_calibration_is_due_where_the_file_does_not(bench):
    bench.form.set(2, instrument="example-micrometer", calibration_due="2031-09-30")
    bench.run(bench.file(), "--by", "quinn")
    assert bench.readings()[0].details["instrument"]["calibration_due"] == "2031-09-30"


@pytest.mark.parametrize(("cell", "says"), [
    ("pins-3", '"pins-3" is not a known set of gauge pins; known are example-pins, old, pins-2'),
    ("small", "small has no pin of 2.50 mm; name the set that was used"),
    ("old", "the calibration of old was due on 2031-03-19, the readings are of 2031-03-20"),
])
def test_gauge_pins_that_cannot_be_are_told(bench, cell, says):
    own = write_instruments(bench.folder / "own")
    text = (own / "pins-2.toml").read_text("utf-8")
    small = text.replace("pins-2", "small").replace("2.50, ", "")
    (own / "small.toml").write_text(small, "utf-8")
    (own / "old.toml").write_text(
        text.replace("pins-2", "old").replace("2032-09-30", "2031-03-19"), "utf-8"
    )
    bench.form.set(2, gauge_pins=cell)
    result = bench.run(bench.file(), "--by", "quinn", "--instruments", str(own))
    assert result.exit_code == 2
    assert says in result.stderr
    typed = bench.run("--pins", cell, "--instruments", str(own), typed="35.9\n")
    assert typed.exit_code in (1, 2)
    assert bench.readings() == []


def test_what_no_set_is_released_on_is_told_at_once(bench, reports):
    result = bench.run(bench.file(), "--instrument", "example-calliper", "--by", "quinn")
    assert "release the set with" not in result.stdout
    notes = [line for line in reports[0].words.splitlines() if "no release yet" in line]
    assert [note.partition(" more: ")[2].partition(";")[0] for note in notes] == [
        "example-calliper is an invented example",
        "no set of gauge pins is named that it was measured with",
    ]


def test_the_last_day_of_a_lot_is_told_with_it(bench):
    for words in (("--use-before", "2031-09-30"), ("--use-before", "2031-09-30", "--lot", "")):
        result = bench.run(bench.file(), "--by", "quinn", *words)
        assert result.exit_code == 2
        assert "--use-before is of no lot; name it with --lot" in result.stderr
    bench.form.columns.append("use_before")
    bench.form.set(2, use_before="2031-08-31")
    alone = bench.run(bench.file(), "--by", "quinn")
    assert "2031-08-31 is of no lot; name the lot in material_lot" in alone.stderr
    lot = ("--lot", "B-17")
    other = bench.run(bench.file(), "--by", "quinn", *lot, "--use-before", "2031-09-30")
    assert "2031-08-31 contradicts --use-before 2031-09-30" in other.stderr
    assert bench.run(bench.file(), "--by", "quinn", *lot).exit_code == 0
    kept = {(r.details["material_lot"], r.details.get("use_before")) for r in bench.readings()}
    assert kept == {("B-17", "2031-08-31"), ("B-17", None)}


def test_a_code_that_is_nobodys_records_nothing(bench):
    profile = bench.folder / "profile.toml"
    profile.write_text('schema = 1\n[[people]]\ncode = "quinn"\n', "utf-8")
    for words in ((bench.file(),), ()):
        told = bench.run(*words, "--by", "quinny", "--profile", str(profile), typed="")
        assert told.exit_code == 1
        assert "quinny is not a code in the lab's profile, which lists quinn" in told.stderr
    assert bench.run(bench.file(), "--by", "quinn", "--profile", str(profile)).exit_code == 0
