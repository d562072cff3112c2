"""The sizes of a rod: every kind of bar and of fitting has a module that dimensions it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from labkit.core.rod.bodies import FlatBar, RoundBar
from labkit.core.rod.fittings import Ball, Crosspin, Eye, Fitting
from labkit.documents.rod_drawing.ball import ball_dimensions
from labkit.documents.rod_drawing.common_dimensions import Page
from labkit.documents.rod_drawing.crosspin import crosspin_dimensions
from labkit.documents.rod_drawing.eye import eye_dimensions
from labkit.documents.rod_drawing.flat_bar import flat_bar_dimensions
from labkit.documents.rod_drawing.round_bar import round_bar_dimensions
from labkit.documents.rod_drawing.subject import End

BARS: dict[type, Callable[[Page, Any], None]] = {
    FlatBar: flat_bar_dimensions, RoundBar: round_bar_dimensions,
}
#: What dimensions all ends of a kind.
FITTINGS: dict[type[Fitting], Callable[[Page, tuple[End, ...]], None]] = {
    Eye: eye_dimensions, Crosspin: crosspin_dimensions, Ball: ball_dimensions,
}


def dimension_sizes(page: Page) -> None:
    """Dimension bar and fittings."""
    body, ends = page.subject.rod.template.body, page.subject.ends
    BARS[type(body)](page, body)
    for kind in dict.fromkeys(type(end.fitting) for end in ends):
        FITTINGS[kind](page, tuple(end for end in ends if type(end.fitting) is kind))
