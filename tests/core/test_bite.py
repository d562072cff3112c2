"""The bite scale and the rules its readings must keep."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.grading.bite import bite_scale, check_bite, protrusive_range
from labkit.core.grading.prescription import Bite, Zero
from tests.support.patients import decimals

D = Decimal
#: The readings of the smallest prescription of the README.
EXAMPLE = Bite(Zero.RETRUDED, D("6.4"), D("2.9"), D("-5.2"))
FULL = replace(EXAMPLE, habitual=D("-4.1"))


def test_the_example_of_the_design():
    scale = bite_scale(EXAMPLE)
    assert scale.range_mm == D("11.6")
    asked = [scale.advancement(p) for p in decimals(50, "62.5", 75, "87.5", 100)]
    assert asked == list(decimals("5.8", "7.25", "8.7", "10.15", "11.6"))
    displaced = [scale.displacement(a) for a in asked]
    assert displaced == list(decimals("-2.3", "-0.85", "0.6", "2.05", "3.5"))


def test_the_two_zeros_differ_by_the_retrusion_available():
    from_habitual = bite_scale(replace(FULL, zero=Zero.HABITUAL))
    assert bite_scale(FULL).range_mm - from_habitual.range_mm == D("1.1")
    assert from_habitual.advancement(D(50)) == D("5.25")
    assert from_habitual.displacement(D("5.25")) == D("-1.75")


def test_the_midline_shifts_in_proportion_to_the_whole_way():
    # Section 4: v = m d / (protruded − retruded), whichever reading is zero.
    bite = replace(FULL, zero=Zero.HABITUAL, midline_deviation_mm=D("-1.16"))
    assert bite_scale(bite).sideways_per_mm == pytest.approx(-0.1, abs=1e-15)
    assert bite_scale(FULL).sideways_per_mm == 0.0


@given(
    st.decimals(-20, 20, places=2), st.decimals("0.01", 30, places=2), st.decimals(0, 100, places=3)
)
def test_percent_and_advancement_are_inverse(zero, span, percent):
    scale = bite_scale(Bite(Zero.RETRUDED, zero + span, zero, zero))
    advancement = scale.advancement(percent)
    assert scale.percent(advancement) == pytest.approx(percent, abs=D("1e-20"))
    assert scale.displacement(advancement) == advancement
    assert scale.advancement(D(100)) == span


@pytest.mark.parametrize(
    ("changes", "code", "sentence", "where"),
    [
        (
            {"retruded": D(7)}, "readings_out_of_order",
            "the retruded reading (7) lies in front of the protruded reading (6.4)",
            "bite.protruded",
        ),
        (
            {"habitual": D("-5.3")}, "readings_out_of_order",
            "the retruded reading (-5.2) lies in front of the habitual reading (-5.3); readings "
            "grow from retruded over habitual to protruded", "bite.habitual",
        ),
        (
            {"habitual": D("6.5")}, "readings_out_of_order",
            "the habitual reading (6.5) lies in front of the protruded reading", "bite.protruded",
        ),
        (
            {"retruded": D(6), "protruded": D(6), "registered": D(6)}, "readings_out_of_order",
            "the protruded reading (6) equals the zero reading, which leaves no protrusive range",
            "bite.protruded",
        ),
        (
            {"registered": D("6.41")}, "registered_outside",
            "the registered reading (6.41) lies outside the range from retruded (-5.2) to "
            "protruded (6.4)", "bite.registered",
        ),
        ({"registered": D(-6)}, "registered_outside", "(-6) lies outside", "bite.registered"),
        (
            {"zero": Zero.HABITUAL}, "zero_not_recorded",
            "0 % is the habitual reading, which was not recorded", "bite.habitual",
        ),
        (
            {"retruded": None}, "zero_not_recorded",
            "0 % is the retruded reading, which was not recorded", "bite.retruded",
        ),
        (
            {"zero": Zero.HABITUAL, "retruded": None, "habitual": D(0),
             "midline_deviation_mm": D(1)},
            "midline_needs_retruded",
            "a midline deviation of 1 mm is counted from the retruded reading, which was not "
            "recorded", "bite.retruded",
        ),
        (
            {"zero": Zero.HABITUAL, "retruded": None, "habitual": D(0), "registered": D(-1)},
            "registered_outside", "the range from habitual (0) to protruded (6.4)",
            "bite.registered",
        ),
    ],
)
def test_refusals(changes, code, sentence, where):
    (finding,) = check_bite(replace(EXAMPLE, **changes))
    assert (finding.code, finding.severity, finding.where) == (code, "refused", where)
    assert sentence in finding.message
    with pytest.raises(ValueError, match="reading"):
        bite_scale(replace(EXAMPLE, **changes))


def test_a_registered_bite_at_either_end_is_allowed():
    for reading in (EXAMPLE.retruded, EXAMPLE.protruded):
        assert check_bite(replace(EXAMPLE, registered=reading)) == ()


def test_a_bite_behind_habitual_is_allowed_where_the_jaw_can_go_there():
    bite = replace(FULL, zero=Zero.HABITUAL, registered=D(-5))
    assert check_bite(bite) == ()
    assert bite_scale(bite).registered_advancement_mm == D("-0.9")


def test_several_mistakes_are_found_at_once():
    bite = replace(FULL, habitual=D(-6), registered=D(9))
    assert [f.code for f in check_bite(bite)] == ["readings_out_of_order", "registered_outside"]


def test_the_range_is_unknown_without_its_zero():
    assert protrusive_range(replace(EXAMPLE, retruded=None)) is None
