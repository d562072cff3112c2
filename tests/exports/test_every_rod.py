"""Every row of every template, at its limits and at random lengths, measured as written.

All 200 lengths of a row: pytest -m slow tests/exports/test_every_rod.py
"""

from __future__ import annotations

import random
from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.rods import Hand
from labkit.exports.check.part import check_part
from tests.support.rods import NOMINAL, ROWS, rod_of, templates, written

RANDOM_LENGTHS = 200
#: Each worker takes a share, so that two cores are used; the first is the quick sample.
SHARES = 20


def lengths_of(row: str, share: int) -> list[str]:
    """Give a share of the row's limits and of its random lengths on the 0.1 mm grid."""
    template = templates()[row]
    tenths = (int(template.shortest_mm * 10), int(template.longest_mm * 10))
    every = range(tenths[0], tenths[1] + 1)
    chosen = random.Random(f"lengths of {row}").sample(every, RANDOM_LENGTHS)
    # Both limits fall into the first share.
    everything = [tenths[0], *chosen[: SHARES - 1], tenths[1], *chosen[SHARES - 1 :]]
    return [str(Decimal(t) / 10 + Decimal("0.0")) for t in everything[share::SHARES]]


def test_the_rows_are_those_that_are_pinned():
    assert len(ROWS) == 6


@pytest.mark.parametrize(
    "share",
    [pytest.param(n, marks=[pytest.mark.slow] if n else []) for n in range(SHARES)],
)
@pytest.mark.parametrize("row", ROWS)
def test_length_from_step_and_stl_and_all_other_checks(row, share, tmp_path):
    lettering = load_lettering()
    for number, length in enumerate(lengths_of(row, share)):
        hand = Hand.PLUS_Y if number % 2 else Hand.MINUS_Y
        made = written(rod_of(row, length, hand), tmp_path)
        check = check_part(made.rod, NOMINAL, made.step, made.stl, lettering)
        assert check.failures == ()
        assert abs(check.step_length_mm - float(length)) <= 1e-6
        assert abs(check.stl_length_mm - float(length)) <= 0.002
        assert check.label_read == made.rod.engraving
        assert check.label.bar is made.rod.bar
        made.step.unlink()
        made.stl.unlink()
