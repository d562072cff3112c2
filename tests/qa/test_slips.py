"""Typing slips and scatter: what is asked about, and what is let through."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from scipy.stats import studentized_range

from labkit.catalog.rods import rod_templates
from labkit.core.gauging.ways_of_measuring import Method, shifted_way, ways_of
from labkit.core.rod.rods import Ball, Eye
from labkit.errors import InputError
from labkit.qa.decision.readings import Expected, RodReadings, same_label
from labkit.qa.decision.scatter import range_limit_mm, range_probability
from labkit.qa.decision.slips import Typing, copied_column, slip_in

EYE = Eye(2.5, 7.5, "H8")
WAYS = ways_of(rod_templates()["eye-eye-flat"])
OVER = WAYS[0]
D = Decimal


def typing(length="31.5", others=("30.8", "32.2"), way=OVER, ways=WAYS, **cells):
    rod = Expected("4829173065", 1, "left", length, "", D(length), D("0.15"))
    return Typing(rod, way, ways, frozenset(map(D, others)), {k: D(v) for k, v in cells.items()})


CENTRES = next(way for way in WAYS if way.method is Method.CENTRES)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("315", "ten times too large"), ("3.15", "ten times too small"),
        ("3150", "a hundred times too large"), ("0.315", "a hundred times too small"),
        ("31500", "a thousand times too large"), ("1.240", "inches"), ("800.1", "25.4 times"),
    ],
)
def test_slips_of_the_decimal_sign_and_the_unit_are_never_taken(typed, says):
    slip = slip_in(D(typed), typing(way=CENTRES))
    assert slip.certain
    assert says in slip.sentence
    assert slip.sentence.startswith('31.5 expected "centres"')


@pytest.mark.parametrize("typed", ["31.5", "31.45", "31.9", "30.71", "32.29", "30.81", "32.19"])
def test_readings_of_rods_are_taken_good_or_bad(typed):
    """Of the rod itself, of a bad one, and of a neighbour that lies in its place."""
    assert slip_in(D(typed), typing(way=CENTRES)) is None


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("43.99", "two digits swapped (34.99)"), ("29.01", 'what "between"'),
        ("36.00", "2.025 mm off"), ("38.5", "4.525 mm off"),
    ],
)
def test_readings_far_off_are_asked_about(typed, says):
    if says.startswith("two"):
        slip = slip_in(D(typed), typing("32.5", ("30.8",)))
    else:
        slip = slip_in(D(typed), typing(others=("30.8",)))
    assert not slip.certain
    assert says in slip.sentence


@pytest.mark.parametrize("typed", ["30.701", "30.75", "32.25", "32.299"])
def test_a_rod_that_is_wrong_by_less_than_eight_tenths_may_be_meant(typed):
    """No other rod of the set is near, so that only the distance from its own nominal counts."""
    assert slip_in(D(typed), typing(way=CENTRES, others=())) is None


@pytest.mark.parametrize(("typed", "off"), [
    ("30.7", "0.8"), ("30.65", "0.85"), ("32.3", "0.8"), ("32.35", "0.85"),
])
def test_from_eight_tenths_on_it_is_asked_about(typed, off):
    slip = slip_in(D(typed), typing(way=CENTRES, others=()))
    assert f"{off} mm off" in slip.sentence
    assert not slip.certain


def test_the_label_and_other_cells_are_no_readings():
    assert "the label" in slip_in(D("31.5"), typing()).sentence
    assert "row's tolerance_mm" in slip_in(D("0.15"), typing(tolerance_mm="0.15")).sentence
    assert slip_in(D("31.5"), typing(way=CENTRES)) is None


def test_every_slip_of_one_decimal_place_is_noticed_for_every_way():
    for template in rod_templates().values():
        for way in ways_of(template):
            length = template.shortest_mm
            rod = Expected("4829173065", 1, "left", str(length), "", length, D("0.15"))
            expected = Typing(rod, way, ways_of(template), frozenset(), {})
            for factor in (10, 100, D("0.1"), D("0.01"), 1 / D("25.4")):
                slip = slip_in(expected.nominal_mm * factor, expected)
                assert slip is not None, (template.name, way.method, factor)
                assert slip.certain, (template.name, way.method, factor)


def test_copies_are_found_in_three_rods_and_more():
    def rows(*readings):
        numbers = {"nominal_mm": D("36.088"), "upper_mm": D("36.2")}
        return [([D(r) for r in each], numbers) for each in readings]

    assert copied_column(rows(["36.088"] * 3, ["36.088"], ["36.088"])) == "nominal_mm"
    assert copied_column(rows(["36.2"], ["36.2"], ["36.2"])) == "upper_mm"
    assert copied_column(rows(["36.088"], ["36.088"], ["36.09"])) == ""
    assert copied_column(rows(["36.088"], ["36.088"])) == ""


# --- scatter


@pytest.mark.parametrize(
    ("readings", "width"), [(2, 2.77), (3, 3.31), (4, 3.63), (5, 3.86), (10, 4.47)]
)
def test_range_of_normal_readings_printed(readings, width):
    """Upper 5 % points of the studentized range for infinite degrees of freedom, as printed in
    tables for Tukey's test (from memory), to their two decimals."""
    assert range_limit_mm(1, readings, 0.95) == pytest.approx(width, abs=0.005)


@pytest.mark.parametrize("readings", [2, 3, 5, 9])
def test_range_of_normal_readings_by_scipy(readings):
    for width in (0.5, 2.0, 4.0, 5.1):
        second = studentized_range.cdf(width, readings, np.inf)
        assert range_probability(width, readings) == pytest.approx(second, abs=1e-6)


def test_good_readings_scatter_beyond_the_limit_once_in_a_thousand_rods():
    readings = np.random.default_rng(5).normal(0, 0.01, (400_000, 3))
    beyond = np.ptp(readings, axis=1) > range_limit_mm(0.01, 3)
    assert beyond.mean() == pytest.approx(0.001, abs=4 * (0.001 / 400_000) ** 0.5)


def test_what_has_no_range_is_refused():
    with pytest.raises(InputError, match="two readings or more"):
        range_probability(1.0, 1)
    with pytest.raises(InputError, match="standard deviation above 0"):
        range_limit_mm(0.0, 3)


# --- values


def test_readings_are_one_at_least_and_finite():
    with pytest.raises(InputError, match="has 0 readings; give 1 to 30"):
        RodReadings("4829173065", Method.OVER, ())
    with pytest.raises(InputError, match="finite"):
        RodReadings("4829173065", Method.OVER, (D("NaN"),))
    three = RodReadings("4829173065", Method.OVER, (D("36.08"), D("36.09"), D("36.09")))
    assert three.mean_mm == D("36.086666666667")


def test_labels_of_balls_and_of_spreadsheets():
    way = shifted_way(Method.OVER, (Ball(4.0, 2.4, 2.6, "h9"), EYE))
    assert way.gauge_pins_mm == (D("2.50"),)
    rod = Expected("4829173065", 1, "left", "35.0", "", D("35.0"), D("0.15"))
    assert same_label("35", rod)
    assert not same_label("350", rod)
    assert not same_label("35.0 L", rod)
