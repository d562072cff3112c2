"""Draws the triangles of a closed body, seen along z, by sums alone: the same on every machine."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

#: Each pixel is the mean of this many squared samples: smooth edges.
OVERSAMPLING = 2
_WHITE = 1.0

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Numbers = NDArray[np.int32]
Pixels = NDArray[np.uint8]


class _Spans(NamedTuple):
    """Pieces of rows that triangles cover: first sample and number of samples of each.

    Args:
        values: Nearness and colour at the sample 0 of the row, shape (k, 4).
        slopes: What each sample to the right adds to them.
    """

    row: Integers
    first: Integers
    samples: Integers
    values: Floats
    slopes: Floats


def draw(
    corners: Floats, triangles: NDArray[np.int32], colours: Floats, size: tuple[int, int]
) -> Pixels:
    """Draw a body on white; what turns away from the reader is left out, the nearest is seen.

    Args:
        corners: Places in pixels from the left and the top, and nearness, shape (n, 3).
        triangles: Corner numbers, counter-clockwise for the reader where they are seen.
        colours: Red, green and blue from 0 to 1 at each corner of each triangle, shape (m, 3, 3).
        size: Width and height of the picture, pixels; the body lies within.

    Returns:
        Shape (height, width, 3).
    """
    width, height = size
    fine = corners * (OVERSAMPLING, OVERSAMPLING, 1.0)
    spans = _spans(fine[triangles], colours)
    seen = _nearest(spans, OVERSAMPLING * width, OVERSAMPLING * height)
    return _mean(seen, spans, width, height)


def _spans(places: Floats, colours: Floats) -> _Spans:
    """Cut triangles into rows; places between samples belong to one side, so nothing gapes."""
    x, y = places[..., 0], places[..., 1]
    # y points down: what the reader sees runs clockwise.
    twice = (x[:, 1] - x[:, 0]) * (y[:, 2] - y[:, 0]) - (x[:, 2] - x[:, 0]) * (y[:, 1] - y[:, 0])
    ends = _rounded(np.stack([y.min(axis=1), y.max(axis=1)]))
    shown = np.nonzero((twice < 0.0) & (ends[0] < ends[1]))[0]
    places, twice = places[shown], twice[shown]
    values = np.concatenate([places[..., 2:], colours[shown]], axis=2)
    across, down, start = _planes(places, values, twice)
    order = np.argsort(places[..., 1], axis=1)
    x, y = (np.take_along_axis(places[..., axis], order, axis=1) for axis in (0, 1))
    # An edge is worked out alike for both of its triangles: from its upper end.
    with np.errstate(divide="ignore", invalid="ignore"):
        lean = np.stack([(x[:, j] - x[:, i]) / (y[:, j] - y[:, i])
                         for i, j in ((0, 2), (0, 1), (1, 2))])
    foot = np.stack([x[:, 0], x[:, 0], x[:, 1]]) - lean * np.stack([y[:, 0], y[:, 0], y[:, 1]])
    bounds = _rounded(y.T)
    # An edge that is level but for the last digits leaves its triangle.
    least, most = _rounded(np.stack([x.min(axis=1), x.max(axis=1)]))
    parts = []
    for short, top, bottom in ((1, bounds[0], bounds[1]), (2, bounds[1], bounds[2])):
        count = bottom - top
        which = np.repeat(np.arange(len(count)), count)
        row = np.arange(len(which)) - np.repeat(np.cumsum(count) - count - top, count)
        level = row + 0.5
        sides = [_rounded(np.repeat(lean[edge], count) * level + np.repeat(foot[edge], count))
                 for edge in (0, short)]
        first = np.maximum(np.minimum(*sides), least[which])
        last = np.minimum(np.maximum(*sides), most[which])
        some = np.nonzero(first < last)[0]
        parts.append((which[some], row[some], first[some], (last - first)[some]))
    which, row, first, count = (np.concatenate(each) for each in zip(*parts, strict=True))
    slopes = across[which]
    return _Spans(
        row, first, count,
        start[which] + down[which] * (row + 0.5)[:, None] + slopes * 0.5, slopes,
    )


def _planes(places: Floats, values: Floats, twice: Floats) -> tuple[Floats, Floats, Floats]:
    """Give what each value gains to the right and down, and what it is at the left top."""
    (x, y), one = (places[..., axis] for axis in (0, 1)), values[:, 0]
    way, other = values[:, 1] - one, values[:, 2] - one
    dx, dy = (along[:, 1:] - along[:, :1] for along in (x, y))
    across = (way * dy[:, 1:] - other * dy[:, :1]) / twice[:, None]
    down = (other * dx[:, :1] - way * dx[:, 1:]) / twice[:, None]
    return across, down, one - across * x[:, :1] - down * y[:, :1]


def _rounded(places: Floats) -> Integers:
    """Give the first sample whose middle does not lie before a place."""
    return np.ceil(places - 0.5).astype(np.int64)


def _nearest(spans: _Spans, width: int, height: int) -> Numbers:
    """Tell for each sample the span that is nearest to the reader; -1 where there is none."""
    count = spans.samples
    span = np.repeat(np.arange(len(count), dtype=np.int32), count)
    begin = spans.row * width + spans.first - (np.cumsum(count) - count)
    sample = np.repeat(begin, count) + np.arange(len(span))
    seen: Numbers = np.full(width * height, -1, dtype=np.int32)
    seen[sample] = span
    # Few lie behind one another: those that came too early are held against what took their place.
    hidden = np.nonzero(seen[sample] != span)[0]
    while len(hidden):
        span, sample = span[hidden], sample[hidden]
        column = sample % width
        here, there = (
            spans.values[one, 0] + spans.slopes[one, 0] * column for one in (span, seen[sample])
        )
        nearer = here > there
        span, sample = span[nearer], sample[nearer]
        seen[sample] = span
        hidden = np.nonzero(seen[sample] != span)[0]
    return seen


def _mean(seen: Numbers, spans: _Spans, width: int, height: int) -> Pixels:
    """Colour the samples, and give each pixel the mean of its own."""
    seen = seen.reshape(OVERSAMPLING * height, OVERSAMPLING * width)
    column = np.arange(OVERSAMPLING * width, dtype=np.float32)
    picture = np.empty((height, width, 3), dtype=np.uint8)
    for channel in range(3):
        # What nothing covers, number -1, is white.
        value, slope = (
            np.append(each[:, 1 + channel], last).astype(np.float32)
            for each, last in ((spans.values, _WHITE), (spans.slopes, 0.0))
        )
        fine = slope[seen]
        fine *= column
        fine += value[seen]
        total = sum(
            fine[down::OVERSAMPLING, right::OVERSAMPLING]
            for down in range(OVERSAMPLING) for right in range(OVERSAMPLING)
        )
        scaled = total * np.float32(255.0 / OVERSAMPLING**2)
        picture[..., channel] = np.rint(np.clip(scaled, 0.0, 255.0))
    return picture
