"""A bed being filled with boxes: shelves along X, around the zones where nothing may lie."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from labkit.core.rod.rods import Plate

#: Sums of a few hundred millimetres in binary; a part that fits to this fits.
ROOM_MM = 1e-9


@dataclass(frozen=True)
class Box:
    """A box to pack.

    Args:
        part: Number of the part that it is of.
        turned: Whether the part is turned by 90° about Z.
    """

    part: int
    turned: bool
    width_mm: float
    depth_mm: float
    height_mm: float


@dataclass(frozen=True)
class Spot:
    """Where a box lies: its lower left corner."""

    box: Box
    x_mm: float
    y_mm: float


@dataclass
class _Shelf:
    """A strip of the bed; each gap is its next free x and its right end."""

    y_mm: float
    depth_mm: float
    gaps: list[list[float]]


@dataclass
class Bed:
    """A bed and what lies on it."""

    plate: Plate
    spots: list[Spot] = field(default_factory=list)
    _shelves: list[_Shelf] = field(default_factory=list)

    def take(self, box: Box) -> bool:
        """Place a box on the first shelf that has room for it, or on a new one.

        Returns:
            Whether there was room.
        """
        for shelf in self._shelves:
            if box.depth_mm <= shelf.depth_mm + ROOM_MM and self._put(shelf, box):
                return True
        top = self.plate.depth_mm - self.plate.border_mm + ROOM_MM
        for y in self._new_shelves():
            shelf = _Shelf(y, box.depth_mm, list(self._gaps(y, box.depth_mm)))
            if y + box.depth_mm <= top and self._put(shelf, box):
                self._shelves.append(shelf)
                return True
        return False

    def _put(self, shelf: _Shelf, box: Box) -> bool:
        for gap in shelf.gaps:
            x, right = gap
            if x + box.width_mm <= right + ROOM_MM:
                self._keep_apart(shelf, x, x + box.width_mm)
                self.spots.append(Spot(box, x, shelf.y_mm))
                return True
        return False

    def _keep_apart(self, shelf: _Shelf, left: float, right: float) -> None:
        """Make the gaps begin and end apart from a box, beyond a zone that is narrower too."""
        spacing = self.plate.spacing_mm
        for gap in shelf.gaps:
            if gap[0] < left:
                gap[1] = min(gap[1], left - spacing)
            else:
                gap[0] = max(gap[0], right + spacing)

    def _new_shelves(self) -> Iterator[float]:
        """Give where a new shelf may begin: above the last one, or above a zone beyond that."""
        y = self.plate.border_mm
        if self._shelves:
            y = self._shelves[-1].y_mm + self._shelves[-1].depth_mm + self.plate.spacing_mm
        yield y
        ends = (zone.y_mm + zone.depth_mm for zone in self.plate.keep_out)
        yield from sorted({end for end in ends if end > y})

    def _gaps(self, y: float, depth: float) -> Iterator[list[float]]:
        """Give what the zones leave of a strip."""
        x = self.plate.border_mm
        for zone in sorted(self.plate.keep_out, key=lambda zone: zone.x_mm):
            above, below = zone.y_mm + zone.depth_mm - ROOM_MM, zone.y_mm + ROOM_MM
            if y < above and below < y + depth:
                yield [x, zone.x_mm]
                x = max(x, zone.x_mm + zone.width_mm)
        yield [x, self.plate.width_mm - self.plate.border_mm]


def fill(boxes: Sequence[Box], plate: Plate) -> list[Bed]:
    """Put boxes on beds, each on the first bed that has room for it.

    Returns:
        The beds; fewer boxes than given lie on them only where an empty bed has no room for one.
    """
    beds: list[Bed] = []
    for box in boxes:
        if not any(bed.take(box) for bed in beds):
            bed = Bed(plate)
            if bed.take(box):
                beds.append(bed)
    return beds
