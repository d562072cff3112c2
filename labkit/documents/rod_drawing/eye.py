"""Dimensions of eyes."""

from __future__ import annotations

from labkit.documents.rod_drawing.common_dimensions import Page
from labkit.documents.rod_drawing.subject import End, alike
from labkit.documents.rod_drawing.words import DIAMETER, sized


def eye_dimensions(page: Page, ends: tuple[End, ...]) -> None:
    """Dimension the bores; the right one's leader takes the row that an equal boss leaves."""
    left, right = page.subject.ends
    equal_bosses, count = left.reach_mm == right.reach_mm, len(ends) if alike(ends) else 1
    for end in ends[-1:] if alike(ends) else ends:
        eye = end.fitting
        what = sized("bore diameter", eye.diameter_mm, DIAMETER, count=count, fit=eye.fit)
        page.circle(end, 0 if end.side > 0 and equal_bosses else 1, what)
