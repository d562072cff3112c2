"""Comparing the characters of a lettering with the relief of a scan, pixels not seen left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

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
class Guess:
    """The likeliest character at a place of the relief.

    Args:
        gains: How much likelier the scan is with each character there than with nothing there, as
            a natural logarithm.
    """

    char: str
    gains: Mapping[str, float]

    @property
    def gain(self) -> float:
        """That of the character itself."""
        return self.gains[self.char]


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
    """

    char: str
    score: float
    second: str
    margin: float
    evidence: float
    purity: float
    seen: float

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


@dataclass(frozen=True, eq=False)
class Compared:
    """A relief compared with some characters at every place.

    Args:
        scores: Correlation with each character, −1 … 1, shape (characters, rows, columns): where
            its canvas begins at that row and column of the relief, modulo the shape.
        gains: How much likelier the relief is with it there than with nothing there, as a natural
            logarithm.
    """

    relief: Relief
    canvas: Drawn
    scores: Array
    gains: Array

    def scores_at(self, at: tuple[int, int], reach: int) -> Array:
        """Give the scores where the ink begins at a place (column, row), or so far from it."""
        return self.scores[:, *self._round(at, reach)]

    def guess(self, at: tuple[int, int], reach: int) -> Guess:
        """Say which character is the likeliest at a place, or so many pixels from it."""
        best = self.gains[:, *self._round(at, reach)].max(axis=(1, 2))
        gains = dict(zip(self.canvas.chars, best.tolist(), strict=True))
        return Guess(max(gains, key=lambda char: gains[char]), gains)

    def _round(self, at: tuple[int, int], reach: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        places = []
        for middle, begin, own, size, whole in zip(
            at[::-1], self.canvas.origin[::-1], self.canvas.ink.shape[1:],
            self.relief.ink.shape, self.scores.shape[1:], strict=True,
        ):
            wanted = np.arange(middle - begin - reach, middle - begin + reach + 1)
            # Beyond the border lies nothing, wherever that is.
            places.append(np.clip(wanted, -own, size) % whole)
        return places[0][:, None], places[1]


def compare(relief: Relief, canvas: Drawn) -> Compared:
    """Compare a relief with some characters at every place.

    Formula: score = weighted correlation coefficient of drawn and seen ink, weight 1 where seen,
    else 0; gain = Σ t (2 i − t) / (2 σ² n) over the pixels seen, i seen and t drawn ink, where n
    pixels err alike, so many as a stroke or the scan's spacing covers. All sums by fast Fourier
    transform.
    """
    rows, columns = (
        _fast(own + beyond + 1)
        for own, beyond in zip(relief.ink.shape, canvas.ink.shape[1:], strict=True)
    )
    glyphs, squares, ones = _transformed(canvas, (rows, columns))
    known = relief.known.astype(np.float64)
    seen = np.fft.rfft2(np.stack([relief.ink, relief.ink**2, known]), (rows, columns))

    def summed(which: int, over: Array) -> Array:
        return np.fft.irfft2(seen[which] * over, (rows, columns))

    ink, count = summed(0, ones), np.maximum(summed(2, ones), 1.0)
    common, drawn_sum, drawn_square = summed(0, glyphs), summed(2, glyphs), summed(2, squares)
    # A plain patch correlates with nothing; its noise must not be blown up.
    floor = 0.01 * canvas.ink[0].size * HALF**2
    seen_spread = np.maximum(summed(1, ones) - ink**2 / count, floor)
    drawn_spread = np.maximum(drawn_square - drawn_sum**2 / count, floor)
    scores = (common - ink * drawn_sum / count) / np.sqrt(seen_spread * drawn_spread)
    return Compared(relief, canvas, scores, (2.0 * common - drawn_square) * nats_a_pixel(relief))


@lru_cache(maxsize=32)
def _transformed(canvas: Drawn, shape: tuple[int, int]) -> tuple[Array, Array, Array]:
    """Transform the characters, their squares, and their canvas full of ink."""
    ones = np.ones(canvas.ink.shape[1:])
    found = [np.conj(np.fft.rfft2(of, shape)) for of in (canvas.ink, canvas.ink**2, ones)]
    return found[0], found[1], found[2]


def _fast(least: int) -> int:
    """Give the next size that transforms fast: eighths of a power of two."""
    power = 1 << (least - 1).bit_length()
    return next(size for size in range(power // 2, power + 1, power // 8) if size >= least)


def match(compared: Compared, at: tuple[int, int], reach: int) -> Match:
    """Say which character stands at a place of the relief, and what speaks for it.

    Args:
        at: Column and row where its ink should begin.
        reach: How far it may be off, pixels.
    """
    canvas, char = compared.canvas, compared.guess(at, reach).char
    scores, first = compared.scores_at(at, reach), compared.canvas.chars.index(char)
    best = scores.max(axis=(1, 2))
    order = [int(one) for one in np.argsort(-best, kind="stable") if one != first]
    row, column = np.unravel_index(int(scores[first].argmax()), scores.shape[1:])
    place = (at[0] + int(column) - reach, at[1] + int(row) - reach)
    ink, known = _patch(compared.relief, canvas, place)
    evidence, purity = _evidence(canvas, first, ink, known)
    seen, score = float(known[canvas.ink[first] > HALF].mean()), float(best[first])
    if not order:
        return Match(char, score, "", score, evidence, purity, seen)
    second = order[0]
    margin = score - float(best[second])
    return Match(char, score, canvas.chars[second], margin, evidence, purity, seen)


def nats_a_pixel(relief: Relief) -> float:
    """Give what one pixel of ink adds to the logarithm of a likelihood."""
    alike = max(ALIKE_PIXELS, relief.spacing_mm / relief.pixel_mm) ** 2
    return float(0.5 / INK_SD**2 / alike)


def _evidence(canvas: Drawn, first: int, ink: Array, known: Array) -> tuple[float, float]:
    """Give the least shares of differing pixels, and of those seen, that speak for the first."""
    own = canvas.ink[first]
    agrees = (known > 0.0) & ((ink > HALF) == (own > HALF))
    places = [
        np.abs(canvas.ink[other] - own) > HALF
        for other in range(len(canvas.chars)) if other != first
    ] or [own > HALF]
    return (
        min(float(agrees[place].mean()) for place in places),
        min(float(agrees[place].sum()) / max(float(known[place].sum()), 1.0) for place in places),
    )


def _patch(relief: Relief, canvas: Drawn, at: tuple[int, int]) -> tuple[Array, Array]:
    """Cut out ink and known where a character's canvas lies: nothing beyond the border."""
    rows, columns = canvas.ink.shape[1:]
    left, bottom = at[0] - canvas.origin[0], at[1] - canvas.origin[1]
    ink, known = np.zeros((rows, columns)), np.zeros((rows, columns))
    r0, r1 = max(bottom, 0), min(bottom + rows, relief.ink.shape[0])
    c0, c1 = max(left, 0), min(left + columns, relief.ink.shape[1])
    if r1 > r0 and c1 > c0:
        target = np.s_[r0 - bottom : r1 - bottom, c0 - left : c1 - left]
        ink[target] = relief.ink[r0:r1, c0:c1]
        known[target] = relief.known[r0:r1, c0:c1]
    return ink, known
