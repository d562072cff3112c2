"""Typing slips among readings: asked about, never mended."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from labkit.core.gauging.ways_of_measuring import Way
from labkit.qa.decision.readings import Expected
from labkit.units import plain

#: A reading this far from what is expected is asked about. A slip in the digit before the decimal
#: sign is 1 mm; no process makes rods that are wrong by as much and look right.
FAR_MM = Decimal("0.8")
#: A reading times a factor counts as the expected one within this share of it.
_NEAR_SHARE = Decimal("0.15")
#: No rod of a set measures less than half or more than twice of what is expected.
_IMPOSSIBLE = 2
#: As near to a nominal reading as this, in tolerances, counts as meant.
_NEAR_TOLERANCES = 2
_FACTORS = (
    (Decimal(1) / 10, "ten times too large: is the decimal sign missing or misplaced?"),
    (Decimal(1) / 100, "a hundred times too large: is the decimal sign missing?"),
    (Decimal(1) / 1000, "a thousand times too large: micrometres, or no decimal sign?"),
    (Decimal(10), "ten times too small: is the decimal sign misplaced?"),
    (Decimal(100), "a hundred times too small: is the decimal sign misplaced?"),
    (Decimal("25.4"), "what it would be in inches; readings are in mm;"),
    (1 / Decimal("25.4"), "25.4 times too large: turned from mm as if it were inches?"),
)
#: Rods of which every one reads its nominal to the last digit before that is asked about.
_COPIES = 3


@dataclass(frozen=True)
class Slip:
    """A reading that nobody can have meant, or that somebody should look at again.

    Args:
        sentence: What was expected, what it looks like and what to do, to follow the reading.
        certain: Whether it cannot be a rod of this set at all, so that it is never recorded.
    """

    sentence: str
    certain: bool


@dataclass(frozen=True)
class Typing:
    """What readings of one rod are compared with.

    Args:
        others: Lengths of the other labels of the set, mm.
        cells: Other numbers that stand in its row, by name.
    """

    expected: Expected
    way: Way
    ways: tuple[Way, ...]
    others: frozenset[Decimal]
    cells: Mapping[str, Decimal]

    @property
    def nominal_mm(self) -> Decimal:
        """Reading of a rod in the middle of everything."""
        return self.expected.length_mm + self.way.shift_mm

    def near(self, reading: Decimal, length: Decimal, way: Way) -> bool:
        """Tell whether a reading is that of a length, measured in a way."""
        most = _NEAR_TOLERANCES * self.expected.tolerance_mm
        return abs(reading - length - way.shift_mm) <= most


def slip_in(reading_mm: Decimal, typing: Typing) -> Slip | None:
    """Look at one reading as typed.

    Returns:
        What it looks like; None for a reading near the expected one, or near that of another rod of
        the set (which is a matter of mixed-up rods, not of typing).

    >>> from labkit.core.gauging.ways_of_measuring import Method, shifted_way
    >>> from labkit.core.rod.rods import Eye
    >>> way = shifted_way(Method.OVER, (Eye(2.5, 7.5, "H8"),) * 2)
    >>> rod = Expected("4829173065", 1, "left", "33.6", "", Decimal("33.6"), Decimal("0.15"))
    >>> typing = Typing(rod, way, (way,), frozenset(), {})
    >>> slip = slip_in(Decimal("360.8"), typing)
    >>> slip.certain, slip.sentence[:44]
    (True, '36.088 expected "over": this is ten times to')
    """
    nominal = typing.nominal_mm
    if abs(reading_mm - nominal) < FAR_MM:
        return None
    if any(typing.near(reading_mm, length, typing.way) for length in typing.others):
        return None
    words, certain = next(_looks_like(reading_mm, typing))
    expected = f'{plain(nominal)} expected "{typing.way.method}":'
    return Slip(f"{expected} {words}", certain)


def _looks_like(reading: Decimal, typing: Typing) -> Iterator[tuple[str, bool]]:
    """Say what a reading far off may be, the likeliest first, and whether that is certain."""
    length, nominal = typing.expected.length_mm, typing.nominal_mm
    for factor, what in _FACTORS:
        if abs(reading * factor - nominal) <= _NEAR_SHARE * nominal:
            yield f"this is {what} type it again", True
    for name, value in typing.cells.items():
        if reading == value:
            yield f"this is the row's {name}; give the reading", True
    if reading == length and typing.way.shift_mm:
        yield (
            "this is the label, or a length already converted; give the reading as the instrument "
            "shows it", True,
        )
    for way in typing.ways:
        if way is not typing.way and typing.near(reading, length, way):
            told = f'this is what "{way.method}" ({way.title}) gives'
            yield f"{told}; state the way that was used", False
    for swapped in _swapped(reading):
        if typing.near(swapped, length, typing.way):
            yield f"are two digits swapped ({swapped})? look at the instrument again", False
    off = plain(abs(reading - nominal))
    wild = not nominal / _IMPOSSIBLE < reading < nominal * _IMPOSSIBLE
    yield f"this is {off} mm off; look at the instrument and the rod again", wild


def _swapped(reading: Decimal) -> Iterator[Decimal]:
    """Give the numbers with two neighbouring digits swapped.

    >>> [str(number) for number in _swapped(Decimal("63.8"))]
    ['36.8', '68.3']
    """
    text = f"{reading:f}"
    places = [at for at, sign in enumerate(text) if sign.isdigit()]
    for first, second in pairwise(places):
        if text[first] != text[second]:
            signs = list(text)
            signs[first], signs[second] = text[second], text[first]
            yield Decimal("".join(signs))


def copied_column(rows: Sequence[tuple[Sequence[Decimal], Mapping[str, Decimal]]]) -> str:
    """Find a column of the form that was copied into the readings of every rod.

    Args:
        rows: For each rod measured its readings, and the numbers of the form by name.

    Returns:
        Name of the column; empty where not every reading of three rods or more equals it.

    >>> rows = [([Decimal(n)], {"nominal_mm": Decimal(n)}) for n in ("36.09", "35.39", "34.69")]
    >>> copied_column(rows), copied_column(rows[:2])
    ('nominal_mm', '')
    """
    if len(rows) < _COPIES:
        return ""
    names = set.intersection(*(set(cells) for _, cells in rows))
    for name in sorted(names):
        if all(reading == cells[name] for readings, cells in rows for reading in readings):
            return name
    return ""
