"""Drawing each character of a lettering as pixels, from its centrelines, to compare with."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.lettering import Arc, Disc, Glyph, Lettering, Line, Mark
from labkit.exports.check import limits

Grid = NDArray[np.float64]
#: Clear pixels round the widest character: room to shift by one pixel each way.
BORDER_PIXELS = 3


@lru_cache(maxsize=8)
def rasters(lettering: Lettering) -> NDArray[np.bool_]:
    """Draw every character on one common canvas: ink (characters, rows, columns), row 0 lowest.

    A character's strokes begin at column BORDER_PIXELS, its cell at row BORDER_PIXELS and is
    PIXELS_PER_HEIGHT high.
    """
    per_height = limits.PIXELS_PER_HEIGHT
    widest = max(glyph.width for glyph in lettering.glyphs)
    columns = int(np.ceil(widest * per_height)) + 2 * BORDER_PIXELS
    rows = per_height + 2 * BORDER_PIXELS
    x = (np.arange(columns) - BORDER_PIXELS + 0.5) / per_height
    y = (np.arange(rows) - BORDER_PIXELS + 0.5) / per_height
    grid_x, grid_y = np.meshgrid(x, y)
    return np.stack([_ink(glyph, lettering.stroke, grid_x, grid_y) for glyph in lettering.glyphs])


@lru_cache(maxsize=8)
def packed_rasters(lettering: Lettering) -> NDArray[np.uint64]:
    """Give the drawn characters packed, shape (characters, words)."""
    drawn = rasters(lettering)
    return packed(drawn.reshape(len(drawn), -1))


def packed(pixels: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Pack rows of pixels into words, 64 pixels in each."""
    packed_bytes = np.packbits(pixels, axis=1)
    words = np.zeros((len(pixels), -(-packed_bytes.shape[1] // 8) * 8), dtype=np.uint8)
    words[:, : packed_bytes.shape[1]] = packed_bytes
    return words.view(np.uint64)


def _ink(glyph: Glyph, stroke: float, x: Grid, y: Grid) -> NDArray[np.bool_]:
    ink = np.zeros(x.shape, dtype=bool)
    for mark in glyph.marks:
        reach = mark.radius if isinstance(mark, Disc) else stroke / 2.0
        ink |= _distance(mark, x, y) <= reach
    # A cell may be wider than its character; what is read begins with the character.
    first = int(np.argmax(ink.any(axis=0)))
    return np.roll(ink, BORDER_PIXELS - first, axis=1)


def _distance(mark: Mark, x: Grid, y: Grid) -> Grid:
    """Give the distance of pixels to a centreline, or to a disc's centre."""
    match mark:
        case Disc():
            return np.hypot(x - mark.center[0], y - mark.center[1])
        case Line():
            return _to_line(mark, x, y)
        case Arc():
            return _to_arc(mark, x, y)


def _to_line(line: Line, x: Grid, y: Grid) -> Grid:
    along = (line.end[0] - line.start[0], line.end[1] - line.start[1])
    square = along[0] ** 2 + along[1] ** 2
    share = ((x - line.start[0]) * along[0] + (y - line.start[1]) * along[1]) / (square or 1.0)
    share = np.clip(share, 0.0, 1.0)
    return np.hypot(x - line.start[0] - share * along[0], y - line.start[1] - share * along[1])


def _to_arc(arc: Arc, x: Grid, y: Grid) -> Grid:
    from_center_x, from_center_y = x - arc.center[0], y - arc.center[1]
    turned = np.degrees(np.arctan2(from_center_y, from_center_x)) - arc.start_deg
    turned = np.mod(turned if arc.sweep_deg >= 0.0 else -turned, 360.0)
    beside = np.abs(np.hypot(from_center_x, from_center_y) - arc.radius)
    ends = np.full(x.shape, np.inf)
    for angle in np.radians([arc.start_deg, arc.start_deg + arc.sweep_deg]):
        end_x, end_y = arc.radius * np.cos(angle), arc.radius * np.sin(angle)
        ends = np.minimum(ends, np.hypot(from_center_x - end_x, from_center_y - end_y))
    return np.where(turned <= abs(arc.sweep_deg), beside, ends)
