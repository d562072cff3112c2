"""What a rod's files and scans should show, worked out a second time: nothing of the building.

Each kind of fitting and of bar is a module, found through the tables here.
"""

from collections.abc import Callable
from typing import Any

from labkit.core.rod.rods import Ball, Crosspin, Eye, Fitting, FlatBar, RodTemplate, RoundBar
from labkit.exports.expected.ball import ExpectedBall
from labkit.exports.expected.base import (
    Array,
    CylinderEnd,
    ExpectedBar,
    ExpectedEnd,
    SphereEnd,
)
from labkit.exports.expected.crosspin import ExpectedCrosspin
from labkit.exports.expected.eye import ExpectedEye
from labkit.exports.expected.flat_bar import ExpectedFlatBar
from labkit.exports.expected.round_bar import ExpectedRoundBar

_ENDS: dict[str, Callable[[Any], ExpectedEnd]] = {
    Eye.kind: ExpectedEye, Crosspin.kind: ExpectedCrosspin, Ball.kind: ExpectedBall,
}
_BARS: dict[str, Callable[[Any], ExpectedBar]] = {
    FlatBar.shape: ExpectedFlatBar, RoundBar.shape: ExpectedRoundBar,
}


def expected_end(fitting: Fitting) -> ExpectedEnd:
    """Give a fitting as surfaces, of the diameter that a part is to have."""
    return _ENDS[fitting.kind](fitting.aimed)


def expected_ends(template: RodTemplate) -> tuple[ExpectedEnd, ExpectedEnd]:
    """Give a template's lower and upper fitting as surfaces."""
    return expected_end(template.lower), expected_end(template.upper)


def expected_bar(template: RodTemplate) -> ExpectedBar:
    """Give a template's bar as surfaces."""
    return _BARS[template.body.shape](template.body)


__all__ = [
    "Array", "CylinderEnd", "ExpectedBar", "ExpectedEnd", "SphereEnd", "expected_bar",
    "expected_end", "expected_ends",
]
