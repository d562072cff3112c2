"""A single token of a delivered STEP file changed: the check fails, or nothing has changed.

Every token of a rod of every row, some minutes of processor time each:

    pytest -m slow tests/exports/test_step_tokens.py -k ball-ball-round-slim
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import zip_longest

import numpy as np
import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.rods import NOMINAL, Hand
from labkit.core.rod.volume import rod_volume_mm3
from labkit.errors import InputError
from labkit.exports.check.part import check_step
from labkit.exports.check.step_courses import courses_of
from labkit.exports.check.step_faults import fault_of
from labkit.exports.check.step_reader import read_step
from labkit.exports.check.step_solid import solid_of
from tests.support.kernel_step import kernel_says
from tests.support.rods import ROWS, rod_of, written
from tests.support.step_tokens import Changes, Token

#: Shares of a file's tokens, so that two cores are used.
SHARES = 6
#: Tokens that lie this far apart are the quick sample.
QUICK = 1400
LENGTH = "28.5"
#: Changes that pass, each of another token, that the kernel reads in one file. Where it finds
#: another part in that, it reads each of them alone.
TOGETHER = 60

Change = tuple[Token, str]


class Delivered:
    """A rod's STEP file, what the kernel says of it, and what it says of a changed one."""

    def __init__(self, row: str, folder) -> None:
        hand = Hand.PLUS_Y if "slim" in row else Hand.MINUS_Y
        made = written(rod_of(row, LENGTH, hand), folder)
        self._rod = made.rod
        self._volume = rod_volume_mm3(made.rod, made.engraving, NOMINAL)
        self._path = folder / "changed.step"
        self.text = made.step.read_text("ascii")
        self._original = kernel_says(made.step)
        assert self._original.valid

    def passes(self, text: str) -> bool:
        """Tell whether every check of the STEP holds."""
        self._path.write_text(text, "ascii")
        if not self._is_sound():
            return False
        _, checks = check_step(self._rod, self._path, load_lettering(), self._volume)
        return all(check.passed for check in checks)

    def _is_sound(self) -> bool:
        """Tell what "readable" and "solid valid" of the checks tell, which most changes fail."""
        try:
            file = read_step(self._path)
        except InputError:
            return False
        with np.errstate(all="ignore"):
            return not fault_of(courses_of(solid_of(file)))

    def is_the_same_to_the_kernel(self, text: str) -> bool:
        self._path.write_text(text, "ascii")
        says, first = kernel_says(self._path), self._original
        return (
            says is not None
            and (says.valid, says.solids, says.faces) == (True, 1, first.faces)
            and says.volume_mm3 == pytest.approx(first.volume_mm3, rel=1e-9)
            and (*says.low, *says.high) == pytest.approx((*first.low, *first.high), abs=1e-6)
        )

    def slips(self, changes: Changes, tokens) -> list[str]:
        """List the changes that pass and are another part to the kernel."""
        passing = [
            [(token, other) for other in changes.of(token)
             if self.passes(changes.changed((token, other)))]
            for token in tokens
        ]
        return [
            f"{token} → {other!r}" for group in together(passing)
            if not self.is_the_same_to_the_kernel(changes.changed(*group))
            for token, other in group
            if not self.is_the_same_to_the_kernel(changes.changed((token, other)))
        ]


def together(passing: list[list[Change]]) -> Iterator[list[Change]]:
    """Put changes of different tokens into groups; every change is in one of them."""
    for layer in zip_longest(*passing):
        alone = [change for change in layer if change is not None]
        for first in range(0, len(alone), TOGETHER):
            yield alone[first : first + TOGETHER]


def test_every_change_that_passes_is_in_one_group():
    passing = [[("a", "1"), ("a", "2")], [], [("b", "3")]]
    assert list(together(passing)) == [[("a", "1"), ("b", "3")], [("a", "2")]]


@pytest.fixture(scope="module")
def delivered(tmp_path_factory):
    """Give each row's file, made once."""
    kept = {}

    def of(row: str) -> Delivered:
        if row not in kept:
            kept[row] = Delivered(row, tmp_path_factory.mktemp("delivered"))
        return kept[row]

    return of


@pytest.mark.parametrize("row", ["ball-ball-round", "crosspin-eye-flat"])
def test_a_sample_of_changed_tokens(row, delivered):
    one = delivered(row)
    assert one.passes(one.text)
    changes = Changes(one.text, seed=15)
    assert one.slips(changes, changes.tokens[::QUICK]) == []


@pytest.mark.slow
@pytest.mark.parametrize("share", range(SHARES))
@pytest.mark.parametrize("row", ROWS)
def test_every_changed_token(row, share, delivered):
    one = delivered(row)
    changes = Changes(one.text, seed=share)
    assert one.slips(changes, changes.tokens[share::SHARES]) == []


def flags(changes: Changes):
    return [token for token in changes.tokens if token.text in (".T.", ".F.")]


def no_flag_turned_passes(one: Delivered, every: int) -> None:
    changes = Changes(one.text)
    found = flags(changes)
    assert len(found) > 400
    for token in found[::every]:
        other = ".F." if token.text == ".T." else ".T."
        assert not one.passes(changes.changed((token, other))), token


def test_no_sense_turned_passes(delivered):
    """Of edges, of loops, of faces: another part to the kernel, or one that it mends."""
    no_flag_turned_passes(delivered("ball-ball-round"), every=11)


@pytest.mark.slow
@pytest.mark.parametrize("row", ROWS)
def test_no_sense_of_any_row_turned_passes(row, delivered):
    no_flag_turned_passes(delivered(row), every=1)
