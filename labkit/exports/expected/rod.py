"""What a part's files should measure, from its template, length and process alone."""

from __future__ import annotations

from labkit.core.rod.rods import Compensation, Hand, Rod
from labkit.exports.expected import expected_bar, expected_ends

Corner = tuple[float | None, ...]


def built_length_mm(rod: Rod, compensation: Compensation) -> float:
    """Give the functional length that the compensated part should have."""
    return compensation.length_scale * float(rod.length) + compensation.length_offset_mm


def inward_of(rod: Rod) -> int:
    """Give the sign of y on the inward side; a part that serves both sides lies inward −y."""
    return rod.hand.inward_y if rod.template.handed else Hand.MINUS_Y.inward_y


def expected_box(rod: Rod, compensation: Compensation) -> tuple[Corner, Corner]:
    """Give the least and greatest corner in the rod frame, mm; None where it is left open."""
    half, bar = built_length_mm(rod, compensation) / 2.0, expected_bar(rod.template)
    ends = expected_ends(rod.template)
    lower, upper = (end.reach_mm(compensation) for end in ends)
    height = max(bar.across_mm / 2.0, lower, upper)
    inward, outward = bar.sides_mm(ends, compensation)
    minus, plus = (inward, outward) if inward_of(rod) < 0 else (outward, inward)
    return (-half - lower, None if minus is None else -minus, -height), (half + upper, plus, height)
