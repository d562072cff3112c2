"""How numbers look on paper: a true minus sign, the same decimals down a column."""

from __future__ import annotations

import re
from collections.abc import Iterable

from labkit.core.grading.steps import percent_decimals, percent_name
from labkit.units import gauge_reading, millimetres, plain, written

MINUS = "\u2212"
#: Offsets of a process show at most this many decimals: a micrometre is less than any gauge sees.
MOST_DECIMALS = 3


def fixed(value: float, decimals: int) -> str:
    """Write a number with a fixed number of decimals and a true minus sign.

    >>> fixed(-5.25, 1), fixed(0.0, 2)
    ('−5.2', '0.00')
    """
    return millimetres(value, decimals).replace("-", MINUS)


def signed(value: float, decimals: int) -> str:
    """Write a number with its sign; nothing stands before a zero.

    >>> signed(1.16, 2), signed(-0.4, 1), signed(0.001, 2)
    ('+1.16', '−0.4', '0.00')
    """
    text = fixed(value, decimals)
    return f"+{text}" if value > 0 and float(text) != 0.0 else text


def as_given(value: float, *, sign: bool = False) -> str:
    """Write a recorded number with the decimals it was recorded with, at least one.

    >>> as_given(0.0125, sign=True), as_given(-4.0), as_given(0.30000000000000004)
    ('+0.013', '−4.0', '0.3')
    """
    decimals = max(1, len(plain(written(value, MOST_DECIMALS)).partition(".")[2]))
    return signed(value, decimals) if sign else fixed(value, decimals)


def on_the_gauge(value: float, *, sign: bool = False) -> str:
    """Write a reading of the bite gauge, or a difference of two, with at least one decimal.

    >>> on_the_gauge(2.9, sign=True), on_the_gauge(7.137886384), on_the_gauge(-4.0)
    ('+2.9', '7.1', '−4.0')
    """
    decimals = max(1, len(gauge_reading(value).partition(".")[2]))
    return signed(value, decimals) if sign else fixed(value, decimals)


def percents(values: Iterable[float]) -> list[str]:
    """Write a column of percentages with the decimals that its longest is shown with.

    Returns:
        One text each, all with the same number of decimals.

    >>> percents([50.0, 62.5, 100.0]), percents([100 / 13, 200 / 13])
    (['50.0', '62.5', '100.0'], ['7.7', '15.4'])
    """
    numbers = list(values)
    decimals = max((percent_decimals(v) for v in numbers), default=0)
    return [fixed(v, decimals) for v in numbers]


def percent(value: float) -> str:
    """Write a percentage by itself, as the sentences of findings do.

    >>> percent(62.5)
    '62.5 %'
    """
    return percent_name(value).replace("-", MINUS)


def chance(p: float) -> str:
    """Write the p of a test in a table.

    >>> chance(0.0312), chance(1e-9)
    ('0.031', '< 0.001')
    """
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def sentence(text: str) -> str:
    """Give a message a capital letter and a full stop.

    >>> sentence("the set spans 3.00 mm; ask for more")
    'The set spans 3.00 mm; ask for more.'
    """
    stopped = text if text.endswith((".", "!", "?")) else f"{text}."
    return stopped[:1].upper() + stopped[1:]


def on_paper(words: str) -> str:
    """Make a sentence of a finding, numbers below zero with a true minus sign.

    >>> on_paper("from -0.52 to 2, for QF-1043 since 2031-03-14; see --lot")
    'From −0.52 to 2, for QF-1043 since 2031-03-14; see --lot.'
    """
    return sentence(re.sub(r"(?<![\w-])-(?=\d)", MINUS, words))


def ticks(low: float, high: float, most: int) -> list[float]:
    """Choose round values between two ends: steps are 1, 2 or 5 times a power of ten.

    Args:
        high: Upper end, above the lower one.
        most: Most values wanted.

    Returns:
        Multiples of the smallest step that gives at most `most` values.

    >>> ticks(0, 11.6, 7)
    [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    """
    scale = 10.0 ** _magnitude((high - low) / max(most, 1))
    for step in (scale * s for s in (1, 2, 5, 10, 20, 50)):
        first, last = _up(low / step), _down(high / step)
        if last - first + 1 <= most:
            return [round(n * step, 9) for n in range(first, last + 1)]
    return [low, high]


def _magnitude(value: float) -> int:
    return int(f"{value:e}".partition("e")[2])


def _up(value: float) -> int:
    return -_down(-value)


def _down(value: float) -> int:
    return int(round(value, 9) // 1)


def lot_told(lot: str | None, use_before: str | None) -> str:
    """Name a lot of material with its last day.

    >>> lot_told("B-17", "2032-03-31"), lot_told("B-17", None), lot_told(None, None)
    ('B-17, use before 2032-03-31', 'B-17', '')
    """
    return f"{lot}, use before {use_before}" if lot and use_before else lot or ""
