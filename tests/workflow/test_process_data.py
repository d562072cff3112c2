"""Which readings of the record stand in a study of the process."""

from __future__ import annotations

import datetime
from dataclasses import replace

import pytest

from labkit.errors import InputError, RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.workflow.process.data import Selection, chosen, rod_sample, rod_values
from tests.support.measured_rods import Pen, fill, open_set, reading
from tests.support.recorded import make_set, parallel, set_body

ALL = Selection()


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite")) as opened:
        yield opened


@pytest.fixture(scope="module")
def twelve(tmp_path_factory):
    """Twelve sets of eight rods, all measured."""
    with open_ledger(str(tmp_path_factory.mktemp("record") / "ledger.sqlite")) as opened:
        deviations = fill(opened)
        return deviations, rod_values(opened)[0]


def test_every_rod_stands_there_once_in_the_order_of_making(twelve):
    deviations, values = twelve
    assert [value.deviation_mm for value in values] == pytest.approx(deviations, abs=1e-9)
    assert len({value.identifier for value in values}) == len(values) == 96
    sample = rod_sample(values, ALL)
    assert sample.values == tuple(value.deviation_mm for value in values)
    assert (sample.limits.lower, sample.limits.target, sample.limits.upper) == (-0.15, 0, 0.15)
    assert sample.unit == "mm"
    assert sample.uncertainty == pytest.approx(0.012)
    assert dict(sample.about)["Rods"] == "96 of 12 sets"
    assert dict(sample.about)["Measured"] == "2031-03-15 to 2031-03-26"
    assert "Side" not in dict(sample.about)
    assert "could not be used" not in " ".join(sample.notes)
    one_side = Selection(side="left")
    told = dict(rod_sample(chosen(values, one_side), one_side).about)
    assert (told["Side"], told["Rods"]) == ("left", "48 of 12 sets")


def test_the_order_is_that_of_making_whatever_is_opened_or_measured_first(ledger):
    """Cases opened in one order, their sets begun in another, their rods measured in a third."""
    pen = Pen(ledger)
    cases = ("QF-1", "QF-2", "QF-3")
    for case in cases:
        pen(Kind.CASE_OPENED, case, {})
        pen(Kind.PRESCRIPTION, case, {"revision": 1, "text": parallel(case)})
    made = []
    for case in ("QF-3", "QF-1", "QF-2"):
        made += [(case, rod) for rod in make_set(pen, case, set_body(parallel(case), f"{case}-r1"))]
    for case, rod in sorted(made, key=lambda one: one[1]["identifier"], reverse=True):
        pen(Kind.READING, case, reading(rod, 0.01))
    values, _ = rod_values(ledger)
    assert [value.identifier for value in values] == [rod["identifier"] for _, rod in made]
    assert [value.case for value in values[::8]] == ["QF-3", "QF-1", "QF-2"]
    assert [value.side for value in values[:4]] == ["left", "right", "left", "right"]
    assert rod_sample(values, ALL).names == tuple(value.identifier for value in values)


def test_a_correction_takes_the_place_of_what_it_corrects(ledger):
    pen = Pen(ledger)
    case, rods = open_set(pen, 1)
    slip = pen(Kind.READING, case, reading(rods[0], 0.9))
    pen(Kind.READING, case, {**reading(rods[0], 0.04), "note": "measured again"}, slip.seq)
    pen(Kind.READING, case, reading(rods[1], -0.02))
    values, without = rod_values(ledger)
    assert [round(value.deviation_mm, 6) for value in values] == [0.04, -0.02]
    assert without == 0


def test_a_reading_that_does_not_say_when_is_of_the_day_it_was_recorded(ledger):
    pen = Pen(ledger)
    case, rods = open_set(pen, 1)
    undated = reading(rods[0], 0.01)
    del undated["details"]["measured_on"]
    pen(Kind.READING, case, undated)
    (value,), _ = rod_values(ledger)
    assert value.measured_on == datetime.date(2031, 3, 14)


def test_rejected_rods_count_and_readings_without_details_are_told(ledger):
    pen = Pen(ledger)
    case, rods = open_set(pen, 1)
    pen(Kind.READING, case, reading(rods[0], 0.31))
    rejected = {"identifier": rods[0]["identifier"], "state": "rejected", "reason": "too long"}
    pen(Kind.ROD_STATE, case, rejected)
    old = {**reading(rods[1], 0.0)}
    del old["details"]
    pen(Kind.READING, case, old)
    values, without = rod_values(ledger)
    assert [value.identifier for value in values] == [rods[0]["identifier"]]
    assert without == 1
    notes = rod_sample(values, ALL, without).notes
    assert notes == ("1 older reading without details could not be used",)


@pytest.mark.parametrize(
    ("wanted", "count"),
    [
        (Selection(lot="B-18"), 32),
        (Selection(machine="printer 2"), 48),
        (Selection(process="example-resin", side="left"), 48),
        (Selection(case="QF-2003"), 8),
        (Selection(template="eye-eye-flat"), 96),
        (Selection(since=datetime.date(2031, 3, 25)), 16),
        (Selection(until=datetime.date(2031, 3, 15)), 8),
        (Selection(shortest_mm=28.7, longest_mm=28.7), 24),
    ],
)
def test_selections(twelve, wanted, count):
    assert len(chosen(twelve[1], wanted)) == count


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (Selection(lot="B-71"), "measured are 'B-17', 'B-18', 'B-19'"),
        (Selection(process="wax"), "measured are 'example-resin'"),
        (Selection(case="qf-2003"), "has the case 'qf-2003'"),
    ],
)
def test_names_that_no_rod_has(twelve, wanted, words):
    with pytest.raises(InputError, match=words):
        chosen(twelve[1], wanted)


def test_of_more_names_than_are_worth_listing_the_nearest_is_named(twelve):
    """Up to twelve are listed; of more the sentence guesses."""
    values = twelve[1]
    for count, words in ((12, "measured are 'L-0', 'L-1'"), (13, "did you mean 'L-1'")):
        some = [replace(value, lot=f"L-{number % count}") for number, value in enumerate(values)]
        with pytest.raises(InputError, match=words):
            chosen(some, Selection(lot="L-1x"))


def test_nothing_left(twelve):
    with pytest.raises(RefusedError, match="none of 96 measured rods in the record fits"):
        chosen(twelve[1], Selection(shortest_mm=90.0))
    with pytest.raises(RefusedError, match="no measured rods yet"):
        chosen((), ALL)


def test_different_tolerances_are_judged_as_shares_of_each(ledger):
    pen = Pen(ledger)
    case, rods = open_set(pen, 1)
    pen(Kind.READING, case, reading(rods[0], 0.06, tolerance="0.15"))
    pen(Kind.READING, case, reading(rods[1], -0.06, tolerance="0.3"))
    sample = rod_sample(rod_values(ledger)[0], ALL)
    assert sample.values == pytest.approx((0.4, -0.2))
    assert (sample.limits.lower, sample.limits.upper) == (-1, 1)
    assert sample.unit == "of the tolerance"
    assert sample.notes[0].startswith("the rods have 2 different tolerances")
    assert sample.uncertainty == pytest.approx(((0.08**2 + 0.04**2) / 2) ** 0.5)


def test_a_process_that_was_changed_or_mixed_is_told(ledger):
    pen = Pen(ledger)
    for number, process in enumerate(("resin", "resin", "other")):
        case, rods = open_set(pen, number, process)
        pen(Kind.READING, case, reading(rods[0], 0.01 * number))
    notes = rod_sample(rod_values(ledger)[0], ALL).notes
    assert "the process resin was changed meanwhile (2 versions" in notes[0]
    assert "rods of 2 processes are judged together" in notes[1]


def test_subgroups_and_comparisons(twelve):
    values = twelve[1]
    by_set = rod_sample(values, ALL, 0, "set").subgroups
    assert by_set.groups[:2] == ("QF-2000-r1", "QF-2001-r1")
    by_lot = rod_sample(values, ALL, 0, "lot").subgroups
    assert by_lot.groups == ("B-17", "B-18", "B-19")
    names = [grouping.name for grouping in rod_sample(values, ALL).groupings]
    assert names == ["material lot", "machine", "length", "side"]
    assert rod_sample(values, ALL).groupings[2].groups == ("25 to 30 mm", "30 to 35 mm")
    with pytest.raises(InputError, match="choose `set` or `lot`"):
        rod_sample(values, ALL, 0, "machine")
