"""Labels that can be misread upside down."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.label.rules import needs_bar, upside_down


@pytest.mark.parametrize(
    ("label", "turned"),
    [
        ("16.9", "6.91"), ("8.6", "9.8"), ("60.0", "0.09"), ("18.81", "18.81"), ("11.1", "1.11"),
        ("34.0", None), ("12.0", None), ("15.6", None), ("16.7", None), ("", None), ("16.9L", None),
    ],
)
def test_half_a_turn(label, turned):
    assert upside_down(label) == turned
    assert needs_bar(label) is (turned is not None)


@given(st.text("01689.", min_size=1))
def test_two_half_turns_give_the_label_back(label):
    once = upside_down(label)
    assert once is not None
    assert upside_down(once) == label
    assert len(once) == len(label)


@given(st.text("0123456789.", min_size=1))
def test_only_five_digits_survive_half_a_turn(label):
    assert needs_bar(label) == (not set(label) & set("23457"))
