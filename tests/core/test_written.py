"""What is written of a number: the digits that mean something, the same from every machine."""

from __future__ import annotations

import json
import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.units import (
    CHECK_DECIMALS,
    WRITTEN_DECIMALS,
    as_written,
    millimetres,
    to_grid,
    written,
)

#: Numbers as they are typed or drawn: multiples of 1 µm, of a 32nd of a millimetre, of thirds.
STEPS = (0.001, 0.0125, 0.05, 0.1, 1.0 / 32.0, 1.0 / 3.0)
DECIMALS = sorted({*WRITTEN_DECIMALS.values(), *CHECK_DECIMALS.values(), 1, 2, 3})


def shaken(value, units):
    """Move a number by a few units in its last place, as another processor would."""
    return value + units * math.ulp(max(abs(value), 1.0))


@given(
    st.integers(-400_000, 400_000), st.sampled_from(STEPS), st.integers(-8, 8),
    st.sampled_from([d for d in DECIMALS if d <= 9]),
)
def test_noise_never_decides_a_digit_of_a_real_value(count, step, units, decimals):
    value = min(count * step, 400.0)
    assert written(shaken(value, units), decimals) == written(value, decimals)


@pytest.mark.parametrize(("value", "decimals"), [(0.0125, 3), (0.0625, 3), (12.5, 0), (7.125, 2)])
def test_a_tie_goes_the_same_way_with_noise_on_either_side(value, decimals):
    assert len({written(shaken(value, units), decimals) for units in range(-8, 9)}) == 1
    assert len({millimetres(shaken(value, units), decimals) for units in range(-8, 9)}) == 1


@given(st.floats(-1e6, 1e6), st.sampled_from(DECIMALS))
def test_what_was_written_is_written_the_same_again(value, decimals):
    once = written(value, decimals)
    assert written(once, decimals) == once
    assert math.copysign(1.0, once) == 1.0 or once < 0.0


@given(st.floats(-999.0, 999.0))
def test_no_more_is_lost_than_the_last_decimal(value):
    # Half of the last decimal, and half of the last of twelve digits.
    assert abs(written(value) - value) <= 0.551e-9


@given(st.integers(0, 100_000), st.sampled_from(["0.05", "0.1", "0.25"]))
def test_a_written_length_goes_to_the_same_place_of_the_grid(micrometres, grid):
    value = micrometres / 1000.0
    assert to_grid(written(value), Decimal(grid)) == to_grid(value, Decimal(grid))


def test_the_unit_in_a_name_says_how_many_decimals():
    third = 1.0 / 3.0
    content = {
        "exact_mm": third, "variance_mm2": third / 1e6, "pitch_deg": third, "percent": third,
        "length_scale_u": third / 1e4, "score": third, "count": 3, "label": "33.3", "none": None,
        "gauge_pins_mm": [third, 2.5], "more": {"margin": third, "ready": True},
    }
    assert as_written(content) == {
        "exact_mm": 0.333333333, "variance_mm2": 3.33333333e-07, "pitch_deg": 0.333333333,
        "percent": 0.333333333, "length_scale_u": 3.3333333e-05, "score": 0.3333, "count": 3,
        "label": "33.3", "none": None, "gauge_pins_mm": [0.333333333, 2.5],
        "more": {"margin": 0.3333, "ready": True},
    }


@given(st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.text(), st.floats(-1e9, 1e9)),
    lambda inside: st.one_of(st.lists(inside), st.dictionaries(st.text(), inside)),
))
def test_content_written_twice_is_the_same_content(content):
    once = as_written(content)
    assert as_written(json.loads(json.dumps(once))) == once
