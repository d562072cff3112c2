"""The sheet of a drawing: views to scale on a frame, in mm of paper."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.label.lettering import Point2
from labkit.documents.drawing import Drawing


@dataclass(frozen=True)
class Place:
    """Where a view lies: its origin on the paper and paper mm for each mm of the part."""

    origin: Point2
    per_mm: float

    def at(self, x_mm: float, y_mm: float) -> Point2:
        """Turn a point of the view into a point of the paper."""
        return (self.origin[0] + x_mm * self.per_mm, self.origin[1] + y_mm * self.per_mm)


@dataclass(frozen=True)
class Sheet(Drawing):
    """A finished sheet.

    Args:
        per_mm: Paper mm for each mm of the part in the main views (the scale).
        frame: Left, right, bottom and top of the frame.
        views: Places of the views by name: front, top, side, section.
        further: Sheets that continue the table of lengths; in the PDF alone.
    """

    per_mm: float
    date: str
    frame: tuple[float, float, float, float]
    views: dict[str, Place]
    further: tuple[Sheet, ...] = ()
