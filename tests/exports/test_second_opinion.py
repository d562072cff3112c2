"""The kernel's word on delivered files, beside our own reading: a second road to every number.

More lengths: pytest -m slow tests/exports/test_second_opinion.py
"""

from __future__ import annotations

import random
from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.core.rod.compensation import compensated
from labkit.core.rod.rods import Hand
from labkit.core.rod.volume import body_volume_mm3, label_volume_mm3
from labkit.exports.check.measure_step import measure_step
from labkit.exports.check.part import check_part
from labkit.exports.expected.rod import inward_of
from tests.support.kernel_step import kernel_says
from tests.support.rods import NOMINAL, ROWS, rod_of, templates, written

#: The kernel integrates over a dome that a flat cuts to 2e-8 of the volume, over all else to 1e-12.
KERNEL_SHARE = {"ball-ball-round": 1e-7, "ball-ball-round-slim": 1e-7}
MORE_LENGTHS = 20


def lengths(row: str, count: int) -> list[str]:
    """Give a row's limits and some lengths between them."""
    template = templates()[row]
    tenths = (int(template.shortest_mm * 10), int(template.longest_mm * 10))
    chosen = random.Random(f"second opinion on {row}").sample(range(*tenths), count)
    return [str(Decimal(tenth) / 10 + Decimal("0.0")) for tenth in (*tenths, *chosen)]


def agrees(row: str, length: str, folder, hand: Hand = Hand.MINUS_Y) -> None:
    made = written(rod_of(row, length, hand), folder)
    ours = measure_step(made.step, made.rod.template, inward_of(made.rod))
    kernel = kernel_says(made.step)
    assert (ours.fault, ours.solids, ours.loose) == ("", 1, 0)
    assert kernel.valid
    assert (ours.solids, ours.faces) == (kernel.solids, kernel.faces)
    assert ours.volume_mm3 == pytest.approx(kernel.volume_mm3, rel=KERNEL_SHARE.get(row, 1e-11))
    label = label_volume_mm3(made.engraving, made.rod.template.label.depth_mm)
    sizes = compensated(made.rod.template, made.rod.length, NOMINAL)
    closed = body_volume_mm3(sizes) - label
    assert ours.volume_mm3 == pytest.approx(closed, rel=1e-11)
    # The kernel's search adds its point tolerance to some sides.
    assert ours.low == pytest.approx(kernel.low, abs=1e-6)
    assert ours.high == pytest.approx(kernel.high, abs=1e-6)


@pytest.mark.parametrize("row", ROWS)
def test_volume_box_and_validity(row, tmp_path):
    agrees(row, lengths(row, 0)[ROWS.index(row) % 2], tmp_path, Hand.PLUS_Y)


@pytest.mark.slow
@pytest.mark.parametrize("row", ROWS)
def test_volume_box_and_validity_at_more_lengths(row, tmp_path):
    for number, length in enumerate(lengths(row, MORE_LENGTHS)):
        agrees(row, length, tmp_path, Hand.PLUS_Y if number % 2 else Hand.MINUS_Y)


@pytest.mark.slow
@pytest.mark.parametrize("name", processes())
@pytest.mark.parametrize("row", ROWS)
def test_every_process(row, name, tmp_path):
    """The STEP stays nominal; the mesh is measured beside it as the process builds it."""
    by = processes()[name].compensation
    rod = rod_of(row, "31.7", Hand.PLUS_Y)
    built = written(rod, tmp_path, by)
    check = check_part(rod, by, built.step, built.stl, load_lettering())
    assert check.failures == ()
    assert kernel_says(built.step).valid
