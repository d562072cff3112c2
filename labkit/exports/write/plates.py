"""Laying parts out on build plates: as their way of lying says, apart, inside the border."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.core.numbers import Finite
from labkit.core.rod.building import Way
from labkit.core.rod.lying import rotation_of
from labkit.core.rod.rods import Hand, Plate
from labkit.errors import RefusedError
from labkit.exports.write.bed import ROOM_MM, Bed, Box, Spot, fill
from labkit.units import counted


@dataclass(frozen=True, eq=False)
class PlatePart:
    """A part to lay out, several times.

    Args:
        number: Part number; unique within a case.
        vertices: Corners in the rod frame, mm, shape (n, 3).
        triangles: Corner numbers, shape (m, 3).
        hand: Which way its inward face looks in the rod frame.
        height_mm: How high it is as it lies, by closed formula.
        lift_mm: Height of its lowest point over the bed.
    """

    name: str
    number: str
    vertices: NDArray[np.float64]
    triangles: NDArray[np.int32]
    quantity: int
    hand: Hand
    height_mm: float
    way: Way = Way.FLAT
    lift_mm: float = 0.0

    def lying(self) -> NDArray[np.float64]:
        """Give the rotation that lays the part on the bed, shape (3, 3)."""
        return rotation_of(self.way, self.hand)


@dataclass(frozen=True)
class Placement(Finite):
    """One piece on a plate.

    Args:
        turned: Whether it is turned by 90° about Z to fit.
        x_mm, y_mm: Lower left corner of its box on the bed, mm.
    """

    part: int
    turned: bool
    x_mm: float
    y_mm: float
    width_mm: float
    depth_mm: float
    height_mm: float


@dataclass(frozen=True, eq=False)
class PlatePlan:
    """One build plate, number from 1, with the parts that have at least one piece on it."""

    number: int
    of: int
    plate: Plate
    parts: tuple[PlatePart, ...]
    placements: tuple[Placement, ...]

    def quantities(self) -> dict[str, int]:
        """Count the pieces of each part on this plate, by name, in the order of the parts."""
        counts = {part.name: 0 for part in self.parts}
        for placement in self.placements:
            counts[self.parts[placement.part].name] += 1
        return counts

    def transform(self, placement: Placement) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Give rotation (3, 3) and shift (3,), mm, from rod frame to place, lowest at its lift."""
        part = self.parts[placement.part]
        rotation = _turn(placement.turned) @ part.lying()
        low = (part.vertices @ rotation.T).min(axis=0)
        return rotation, np.array([placement.x_mm, placement.y_mm, part.lift_mm]) - low

    @property
    def height_mm(self) -> float:
        """Height of the build over the bed, by closed formula."""
        return max(part.height_mm + part.lift_mm for part in self.parts)


def plan_plates(parts: Sequence[PlatePart], plate: Plate) -> tuple[PlatePlan, ...]:
    """Lay all pieces out on as few plates as shelves allow; no plates for no pieces.

    Formula: shelves along X, deepest pieces first; a piece goes on the first shelf of the first
    plate that has room, boxes at least the spacing apart, the border inside the bed, off the zones
    where nothing may lie.

    Validity: pieces are not stacked or nested.

    Raises:
        RefusedError: A part is larger than the bed within its border, or too high.
    """
    boxes = [
        box
        for index, part in enumerate(parts)
        for box in [box_of(index, part, plate)] * part.quantity
    ]
    return plans_of(parts, plate, fill(sorted(boxes, key=deepest_first), plate))


def plan_groups(
    groups: Sequence[Sequence[PlatePart]], plate: Plate, most_beds: int | None
) -> tuple[tuple[PlatePlan, ...], dict[int, str]]:
    """Lay out groups of parts, each whole or not at all, group by group.

    A group's pieces lie together as far as that takes no more beds than mixing them would.

    Args:
        most_beds: As many beds there are; None for as many as are needed.

    Returns:
        The plates, and group → why it lies on none.
    """
    parts = [part for group in groups for part in group]
    starts = itertools.accumulate((len(group) for group in groups), initial=0)
    taken: list[list[Box]] = []
    beds: list[Bed] = []
    left: dict[int, str] = {}
    for number, (group, start) in enumerate(zip(groups, starts, strict=False)):
        try:
            boxes = [
                box for index, part in enumerate(group, start)
                for box in [box_of(index, part, plate)] * part.quantity
            ]
        except RefusedError as error:
            left[number] = error.message
            continue
        if most_beds is None:
            taken.append(boxes)
            continue
        with_it = _fewest([*taken, boxes], plate)
        if len(with_it) > most_beds:
            left[number] = f"{counted(most_beds, 'bed')} of this build had no room for it"
        else:
            taken, beds = [*taken, boxes], with_it
    return plans_of(parts, plate, _fewest(taken, plate) if most_beds is None else beds), left


def _fewest(groups: Sequence[Sequence[Box]], plate: Plate) -> list[Bed]:
    """Fill beds group by group, or with all mixed where that takes fewer."""
    together = fill([box for each in groups for box in sorted(each, key=deepest_first)], plate)
    mixed = fill(sorted((box for each in groups for box in each), key=deepest_first), plate)
    return together if len(together) <= len(mixed) else mixed


def deepest_first(box: Box) -> tuple[float, float, int]:
    """Order boxes as shelves take them best."""
    return (-box.depth_mm, -box.width_mm, box.part)


def _turn(turned: bool) -> NDArray[np.float64]:
    if not turned:
        return np.eye(3)
    return np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])


def box_of(index: int, part: PlatePart, plate: Plate) -> Box:
    """Give the box of a part, turned by 90° where it fits an empty bed only so.

    Args:
        index: Number of the part among those that are laid out.

    Raises:
        RefusedError: An empty bed has no room for it, or it is too high.
    """
    # The file holds float32 numbers: the box is taken from those.
    held = part.vertices.astype(np.float32).astype(np.float64)
    width, depth, height = (float(size) for size in np.ptp(held @ part.lying().T, axis=0))
    if plate.height_mm is not None and height + part.lift_mm > plate.height_mm + ROOM_MM:
        raise RefusedError(
            f"part {part.name} reaches {height + part.lift_mm:.1f} mm over the bed {part.way}, and "
            f"the machine has room for {plate.height_mm:.1f} mm; choose a process with a higher "
            "room, or one that lays rods otherwise",
            field="plate.height", value=part.name,
        )
    for box in (Box(index, False, width, depth, height), Box(index, True, depth, width, height)):
        if Bed(plate).take(box):
            return box
    room = (plate.width_mm - 2.0 * plate.border_mm, plate.depth_mm - 2.0 * plate.border_mm)
    zones = f" less {counted(len(plate.keep_out), 'keep-out zone')}" if plate.keep_out else ""
    raise RefusedError(
        f"part {part.name} takes {width:.1f} × {depth:.1f} mm {part.way} and the bed has "
        f"{room[0]:.1f} × {room[1]:.1f} mm within its border of {plate.border_mm:.1f} mm{zones}; "
        "choose a process with a larger bed",
        field="plate", value=part.name,
    )


def plans_of(
    parts: Sequence[PlatePart], plate: Plate, beds: Sequence[Bed]
) -> tuple[PlatePlan, ...]:
    """Give the plans of filled beds."""
    return tuple(
        _plan(number, len(beds), plate, parts, bed.spots) for number, bed in enumerate(beds, 1)
    )


def _plan(
    number: int, of: int, plate: Plate, parts: Sequence[PlatePart], spots: Sequence[Spot]
) -> PlatePlan:
    used = sorted({spot.box.part for spot in spots})
    placed = tuple(
        Placement(
            used.index(box.part), box.turned, spot.x_mm, spot.y_mm,
            box.width_mm, box.depth_mm, box.height_mm,
        )
        for spot in spots
        for box in (spot.box,)
    )
    return PlatePlan(number, of, plate, tuple(parts[index] for index in used), placed)
