"""Reading the case mark from a scan, in its own place and with its own characters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.lettering import Lettering
from labkit.core.label.rules import is_case_mark
from labkit.exports.scan.glyphs import HALF, compare, drawn, match
from labkit.exports.scan.relief import PIXELS, Relief

#: A column with fewer pixels of ink than this is no part of a character.
LEAST_INK = 2
#: A character may begin so many pixels from where its ink is seen to begin.
REACH = 3


def read_case_mark(view: Relief, span_mm: tuple[float, float], lettering: Lettering) -> str:
    """Read the case mark; empty where not every character is certain.

    Formula: characters are parted by columns without ink; each gets the digit or letter of the
    highest correlation.

    Args:
        view: Relief at the case mark's height.
        span_mm: Its place along the rod, about the middle of the label's area.
    """
    letters = lettering.of_case_marks
    every = compare(view, drawn(letters, "".join(glyph.char for glyph in letters.glyphs)))
    first, last = (round(view.center[0] + end / view.pixel_mm) for end in span_mm)
    bottom = round(view.center[1] - PIXELS / 2)
    ink = (view.ink > HALF) & view.known
    ink[:, : max(first - REACH, 0)] = ink[:, max(last + REACH, 0) :] = False
    read = [match(every, (begin, bottom), REACH) for begin in _begins(ink.sum(axis=0))]
    text = "".join(char.char for char in read)
    return text if is_case_mark(text) and all(char.certain for char in read) else ""


def _begins(counts: NDArray[np.intp]) -> list[int]:
    """Give the columns at which runs of ink begin."""
    steps = np.diff(np.concatenate([[0], (counts >= LEAST_INK).astype(np.int8)]))
    return [int(column) for column in np.flatnonzero(steps == 1)]
