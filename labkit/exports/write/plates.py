"""Laying parts out on build plates: as their way of lying says, apart, inside the border."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labkit.core.numbers import Finite
from labkit.core.rod.building import Way
from labkit.core.rod.lying import rotation_of
from labkit.core.rod.rods import Hand, Plate
from labkit.errors import RefusedError

#: Sums of a few hundred millimetres in binary; a part that fits to this fits.
ROOM_MM = 1e-9


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


@dataclass(frozen=True)
class _Piece:
    """A box to pack: part, whether turned, size."""

    part: int
    turned: bool
    width: float
    depth: float
    height: float


def plan_plates(parts: Sequence[PlatePart], plate: Plate) -> tuple[PlatePlan, ...]:
    """Lay all pieces out on as few plates as shelves allow; no plates for no pieces.

    Formula: shelves along X, deepest pieces first; a piece goes on the first shelf of the first
    plate that has room, boxes at least the spacing apart and the border inside the bed.

    Validity: pieces are not stacked or nested.

    Raises:
        RefusedError: A part is larger than the bed within its border, or too high.
    """
    pieces = [
        piece
        for index, part in enumerate(parts)
        for piece in [_piece(index, part, plate)] * part.quantity
    ]
    pieces.sort(key=lambda piece: (-piece.depth, -piece.width, piece.part))
    beds: list[_Bed] = []
    for piece in pieces:
        for bed in beds:
            if bed.take(piece):
                break
        else:
            beds.append(_Bed(plate))
            if not beds[-1].take(piece):
                raise _too_big(parts[piece.part], (piece.width, piece.depth), plate)
    return tuple(
        _plan(number, len(beds), plate, parts, bed.placed) for number, bed in enumerate(beds, 1)
    )


def _turn(turned: bool) -> NDArray[np.float64]:
    if not turned:
        return np.eye(3)
    return np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])


def _piece(index: int, part: PlatePart, plate: Plate) -> _Piece:
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
    room = (plate.width_mm - 2.0 * plate.border_mm, plate.depth_mm - 2.0 * plate.border_mm)
    if width <= room[0] + ROOM_MM and depth <= room[1] + ROOM_MM:
        return _Piece(index, False, width, depth, height)
    if depth <= room[0] + ROOM_MM and width <= room[1] + ROOM_MM:
        return _Piece(index, True, depth, width, height)
    raise _too_big(part, (width, depth), plate)


def _too_big(part: PlatePart, size: tuple[float, float], plate: Plate) -> RefusedError:
    room = (plate.width_mm - 2.0 * plate.border_mm, plate.depth_mm - 2.0 * plate.border_mm)
    return RefusedError(
        f"part {part.name} takes {size[0]:.1f} × {size[1]:.1f} mm {part.way} and the bed has "
        f"{room[0]:.1f} × {room[1]:.1f} mm within its border of {plate.border_mm:.1f} mm; "
        "choose a process with a larger bed",
        field="plate", value=part.name,
    )


class _Bed:
    """A plate being filled, shelf by shelf."""

    def __init__(self, plate: Plate) -> None:
        self._plate = plate
        self._shelves: list[tuple[float, float, float]] = []  # y, depth, next free x
        self.placed: list[Placement] = []

    def take(self, piece: _Piece) -> bool:
        """Place a piece if there is room for it."""
        plate = self._plate
        right = plate.width_mm - plate.border_mm + ROOM_MM
        for index, (y, depth, x) in enumerate(self._shelves):
            if piece.depth <= depth + ROOM_MM and x + piece.width <= right:
                self._shelves[index] = (y, depth, x + piece.width + plate.spacing_mm)
                self._put(piece, x, y)
                return True
        y = self._next_shelf()
        x = plate.border_mm
        top = plate.depth_mm - plate.border_mm + ROOM_MM
        if y + piece.depth > top or x + piece.width > right:
            return False
        self._shelves.append((y, piece.depth, x + piece.width + plate.spacing_mm))
        self._put(piece, x, y)
        return True

    def _next_shelf(self) -> float:
        if not self._shelves:
            return self._plate.border_mm
        y, depth, _ = self._shelves[-1]
        return y + depth + self._plate.spacing_mm

    def _put(self, piece: _Piece, x: float, y: float) -> None:
        self.placed.append(
            Placement(piece.part, piece.turned, x, y, piece.width, piece.depth, piece.height)
        )


def _plan(
    number: int, of: int, plate: Plate, parts: Sequence[PlatePart], placed: Sequence[Placement]
) -> PlatePlan:
    used = sorted({placement.part for placement in placed})
    renumbered = tuple(replace(one, part=used.index(one.part)) for one in placed)
    return PlatePlan(number, of, plate, tuple(parts[index] for index in used), renumbered)
