"""Dimensions of eyes."""

from __future__ import annotations

from labkit.documents.rod_drawing.common_dimensions import Page
from labkit.documents.rod_drawing.dimensioning import Size, diameter
from labkit.documents.rod_drawing.subject import End, alike
from labkit.documents.rod_drawing.words import DIAMETER, fitted, times


def eye_dimensions(page: Page, ends: tuple[End, ...]) -> None:
    """Dimension the bores; the right one's leader takes the row that an equal boss leaves."""
    left, right = page.subject.ends
    equal_bosses = left.reach_mm == right.reach_mm
    for end in ends[-1:] if alike(ends) else ends:
        bore, count = end.fitting.diameter_mm, len(ends) if alike(ends) else 1
        words = times(count, fitted(DIAMETER, bore, end.fitting.fit))
        elbow = page.elbow(end, 0 if end.side > 0 and equal_bosses else 1)
        what = Size("bore diameter", bore, words)
        page.ink.append(
            diameter(page.layout.front, (end.u_mm, 0.0), elbow, end.side > 0, what)
        )
