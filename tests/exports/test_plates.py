"""Laying parts out: every piece once, apart, inside, label up; too big is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.core.rod.building import Way
from labkit.core.rod.rods import Hand, KeepOut, Plate
from labkit.errors import RefusedError
from labkit.exports.write.plates import PlatePart, plan_plates
from tests.support.plate_gaps import least_gap_mm


def box_part(name, size, quantity, inward_y=-1):
    """A box, not centred, in the rod frame."""
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
    triangles = np.array(
        [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
         [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]], dtype=np.int32,
    )
    vertices = (corners - [0.5, 0.2, 0.7]) * np.array(size)
    hand = Hand.PLUS_Y if inward_y > 0 else Hand.MINUS_Y
    return PlatePart(name, f"{name}-part", vertices, triangles, quantity, hand, size[1])


BED = Plate(width_mm=100.0, depth_mm=60.0, spacing_mm=4.0, border_mm=5.0)


def test_shelves_by_hand():
    # Bed within border 90 × 50. Pieces 40 × 10: two a shelf (40 + 4 + 40), shelves 14 apart:
    # three shelves end at 38, a fourth would end at 52. So six a plate, seven need two.
    (first, second) = plan_plates([box_part("a", (40, 3, 10), 7)], BED)
    assert (len(first.placements), len(second.placements)) == (6, 1)
    assert [(p.x_mm, p.y_mm) for p in first.placements] == [
        (5, 5), (49, 5), (5, 19), (49, 19), (5, 33), (49, 33),
    ]
    assert (first.number, first.of, second.number) == (1, 2, 2)
    assert least_gap_mm(first) == pytest.approx(4.0)
    assert least_gap_mm(second) == np.inf


def test_a_long_part_is_turned_to_fit():
    bed = Plate(30.0, 100.0, 4.0, 2.0)
    (plan,) = plan_plates([box_part("a", (60, 3, 10), 2)], bed)
    assert all(placement.turned for placement in plan.placements)
    for placement in plan.placements:
        rotation, shift = plan.transform(placement)
        points = plan.parts[0].vertices @ rotation.T + shift
        assert points.min(axis=0) == pytest.approx([placement.x_mm, placement.y_mm, 0.0])
        assert np.ptp(points, axis=0) == pytest.approx([10, 60, 3])


@pytest.mark.parametrize("inward_y", [-1, 1])
def test_the_label_looks_up_and_reads_upright(inward_y):
    (plan,) = plan_plates([box_part("a", (40, 3, 10), 1, inward_y)], BED)
    rotation, _ = plan.transform(plan.placements[0])
    assert np.linalg.det(rotation) == pytest.approx(1.0)  # turned, never mirrored
    assert rotation @ [0, inward_y, 0] == pytest.approx([0, 0, 1])
    assert rotation @ [0, 0, 1] == pytest.approx([0, 1, 0])  # up on the rod is away on the bed
    right = np.array([-inward_y, 0, 0])  # the reader's right on the inward face
    assert rotation @ right == pytest.approx([1, 0, 0])


def test_a_part_larger_than_the_bed_is_refused():
    with pytest.raises(
        RefusedError,
        match=r"part long takes 95\.0 × 10\.0 mm flat and the bed has 90\.0 × 50\.0 mm",
    ):
        plan_plates([box_part("a", (40, 3, 10), 1), box_part("long", (95, 3, 10), 1)], BED)


def test_a_part_too_high_for_the_machine_is_refused():
    low = replace(BED, height_mm=12.0)
    tall = replace(box_part("tall", (40, 3, 10), 1), way=Way.UPRIGHT, lift_mm=2.0)
    with pytest.raises(
        RefusedError,
        match=r"part tall reaches 42\.0 mm over the bed upright, and the machine has room for 12",
    ):
        plan_plates([tall], low)
    assert plan_plates([box_part("a", (40, 3, 10), 1)], low)


def test_pieces_on_supports_are_lifted():
    part = replace(box_part("a", (40, 3, 10), 2), way=Way.ON_EDGE, height_mm=10.0, lift_mm=2.5)
    (plan,) = plan_plates([part], BED)
    rotation, shift = plan.transform(plan.placements[0])
    points = part.vertices @ rotation.T + shift
    assert (points[:, 2].min(), points[:, 2].max()) == pytest.approx((2.5, 12.5))
    assert plan.height_mm == 12.5


def test_a_part_that_just_fits_is_taken():
    (plan,) = plan_plates([box_part("a", (90, 3, 50), 1)], BED)
    assert plan.placements[0].x_mm == 5.0


def test_nothing_to_lay_out():
    assert plan_plates([], BED) == ()
    assert plan_plates([box_part("a", (40, 3, 10), 0)], BED) == ()


def boxes_of(plan):
    return [(p.x_mm, p.y_mm, p.x_mm + p.width_mm, p.y_mm + p.depth_mm) for p in plan.placements]


def clear_of(zone, box):
    left, bottom, right, top = box
    beside = right <= zone.x_mm + 1e-6 or left >= zone.x_mm + zone.width_mm - 1e-6
    return beside or top <= zone.y_mm + 1e-6 or bottom >= zone.y_mm + zone.depth_mm - 1e-6


def test_a_zone_where_nothing_may_lie_is_gone_round():
    # A clamp 20 wide in the middle of the first shelf: one piece on each side of it, and the
    # shelves above it go on as ever.
    bed = replace(BED, keep_out=(KeepOut(47.0, 0.0, 3.0, 12.0),))
    (plan,) = plan_plates([box_part("a", (40, 3, 10), 6)], bed)
    assert [(p.x_mm, p.y_mm) for p in plan.placements] == [
        (5, 5), (50, 5), (5, 19), (49, 19), (5, 33), (49, 33),
    ]


def test_pieces_on_both_sides_of_a_narrow_zone_are_apart():
    # 3 mm of a clamp between two pieces that are to be 4 mm apart.
    bed = replace(BED, keep_out=(KeepOut(50.0, 0.0, 3.0, 12.0),))
    parts = [box_part("a", (45, 3, 10), 1), box_part("b", (38, 3, 10), 1)]
    (plan,) = plan_plates(parts, bed)
    assert [(p.x_mm, p.y_mm) for p in plan.placements] == [(5, 5), (54, 5)]


def test_a_zone_across_the_bed_puts_the_shelves_above_it():
    bed = replace(BED, keep_out=(KeepOut(0.0, 0.0, 100.0, 21.5),))
    (plan,) = plan_plates([box_part("a", (40, 3, 10), 2)], bed)
    assert [(p.x_mm, p.y_mm) for p in plan.placements] == [(5, 21.5), (49, 21.5)]


def test_a_part_that_the_zones_leave_no_room_for_is_refused():
    bed = replace(BED, keep_out=(KeepOut(14.0, 0.0, 76.0, 60.0),))
    with pytest.raises(RefusedError, match=r"border of 5\.0 mm less 1 keep-out zone;"):
        plan_plates([box_part("a", (40, 3, 10), 1)], bed)


SIZES = st.tuples(st.floats(2, 60), st.floats(1, 8), st.floats(2, 40), st.integers(0, 6))


@settings(max_examples=60, deadline=None)
@given(st.lists(SIZES, min_size=1, max_size=6), st.floats(0, 8), st.floats(0, 8),
       st.lists(st.tuples(st.floats(66, 80), st.floats(50, 70)), max_size=3))
def test_any_parts_are_laid_out_once_inside_and_apart(sizes, spacing, border, corners):
    zones = tuple(KeepOut(x, y, 4.0, 9.0) for x, y in corners)
    bed = Plate(90.0, 80.0, spacing, border, keep_out=zones)
    parts = [
        box_part(f"p{index}", size[:3], size[3], 1 if index % 2 else -1)
        for index, size in enumerate(sizes)
    ]
    plans = plan_plates(parts, bed)
    counted = {part.name: 0 for part in parts}
    for plan in plans:
        assert plan.placements
        for name, count in plan.quantities().items():
            assert count > 0
            counted[name] += count
        assert least_gap_mm(plan) >= spacing - 1e-5  # float32
        assert all(clear_of(zone, box) for zone in zones for box in boxes_of(plan))
        for placement in plan.placements:
            rotation, shift = plan.transform(placement)
            points = plan.parts[placement.part].vertices @ rotation.T + shift
            low, high = points.min(axis=0), points.max(axis=0)
            assert low[2] == pytest.approx(0.0, abs=1e-9)
            assert (low[:2] >= border - 1e-5).all()
            assert (high[:2] <= np.array([90.0, 80.0]) - border + 1e-5).all()
    assert counted == {part.name: part.quantity for part in parts}
    assert [plan.number for plan in plans] == list(range(1, len(plans) + 1))
