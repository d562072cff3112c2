"""Straight lines and boxes of panels."""

from __future__ import annotations

import itertools

from labkit.core.label.lettering import Line, Point2
from labkit.documents.rod_drawing.sheet import Ink, Pen, Stroke

#: Words keep this distance from the lines of their cell.
INSET_MM = 1.2


def rule(ink: Ink, a: Point2, b: Point2, pen: Pen) -> None:
    """Draw a line."""
    ink.strokes.append(Stroke(Line(a, b), pen))


def ruled_box(
    ink: Ink, left: float, right: float, bottom: float, top: float, pen: Pen
) -> None:
    """Draw a rectangle."""
    corners = ((left, bottom), (right, bottom), (right, top), (left, top), (left, bottom))
    for a, b in itertools.pairwise(corners):
        rule(ink, a, b, pen)
