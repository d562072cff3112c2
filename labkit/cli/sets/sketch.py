"""Draws lines and arcs with braille dots, so that a terminal can show a shape to scale."""

from __future__ import annotations

import math

import numpy as np

from labkit.core.label.lettering import Piece
from labkit.core.rod.curves import at, length

#: Bit of each dot in a braille character, [row][column].
_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
_BLANK = 0x2800
#: Points per dot along a line, so that no dot is skipped.
_DENSITY = 4.0


def sketch(pieces: tuple[Piece, ...], columns: int, span_mm: float) -> list[str]:
    """Draw pieces to scale, one dot in one direction as long as in the other.

    Args:
        span_mm: Length that the whole width stands for, mm.

    Returns:
        Lines of text, top first.

    >>> from labkit.core.label.lettering import Line
    >>> sketch((Line((-1.0, 0.0), (1.0, 0.0)),), 4, 2.0)
    ['⠒⠒⠒⠒']
    """
    scale = (2 * columns - 1) / span_mm
    points = np.concatenate([_along(piece, scale) for piece in pieces])
    x = np.rint((points[:, 0] + span_mm / 2) * scale).astype(int)
    y = np.rint(-points[:, 1] * scale).astype(int)
    y -= y.min() - (y.max() - y.min() + 1) % 2
    rows = int(y.max()) // 4 + 1
    cells = np.zeros((rows, columns), dtype=int)
    inside = (x >= 0) & (x < 2 * columns)
    np.bitwise_or.at(cells, (y[inside] // 4, x[inside] // 2), _BITS[y[inside] % 4, x[inside] % 2])
    return ["".join(chr(_BLANK + int(c)) if c else " " for c in row).rstrip() for row in cells]


def _along(piece: Piece, scale: float) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    count = max(2, math.ceil(length(piece) * scale * _DENSITY))
    return np.array([at(piece, share) for share in np.linspace(0.0, 1.0, count)])
