"""A single token of a delivered STEP file changed: the check fails, or nothing has changed.

All tokens of a rod of every row: pytest -m slow tests/exports/test_step_tokens.py
"""

from __future__ import annotations

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.rods import NOMINAL, Hand
from labkit.core.rod.volume import rod_volume_mm3
from labkit.exports.check.part import check_step
from tests.support.kernel_step import kernel_says
from tests.support.rods import ROWS, rod_of, written
from tests.support.step_tokens import Changes

#: Shares of a file's tokens, so that two cores are used.
SHARES = 6
#: Tokens that lie this far apart are the quick sample.
QUICK = 1400
LENGTH = "28.5"


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
        _, checks = check_step(self._rod, self._path, load_lettering(), self._volume)
        return all(check.passed for check in checks)

    def is_the_same_to_the_kernel(self) -> bool:
        says, first = kernel_says(self._path), self._original
        return (
            says is not None
            and (says.valid, says.solids, says.faces) == (True, 1, first.faces)
            and says.volume_mm3 == pytest.approx(first.volume_mm3, rel=1e-9)
            and (*says.low, *says.high) == pytest.approx((*first.low, *first.high), abs=1e-6)
        )

    def slips(self, changes: Changes, tokens) -> list[str]:
        """List the changes that pass and are another part to the kernel."""
        return [
            f"{token} → {other!r}" for token in tokens for other in changes.of(token)
            if self.passes(changes.changed(token, other)) and not self.is_the_same_to_the_kernel()
        ]


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
        assert not one.passes(changes.changed(token, other)), token


def test_no_sense_turned_passes(delivered):
    """Of edges, of loops, of faces: another part to the kernel, or one that it mends."""
    no_flag_turned_passes(delivered("ball-ball-round"), every=11)


@pytest.mark.slow
@pytest.mark.parametrize("row", ROWS)
def test_no_sense_of_any_row_turned_passes(row, delivered):
    no_flag_turned_passes(delivered(row), every=1)
