"""Which rods bear L and R: mirror parts, and every rod of a set whose sides differ anywhere."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Anchors
from labkit.core.rod.parts import parts_of, sides_unlike
from tests.support.patients import LIMITS, plain
from tests.support.rods import templates


def parts(left, right, **more):
    graded = grade(plain(left=Anchors(left), right=Anchors(right)), LIMITS)
    return parts_of(graded, templates()["eye-eye-flat"], **more)


def test_sides_alike_on_a_template_without_hand_are_one_part():
    every = parts(33.6, 33.6)
    assert [part.rod.mark for part in every] == [""] * 6
    assert [part.quantity for part in every] == [2] * 6


def test_every_rod_says_its_side_where_the_sides_differ():
    every = parts(33.6, 34.5)
    names = [part.rod.part for part in every]
    # 36.0 is the left rod of 50 % and the right rod of 60 %: two parts, not one.
    assert {"36.0L", "36.0R"} <= set(names)
    assert len(names) == 12
    for part in every:
        assert {use.side[0].upper() for use in part.uses} == {part.rod.mark}


def test_one_step_whose_sides_differ_marks_the_whole_set():
    graded = grade(plain(), LIMITS)
    first, *others = graded.steps
    uneven = replace(first.left, length=first.left.length + Decimal("0.1"))
    graded = replace(graded, steps=(replace(first, left=uneven), *others))
    every = parts_of(graded, templates()["eye-eye-flat"])
    assert {part.rod.mark for part in every} == {"L", "R"}


@pytest.mark.parametrize(
    ("left", "right", "marked", "marks"),
    [(33.6, 33.6, True, {"L", "R"}), (33.6, 34.6, False, {""}), (33.6, 34.6, None, {"L", "R"})],
)
def test_other_rods_of_the_case_may_decide(left, right, marked, marks):
    assert {part.rod.mark for part in parts(left, right, marked=marked)} == marks


def test_mirror_parts_bear_marks_whatever_other_rods_do():
    every = parts_of(grade(plain(), LIMITS), templates()["crosspin-eye-flat"], marked=False)
    assert {part.rod.mark for part in every} == {"L", "R"}
    assert sides_unlike([]) is False
