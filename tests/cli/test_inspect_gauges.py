"""`labkit inspect`: temperatures and instruments that nothing covers are told before recording."""

from __future__ import annotations

import pytest

from tests.cli.test_inspect import bench

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
