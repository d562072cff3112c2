"""Sides that differ as slips of the hand do are asked about, until the prescription answers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.core.grading.prescription import Anchors
from labkit.core.jsonable import jsonable
from tests.support.findings import found, refusal
from tests.support.patients import anchored, plain, sliding

CODE = "sides_asked_about"
ANSWER = (
    ", correct the one that is wrong, or say `sides_differ = true` in [appliance] where both are "
    "right"
)


def test_sides_more_than_3_mm_apart_are_asked_about():
    far = plain(left=Anchors(33.6), right=Anchors(36.7))
    finding = refusal(far, CODE)
    assert finding.message == (
        "the rods at 50 % are 36.0 on the left and 39.1 on the right, more than 3 mm apart; "
        f"measure both sides again{ANSWER}"
    )
    assert finding.where == "appliance.sides_differ"
    assert CODE not in found(replace(far, sides_differ=True))
    assert CODE not in found(plain(left=Anchors(33.6), right=Anchors(36.6)))


@pytest.mark.parametrize(
    ("left", "right", "asked"),
    [(31.4, 34.1, True), (34.1, 31.4, True), (32.3, 33.2, True), (31.4, 31.4, False),
     (31.4, 34.2, False), (31.45, 31.54, False), (31.0, 31.9, False), (33.0, 33.3, False)],
)
def test_two_digits_exchanged_are_asked_about(left, right, asked):
    swapped = plain(left=Anchors(left), right=Anchors(right))
    assert (CODE in found(swapped)) is asked
    if asked:
        assert refusal(swapped, CODE).message == (
            f"the pin distances are {left} on the left and {right} on the right, as if two digits "
            f"were exchanged; look at both again{ANSWER}"
        )
        assert CODE not in found(replace(swapped, sides_differ=True))


def test_two_digits_exchanged_in_an_anchor_are_asked_about():
    left = Anchors(upper=(5.0, 24.0, 6.0), lower=(-22.5, 25.0, -6.0))
    right = Anchors(upper=(5.0, -24.0, 6.0), lower=(-25.2, -25.0, -6.0))
    assert refusal(anchored(sliding(), left=left, right=right), CODE).message == (
        "the x of the lower anchors, without sign, are 22.5 on the left and 25.2 on the right, as "
        f"if two digits were exchanged; look at both again{ANSWER}"
    )


def test_a_prescription_that_answers_nothing_is_recorded_as_before():
    assert "sides_differ" not in jsonable(plain())
    assert jsonable(plain(sides_differ=True))["sides_differ"] is True
