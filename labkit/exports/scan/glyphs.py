"""Comparing the characters of a lettering with the relief of a scan, pixels not seen left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from labkit.core.label.lettering import Lettering
from labkit.exports.check import limits
from labkit.exports.check.glyph_raster import BORDER_PIXELS, rasters
from labkit.exports.expected.base import Array
from labkit.exports.scan.relief import PIXELS, Relief

#: The drawn characters are this many times finer.
FINER = limits.PIXELS_PER_HEIGHT // PIXELS
#: Plain face round a character that is compared with it, in pixels (beside the raster's border).
ROUND_PIXELS = 2
#: Pixel of the drawn character where it is ink, or where two characters differ.
HALF = 0.5
DIGITS = "0123456789"
#: Standard deviation of a pixel's ink (noise, blur, how deep it was engraved), and the side of the
#: square of pixels that err alike at least: a stroke's width.
INK_SD, ALIKE_PIXELS = 0.25, 3.0
#: A character is accepted when it is this like the drawn one, and this much more than any other;
LEAST_SCORE, LEAST_MARGIN = 0.70, 0.10
#: when, for each other one, so many of the pixels in which the two differ are seen and speak for
#: it, and so many of those that are seen.
LEAST_EVIDENCE, LEAST_PURITY = 0.50, 0.80


@dataclass(frozen=True, eq=False)
class Drawn:
    """Some characters on one canvas, blurred as a scan blurs.

    Args:
        ink: Ink 0 … 1, shape (characters, rows, columns).
        origin: Column and row where the characters' ink begins.
    """

    chars: tuple[str, ...]
    ink: Array
    origin: tuple[int, int]


@dataclass(frozen=True)
class Match:
    """A character compared with a place of the relief.

    Args:
        score: Correlation with it, −1 … 1, over the pixels seen.
        margin: Score less that of the second.
        evidence: Of the pixels in which it differs from another character, the share that is seen
            and speaks for it; the least over all others.
        purity: Of those that are seen, the share that speaks for it; the least over all others.
        seen: Share of its pixels that the scan shows.
        gains: How much likelier the scan is with each character there than with nothing there, as
            a natural logarithm.
    """

    char: str
    score: float
    second: str
    margin: float
    evidence: float
    purity: float
    seen: float
    gains: Mapping[str, float] = field(default_factory=dict)

    @property
    def certain(self) -> bool:
        """Whether the character is what it is taken for."""
        apart = self.margin >= LEAST_MARGIN or not self.second
        enough = self.evidence >= LEAST_EVIDENCE and self.purity >= LEAST_PURITY
        return self.score >= LEAST_SCORE and apart and enough


@lru_cache(maxsize=32)
def drawn(lettering: Lettering, chars: str) -> Drawn:
    """Draw some characters at the relief's pixel, as wide as the widest of them."""
    names = [glyph.char for glyph in lettering.glyphs]
    fine = rasters(lettering)[[names.index(char) for char in chars]].astype(np.float64)
    widest = int(np.flatnonzero(fine.any(axis=(0, 1))).max()) + 1 + BORDER_PIXELS
    fine = fine[:, :, :widest]
    # The ink must begin at a whole coarse pixel.
    lead = (-BORDER_PIXELS) % FINER
    rows, columns = fine.shape[1] + lead, fine.shape[2] + lead
    padded = np.pad(
        fine, ((0, 0), (lead, (-rows) % FINER), (lead, (-columns) % FINER))
    )
    coarse = padded.reshape(len(fine), padded.shape[1] // FINER, FINER, -1, FINER).mean(axis=(2, 4))
    ink = np.pad(coarse, ((0, 0), (ROUND_PIXELS,) * 2, (ROUND_PIXELS,) * 2))
    begin = (BORDER_PIXELS + lead) // FINER + ROUND_PIXELS
    return Drawn(tuple(chars), _blurred(ink), (begin, begin))


def _blurred(ink: Array) -> Array:
    for axis in (1, 2):
        before, after = np.roll(ink, 1, axis), np.roll(ink, -1, axis)
        ink = 0.25 * before + 0.5 * ink + 0.25 * after
    return ink


def correlations(
    relief: Relief, canvas: Drawn, at: tuple[int, int], reach: tuple[int, int]
) -> Array:
    """Correlate characters with the relief round a place.

    The result has shape (2 reach[1] + 1, 2 reach[0] + 1, characters).

    Formula: weighted correlation coefficient of drawn and seen ink; weight 1 where seen, else 0.

    Args:
        at: Column and row of the relief where their ink should begin.
        reach: How far to shift, columns and rows.
    """
    rows, columns = canvas.ink.shape[1:]
    ink, known = _patches(relief, canvas, at, reach)
    glyphs = canvas.ink.reshape(len(canvas.chars), -1).T
    count = np.maximum(known.sum(axis=1), 1.0)[:, None]
    seen_sum, seen_square = ink.sum(axis=1)[:, None], (ink**2).sum(axis=1)[:, None]
    drawn_sum, drawn_square = known @ glyphs, known @ glyphs**2
    common = ink @ glyphs - seen_sum * drawn_sum / count
    # A plain patch correlates with nothing; its noise must not be blown up.
    floor = 0.01 * rows * columns * HALF**2
    seen_spread = np.maximum(seen_square - seen_sum**2 / count, floor)
    drawn_spread = np.maximum(drawn_square - drawn_sum**2 / count, floor)
    scores = np.asarray(common / np.sqrt(seen_spread * drawn_spread), dtype=np.float64)
    return scores.reshape(2 * reach[1] + 1, 2 * reach[0] + 1, -1)


def match(relief: Relief, canvas: Drawn, at: tuple[int, int], reach: int) -> Match:
    """Say which character stands at a place of the relief, and what speaks for it.

    Args:
        at: Column and row where its ink should begin.
        reach: How far it may be off, pixels.
    """
    scores = correlations(relief, canvas, at, (reach, reach))
    best, gains = scores.max(axis=(0, 1)), gains_of(relief, canvas, at, reach)
    first = canvas.chars.index(max(gains, key=lambda char: gains[char]))
    order = [int(one) for one in np.argsort(-best, kind="stable") if one != first]
    row, column = np.unravel_index(int(scores[:, :, first].argmax()), scores.shape[:2])
    place = (at[0] + int(column) - reach, at[1] + int(row) - reach)
    ink, known = _patches(relief, canvas, place, (0, 0))
    evidence, purity = _evidence(canvas, first, ink[0], known[0])
    mask = canvas.ink[first].ravel() > HALF
    seen = float(known[0][mask].mean())
    char, score = canvas.chars[first], float(best[first])
    if not order:
        return Match(char, score, "", score, evidence, purity, seen, gains)
    second = order[0]
    margin = score - float(best[second])
    return Match(char, score, canvas.chars[second], margin, evidence, purity, seen, gains)


def gains_of(
    relief: Relief, canvas: Drawn, at: tuple[int, int], reach: int
) -> Mapping[str, float]:
    """Give how much likelier the relief is with each character at a place than with none.

    Formula: Σ t (2 i − t) / (2 σ² n) over the pixels seen, i seen and t drawn ink, at the best of
    the shifts; n pixels err alike, so many as a stroke or the scan's spacing covers.
    """
    ink, known = _patches(relief, canvas, at, (reach, reach))
    glyphs = canvas.ink.reshape(len(canvas.chars), -1).T
    best = (2.0 * ink @ glyphs - known @ glyphs**2).max(axis=0) * nats_a_pixel(relief)
    return dict(zip(canvas.chars, map(float, best), strict=True))


def nats_a_pixel(relief: Relief) -> float:
    """Give what one pixel of ink adds to the logarithm of a likelihood."""
    alike = max(ALIKE_PIXELS, relief.spacing_mm / relief.pixel_mm) ** 2
    return float(0.5 / INK_SD**2 / alike)


def _evidence(canvas: Drawn, first: int, ink: Array, known: Array) -> tuple[float, float]:
    """Give the least shares of differing pixels, and of those seen, that speak for the first."""
    own = canvas.ink[first].ravel()
    agrees = (known > 0.0) & ((ink > HALF) == (own > HALF))
    places = [
        np.abs(canvas.ink[other].ravel() - own) > HALF
        for other in range(len(canvas.chars)) if other != first
    ] or [own > HALF]
    return (
        min(float(agrees[place].mean()) for place in places),
        min(float(agrees[place].sum()) / max(float(known[place].sum()), 1.0) for place in places),
    )


def _patches(
    relief: Relief, canvas: Drawn, at: tuple[int, int], reach: tuple[int, int]
) -> tuple[Array, Array]:
    """Cut each shift's patch (shifts, pixels) of ink and known: nothing beyond the border."""
    rows, columns = canvas.ink.shape[1:]
    left = at[0] - canvas.origin[0] - reach[0]
    bottom = at[1] - canvas.origin[1] - reach[1]
    high, wide = rows + 2 * reach[1], columns + 2 * reach[0]
    ink, known = np.zeros((high, wide)), np.zeros((high, wide))
    size = relief.ink.shape
    r0, r1 = max(bottom, 0), min(bottom + high, size[0])
    c0, c1 = max(left, 0), min(left + wide, size[1])
    if r1 > r0 and c1 > c0:
        target = np.s_[r0 - bottom : r1 - bottom, c0 - left : c1 - left]
        ink[target] = relief.ink[r0:r1, c0:c1]
        known[target] = relief.known[r0:r1, c0:c1]
    shape = (rows, columns)
    windows = [
        np.lib.stride_tricks.sliding_window_view(one, shape).reshape(-1, rows * columns)
        for one in (ink, known)
    ]
    return windows[0], windows[1]
