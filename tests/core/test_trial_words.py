"""What was seen at a trial fit as it is typed: every way, and every slip with its sentence."""

from __future__ import annotations

from decimal import Decimal

import pytest

from labkit.core.case.identifier import check_digit
from labkit.core.case.trial_seen import Seen, SideSeen
from labkit.core.case.trial_words import read_seen
from labkit.core.grading.prescription import Side
from labkit.errors import InputError

ROD = "482917306" + check_digit("482917306")


@pytest.mark.parametrize(
    ("words", "label", "seen", "by"),
    [
        ("28.7 meets", "28.7", Seen.MEETS, None),
        ("28.7L meets", "28.7", Seen.MEETS, None),
        ("28.7 l  Meets ", "28.7", Seen.MEETS, None),
        ("28.7L too long by 0.8", "28.7", Seen.TOO_LONG, "0.8"),
        ("28.7 too long 0.8 mm", "28.7", Seen.TOO_LONG, "0.8"),
        ("28.7L too-short by 1mm", "28.7", Seen.TOO_SHORT, "1"),
        ("28.7 too short by 0.25", "28.7", Seen.TOO_SHORT, "0.25"),
    ],
)
def test_what_is_typed(words, label, seen, by):
    told = read_seen(Side.LEFT, words)
    assert (told.label, told.seen, told.identifier) == (label, seen, "")
    assert told.by_mm == (None if by is None else Decimal(by))
    assert read_seen(Side.RIGHT, words.replace("L", "R").replace("l  ", "r  ")) == told


def test_a_rod_by_its_identifier():
    for typed in (ROD, f"{ROD[:3]} {ROD[3:6]} {ROD[6:]}", f"{ROD[:3]}-{ROD[3:6]}-{ROD[6:]}"):
        told = read_seen(Side.LEFT, f"{typed} too short by 0.8")
        assert (told.identifier, told.label, told.by_mm) == (ROD, "", Decimal("0.8"))
    with pytest.raises(InputError, match="a wrong digit or two digits swapped"):
        read_seen(Side.LEFT, f"{ROD[:-1]}{(int(ROD[-1]) + 1) % 10} meets")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("28.7L", "does not name a rod and what was seen; say \"28.7 meets\", \"28.7 too long by "
                  "0.8\" or \"28.7 too short by 0.8\", in quotes"),
        ("meets", "does not name a rod and what was seen"),
        ("0.8", "does not name a rod and what was seen"),
        ("28.7R meets", "names 28.7R, which bears the R of a right rod; check which rod was on "
                        "which side"),
        ("x meets", 'names the rod "x"; give its label as engraved, such as 28.7 or 28.7L, or its '
                    "identifier"),
        ("28,7L meets", "has a decimal comma; write 28.7L, with a point"),
        ("28,7 too long by 0,8", "has decimal commas; write 28.7 and 0.8, with a point"),
        ("28.7 too long by 0,8", "has a decimal comma; write 0.8, with a point"),
        ("28.7 too long by -0.8", "bears the sign -; say too long or too short in words, and by "
                                  "how many mm, above 0 and without a sign"),
        ("28.7 too short by +0.8", "bears the sign +; say too long or too short in words"),
        ("28.7 too short −0.8", "bears the sign −; say too long or too short in words"),
        ("28.7 too long by 0", "says by 0 mm; a rod neither too long nor too short meets"),
        ("28.7 too long", "does not say by how many mm; say too long by a number such as 0.8"),
        ("28.7 too long by", "does not say by how many mm"),
        ("28.7 too long by a bit", "does not say by how many mm"),
        ("28.7 too long by much", 'says "much"; give a number of mm with at most 3 decimals'),
        ("28.7 too long by nan", 'says "nan"; give a number of mm'),
        ("28.7 too long by 0.1234", 'says "0.1234"; give a number of mm with at most 3 decimals'),
        ("28.7 meets by 0.8", "says meets and more; a rod that meets its seat has no mm, any other "
                              "one is too long or too short"),
        ("0.0 meets", '"0.0" is not the label of a rod'),
        ("28.7 too long by 31", "too long by 31 mm cannot be; say too long or too short, and by "
                                "how many mm, above 0 and at most 30"),
    ],
)
def test_slips(words, sentence):
    with pytest.raises(InputError) as told:
        read_seen(Side.LEFT, words)
    assert sentence in told.value.message


@pytest.mark.parametrize("by", ["-0.8", "0", "31"])
def test_a_number_below_0_is_not_taken_from_python_either(by):
    with pytest.raises(InputError, match="above 0 and at most 30"):
        SideSeen("28.7", Seen.TOO_LONG, Decimal(by))


@pytest.mark.parametrize("told", [(Seen.MEETS, Decimal(1)), (Seen.TOO_LONG, None)])
def test_mm_go_with_what_was_seen(told):
    with pytest.raises(InputError, match="a rod that meets its seat has no mm, and one that is"):
        SideSeen("28.7", *told)


def test_a_number_that_is_none():
    with pytest.raises(InputError, match="must be a finite number"):
        SideSeen("28.7", Seen.TOO_LONG, Decimal("NaN"))
