"""The pairs of a case on the scale of advancement, and the gaps between them to point at."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from labkit.core.case.case_standing import CaseStanding, PairNow
from labkit.core.numbers import NOISE_MM
from labkit.units import millimetres

#: The picture is so wide and high, in its own units; pages scale it as a whole. On a telephone the
#: narrow one stands in its place, whose words are read there.
WIDTH, NARROW, HEIGHT = 720.0, 360.0, 176.0
_LEFT, _RIGHT = 34.0, 34.0
#: Words of two pairs that would touch stand one above the other.
_LEAST_WORD, _CHARACTER = 48.0, 8.2
_ROWS = 5


@dataclass(frozen=True)
class Mark:
    """One pair on the scale.

    Args:
        x: Place across.
        row: Height of its words, 0 nearest to the scale.
        words: Its lengths; one where left and right are alike.
        kind: "", "start", "struck" or "new".
    """

    x: float
    row: int
    words: str
    percent: float
    kind: str


@dataclass(frozen=True)
class Gap:
    """What lies between two pairs that follow each other, as far as the maximum.

    Args:
        x, width: Place across.
        low, high: Where it begins and ends, percent.
        mm: How wide it is.
    """

    x: float
    width: float
    low: float
    high: float
    mm: float

    @property
    def words(self) -> str:
        """What pointing at it asks for."""
        low, high = (millimetres(value, 1) for value in (self.low, self.high))
        return f"Rod in between {low} % and {high} %, {millimetres(self.mm)} mm apart"


@dataclass(frozen=True)
class Scale:
    """The whole picture.

    Args:
        end: Place of 100 %.
        ticks: Places of every tenth of the range, with percent.
        millimetres: Places of every millimetre, with its number.
        was: Place of the end of the range as it was; None where it is the same.
        narrow: The same for a telephone; None where this is it.
    """

    width: float
    start: float
    end: float
    ticks: tuple[tuple[float, int], ...]
    millimetres: tuple[tuple[float, int], ...]
    marks: tuple[Mark, ...]
    gaps: tuple[Gap, ...]
    was: float | None = None
    narrow: Scale | None = None

    @property
    def top(self) -> float:
        """Upper edge of the picture: above the words of the highest row."""
        return 36.0 - 30.0 * max(mark.row for mark in self.marks)


@dataclass(frozen=True)
class Shown:
    """A pair to be shown: what it makes, its lengths, and of what kind its mark is."""

    mm: float
    percent: float
    words: str
    kind: str = ""


def scale_of(standing: CaseStanding, new: Sequence[Shown] = ()) -> Scale | None:
    """Lay a case's pairs out by what they make now; None where that is not known of any.

    Args:
        new: What would be made besides.
    """
    pairs = [
        Shown(pair.makes.advancement_mm, pair.makes.percent, one_word(pair.lengths), _kind(pair))
        for pair in standing.in_circulation
        if pair.makes and pair.makes.advancement_mm is not None and pair.makes.percent is not None
    ]
    return laid_out(pairs, standing.now.range_mm, new)


def laid_out(
    pairs: Sequence[Shown], range_mm: float, new: Sequence[Shown] = (),
    was_mm: float | None = None,
) -> Scale | None:
    """Lay pairs out on a range; None where there is nothing to lay out.

    Args:
        new: What would be made besides.
        was_mm: The range as it was before, to be marked; None where it is the same.
    """
    if not pairs or range_mm <= 0:
        return None
    wide, narrow = (_laid_out(pairs, range_mm, new, was_mm, width) for width in (WIDTH, NARROW))
    return replace(wide, narrow=narrow)


def _laid_out(
    pairs: Sequence[Shown], range_mm: float, new: Sequence[Shown], was_mm: float | None,
    width: float,
) -> Scale:
    furthest = max(range_mm, was_mm or 0.0, *(pair.mm for pair in pairs))
    per_mm = (width - _LEFT - _RIGHT) / furthest

    def across(mm: float) -> float:
        return round(_LEFT + mm * per_mm, 2)

    gaps = [
        Gap(across(low.mm), round((end - low.mm) * per_mm, 2), low.percent,
            min(high.percent, 100.0), end - low.mm)
        for low, high in pairwise(pairs)
        # Nothing is made beyond the maximum.
        if (end := min(high.mm, range_mm)) - low.mm > NOISE_MM and high.percent > low.percent
    ]
    shown = sorted([*pairs, *new], key=lambda pair: pair.mm)
    return Scale(
        width, across(0.0), across(range_mm),
        tuple((across(range_mm * ten / 10), ten * 10) for ten in range(11)),
        tuple((across(float(mm)), mm) for mm in range(int(furthest) + 1)),
        tuple(marks_of([(across(pair.mm), pair) for pair in shown])), tuple(gaps),
        None if was_mm is None else across(was_mm),
    )


def _kind(pair: PairNow) -> str:
    return "struck" if pair.not_to_be_worn else "start" if pair.start else ""


def one_word(lengths: str) -> str:
    """Name a pair by its lengths; by one where left and right are alike."""
    left, _, right = lengths.partition("/")
    return left if left == right else lengths


def marks_of(places: Sequence[tuple[float, Shown]]) -> Iterator[Mark]:
    """Give each pair the lowest row where its words touch no other's."""
    ends = [float("-inf")] * _ROWS
    for x, pair in places:
        half = max(_LEAST_WORD, len(pair.words) * _CHARACTER) / 2
        free = [row for row, end in enumerate(ends) if x - half >= end]
        row = free[0] if free else ends.index(min(ends))
        ends[row] = x + half
        yield Mark(x, row, pair.words, pair.percent, pair.kind)
