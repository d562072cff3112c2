"""What pairs of rods make on the range that holds now, against slower roads to the same numbers."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from labkit.core.case.cover import TolerancedRod
from labkit.core.case.rods_out import RodOut
from labkit.core.case.standing import (
    NotKnown,
    PairStanding,
    pairs_standing,
    same_percents,
)
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.prescription import Side, Zero
from labkit.core.jaw.build import jaw_model
from labkit.core.jaw.path import displacements_at
from labkit.documents.standing import STANDING, standing_sentences
from labkit.errors import InputError
from tests.support.recorded import graded, parallel, read, unequal

CASES = [
    pytest.param(parallel("A", action) if model == "straight" else unequal("A", model, action),
                 id=f"{model}-{action}")
    for model in ("straight", "sliding", "hinged")
    for action in ("pull", "push")
]


def rods(text):
    """Every rod of a set with its own tolerance, by step."""
    return [
        TolerancedRod(RodOut(str(number), side, step.rod(side).label), step.rod(side).tolerance_mm)
        for number, step in enumerate(graded(text).steps, 1)
        for side in Side
    ]


def at_range(prescription, mm):
    """The same prescription with another maximum, on the same path."""
    bite = prescription.bite
    zero = bite.retruded if bite.zero is Zero.RETRUDED else bite.habitual
    protruded = zero + Decimal(str(mm))
    longer = (protruded - bite.retruded) / (bite.protruded - bite.retruded)
    deviation = bite.midline_deviation_mm * longer
    return replace(
        prescription,
        bite=replace(bite, protruded=protruded, midline_deviation_mm=deviation),
    )


@pytest.mark.parametrize("text", CASES)
def test_percents_are_shares_of_the_range_that_holds_now(text):
    """The path stays, so that only what 100 % means has changed."""
    range_mm = graded(text).range_mm - 0.8
    found = pairs_standing(rods(text), at_range(read(text), range_mm))
    for number, step in enumerate(graded(text).steps, 1):
        pair = found[str(number)]
        assert (pair.left, pair.right) == (step.left.label, step.right.label)
        assert pair.advancement_mm == pytest.approx(step.made.advancement_mm, abs=1e-7)
        assert pair.percent == pytest.approx(100 * pair.advancement_mm / range_mm, abs=1e-9)
        assert pair.beyond_mm == pytest.approx(pair.advancement_mm - range_mm, abs=1e-9)
    assert [name for name, pair in found.items() if pair.not_to_be_worn] == ["4"]
    assert found["4"].percent > 107


@pytest.mark.parametrize("text", CASES)
def test_the_tolerance_is_what_the_rods_lengths_may_move_the_jaw(text):
    """The slow road: make both rods longer and shorter by their tolerance, and look."""
    prescription = read(text)
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    for number, step in enumerate(graded(text).steps, 1):
        pair = pairs_standing(rods(text), prescription)[str(number)]
        moves = []
        for side, weights in zip(Side, ([1.0, 0.0], [0.0, 1.0]), strict=True):
            length, off = float(step.rod(side).length), float(step.rod(side).tolerance_mm)
            ends = displacements_at(model, np.array([length - off, length + off]), weights)
            moves.append(abs(float(ends[1] - ends[0])) / 2)
        assert pair.tolerance_mm == pytest.approx(sum(moves) / 2, rel=2e-2)


@pytest.mark.parametrize("text", CASES)
def test_a_pair_is_struck_just_where_it_passes_its_own_tolerance(text):
    """At the edge the strike turns on; a pair beyond the maximum within it stays."""
    full = pairs_standing(rods(text), read(text))["4"]
    edge = full.advancement_mm - full.tolerance_mm
    inside = pairs_standing(rods(text), at_range(read(text), edge + 0.002))["4"]
    outside = pairs_standing(rods(text), at_range(read(text), edge - 0.002))["4"]
    assert inside.percent > 100
    assert not inside.not_to_be_worn
    assert outside.not_to_be_worn


def test_what_makes_the_maximum_exactly_is_worn():
    pair = PairStanding("1", "26.9", "26.9", 11.0, 100.0, beyond_mm=1e-12, tolerance_mm=0.0)
    assert not pair.not_to_be_worn


@pytest.mark.parametrize("text", CASES)
@pytest.mark.parametrize("side", list(Side))
def test_a_rod_alone_is_read_along_the_path(text, side):
    """Its partner is lost: its own tolerance counts, not half of it."""
    alone = [one for one in rods(text) if one.rod.side is side]
    found = pairs_standing(alone, at_range(read(text), graded(text).range_mm - 0.8))
    assert [name for name, pair in found.items() if pair.not_to_be_worn] == ["4"]
    pair, step = found["4"], graded(text).steps[3].rod(side)
    assert {pair.left, pair.right} == {"", step.label}
    assert pair.tolerance_mm == pytest.approx(
        float(step.tolerance_mm) / abs(step.mm_per_mm), rel=5e-3
    )


def test_a_pair_that_cannot_be_read_back_is_not_to_be_worn():
    """Seats stand farther apart than its rods are long, wherever the jaw is."""
    text = unequal("A", "sliding")
    short = [replace(one, rod=replace(one.rod, label="0.5")) for one in rods(text)]
    for pair in pairs_standing(short, read(text)).values():
        assert pair.percent is None
        assert pair.not_to_be_worn


def test_readings_that_are_refused_tell_nothing():
    bite = replace(read(parallel("A")).bite, protruded=Decimal(-9))
    found = pairs_standing(rods(parallel("A")), replace(read(parallel("A")), bite=bite))
    assert [pair.percent for pair in found.values()] == [None] * 4


def test_two_rods_of_one_place_are_refused():
    twice = [*rods(parallel("A")), *rods(parallel("A"))[:1]]
    with pytest.raises(InputError, match="two left rods"):
        pairs_standing(twice, read(parallel("A")))


@pytest.mark.parametrize(("change", "same"), [
    (lambda rx: replace(rx, notes="fits well"), True),
    (lambda rx: replace(rx, bite=replace(rx.bite, vertical_opening_mm=Decimal(5))), True),
    (lambda rx: replace(rx, bite=replace(rx.bite, registered=Decimal("2.9"))), False),
    (lambda rx: replace(rx, bite=replace(rx.bite, retruded=Decimal("-4.1"))), False),
    (lambda rx: replace(rx, left=replace(rx.left, pin_distance_mm=30.5)), False),
    (lambda rx: replace(rx, right=replace(rx.right, pin_distance_mm=30.5)), False),
])
def test_what_moves_percents_and_what_does_not(change, same):
    prescription = read(parallel("A"))
    assert same_percents(prescription, change(prescription)) is same


def test_where_nobody_could_be_asked_the_paper_says_so():
    spec = {"date": "2031-03-14", "lengths": {"range_mm": 11.6}}
    assert standing_sentences(spec) == ()
    (said,) = standing_sentences(
        {**spec, STANDING: NotKnown("set_not_in_record")}
    )
    assert said == (
        "The laboratory's record does not know this set. This paper states the protrusive range "
        "as prescribed on 2031-03-14, 11.60 mm; ask the laboratory whether that still holds."
    )
