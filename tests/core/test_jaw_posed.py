"""Where pairs of rods hold the jaw: its points lie as far apart as the rods are long."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.rods import rod_templates
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import LengthLimits
from labkit.core.jaw.opening import advancement_at_opening
from labkit.core.jaw.posed import poses_of
from labkit.errors import JawModelError, RefusedError
from tests.support.prescriptions import SMALLEST, hinged, sliding, source

TEMPLATES = rod_templates()


def graded(text):
    rx = read_prescription(source(text), TEMPLATES)[0]
    return rx, grade(rx, LengthLimits.of(TEMPLATES[rx.template]))


def pairs_of(spacer_set):
    return [(float(step.left.length), float(step.right.length)) for step in spacer_set.steps]


@pytest.mark.parametrize("text", [sliding(), hinged()], ids=["sliding", "hinged"])
def test_seats_lie_as_far_apart_as_the_rods_are_long(text):
    rx, found = graded(text)
    for pair, pose in zip(pairs_of(found), poses_of(rx, pairs_of(found)), strict=True):
        apart = [
            math.dist(rx.anchors(side).upper, pose.moved(rx.anchors(side).lower)) for side in Side
        ]
        # Sliding reads each side alone and takes their mean, off by what rounding did to each.
        within = 0.1 if rx.jaw.model == "sliding" else 1e-8
        assert apart == pytest.approx(pair, abs=within)


@pytest.mark.parametrize("text", [SMALLEST, sliding(), hinged()], ids=["plain", "slid", "hinged"])
def test_it_stands_where_the_set_says_that_it_is_made(text):
    rx, found = graded(text)
    for step, pose in zip(found.steps, poses_of(rx, pairs_of(found)), strict=True):
        assert pose.advancement_mm == pytest.approx(step.made.advancement_mm, abs=1e-9)
        assert pose.percent == pytest.approx(step.made.percent, abs=1e-7)


def test_opened_it_stands_where_the_report_of_openings_says():
    rx, found = graded(hinged())
    pairs = pairs_of(found)
    told, _ = advancement_at_opening(rx, np.array(pairs), np.array([3.0]))
    poses = poses_of(rx, pairs, 3.0)
    assert [pose.advancement_mm for pose in poses] == pytest.approx(list(told[:, 0]), abs=1e-9)
    dropped = [pose.moved(rx.jaw.incisal)[2] - rx.jaw.incisal[2] for pose in poses]
    assert dropped == pytest.approx([-3.0] * len(pairs), abs=1e-8)


def test_what_cannot_be_says_why():
    rx, found = graded(hinged())
    with pytest.raises(JawModelError, match="no position of the jaw: the jaw reaches no pose"):
        poses_of(rx, pairs_of(found), 60.0)
    rx, found = graded(sliding())
    with pytest.raises(RefusedError, match="cannot show how the mouth opens"):
        poses_of(rx, pairs_of(found), 1.0)
