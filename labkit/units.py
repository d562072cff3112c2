"""The only rounding and formatting of numbers: lengths on the grid, and what files hold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from types import MappingProxyType
from typing import Any

from labkit.errors import InputError

#: Names in a sentence before "and more".
MOST_NAMED = 4
#: Nobody types a reading of a bite gauge with more decimals.
TYPED_DECIMALS = 2
#: Floats are taken as exact to this many decimals before rounding, so that 34.449999999999996
#: (which is 33.6 + 0.85 in binary) counts as the tie that it is on paper.
NOISE_DECIMALS = 9
#: A label always shows at least one decimal, so that "34.0" and "34" cannot stand side by side.
LEAST_LABEL_DECIMALS = 1
#: Decimals of written numbers by the last word of their name, which is their unit; others have
#: NOISE_DECIMALS. Enough to tell any two settings apart, few enough that the last digits of binary
#: arithmetic, which differ between processors, are not among them.
WRITTEN_DECIMALS: Mapping[str, int] = MappingProxyType({
    "mm": NOISE_DECIMALS,  # also mm_per_mm
    "deg": NOISE_DECIMALS,
    "percent": NOISE_DECIMALS,
    "mm2": 15,  # variances: 1 nm squared is 1e-12 mm²
    "mm3": 6,
    "c": 12,  # expansion per °C, some 1e-5
    "u": 12,  # standard uncertainty of a scale, some 1e-5
    "score": 4,  # how alike two pictures are, 0 to 1
    "margin": 4,
})
#: Decimals of a check's numbers by its unit: six see every difference that a check looks for; tilts
#: have no unit and are held to 1e-9.
CHECK_DECIMALS: Mapping[str, int] = MappingProxyType({"mm": 6, "mm³": 6, "": NOISE_DECIMALS})
#: A written number has no more digits than these, however large it is.
MOST_DIGITS = 12
#: Decimals beyond the last one that are looked at: real values such as 0.0125 lie on ties between
#: two last digits, and noise further back must not decide for one of them.
GUARD_DECIMALS = 3


def written(value: float, decimals: int = NOISE_DECIMALS) -> float:
    """Round a number to what is written of it: the same digits on every machine.

    Formula: v rounded to MOST_DIGITS digits, to decimals + GUARD_DECIMALS, to decimals, in turn.

    Returns:
        The number; noise is 0, never −0. Written again, it stays the same.

    Validity: noise below half of the last guard decimal, and values that do not lie within it
    beside a tie of the guard decimals.

    >>> written(5.499999999999998), written(-3e-17), written(0.012500000000000001, 3)
    (5.5, 0.0, 0.013)
    """
    clean = float(f"{value:.{MOST_DIGITS}g}")
    return round(round(clean, decimals + GUARD_DECIMALS), decimals) + 0.0


def as_written(content: Any, name: str = "") -> Any:
    """Round every number of JSON content to what is written of it.

    Args:
        content: Tables, lists, numbers, text.
        name: Key of the content; its last word tells the unit.

    Returns:
        The same content; floats as WRITTEN_DECIMALS says, whole numbers and text untouched.

    >>> as_written({"exact_mm": [31.300000000000004], "label_margin": 0.34978365, "n": 3})
    {'exact_mm': [31.3], 'label_margin': 0.3498, 'n': 3}
    """
    if isinstance(content, float):
        unit = name.rpartition("_")[2]
        return written(content, WRITTEN_DECIMALS.get(unit, NOISE_DECIMALS))
    if isinstance(content, Mapping):
        return {key: as_written(item, str(key)) for key, item in content.items()}
    if isinstance(content, (list, tuple)):
        return [as_written(item, name) for item in content]
    return content


def to_grid(value_mm: float, grid_mm: Decimal) -> Decimal:
    """Round a length to the nearest multiple of the length grid.

    Formula: grid · round(value / grid), a tie going to the even multiple.

    Returns:
        The made length as a Decimal with the decimals of the grid, at least one.

    Validity: finite values up to 10 m; binary noise below 0.5e-9 mm is ignored.

    Raises:
        InputError: The value or the grid is not a finite number, or the grid is not positive.

    >>> to_grid(33.6 + 0.85, Decimal("0.1"))
    Decimal('34.4')
    >>> to_grid(31.08, Decimal("0.05"))
    Decimal('31.10')

    Source: ISO 80000-1:2009, B.2 rule A (ties to the even multiple; clause from memory).
    """
    exact = Decimal(repr(float(value_mm)))
    if not exact.is_finite() or not grid_mm.is_finite() or grid_mm <= 0:
        raise InputError(
            f"a length of {value_mm} mm cannot be rounded to a grid of {grid_mm} mm; "
            "both must be finite numbers and the grid above 0",
            field="grid",
            value=value_mm,
        )
    clean = exact.quantize(Decimal(1).scaleb(-NOISE_DECIMALS))
    count = (clean / grid_mm).to_integral_value(rounding=ROUND_HALF_EVEN)
    return (count * grid_mm).quantize(Decimal(1).scaleb(-label_decimals(grid_mm)))


def label_decimals(grid_mm: Decimal) -> int:
    """Count the decimals that a label on this length grid shows.

    Returns:
        Number of decimals, at least one.

    >>> label_decimals(Decimal("0.05")), label_decimals(Decimal("1"))
    (2, 1)
    """
    exponent = grid_mm.normalize().as_tuple().exponent
    return max(LEAST_LABEL_DECIMALS, -exponent if isinstance(exponent, int) else 0)


def millimetres(value_mm: float, decimals: int = 2) -> str:
    """Format a length for people, with a fixed number of decimals and no unit.

    Returns:
        The number alone; never −0.

    >>> millimetres(7.25), millimetres(-0.0001), millimetres(34.4449996)
    ('7.25', '0.00', '34.44')
    """
    # Noise goes first, at its own place: rounding nearer to the last decimal would round twice.
    text = f"{written(value_mm):.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def gauge_reading(value_mm: float | Decimal) -> str:
    """Write a reading of the bite gauge, or a difference of two, for people.

    Returns:
        The number as it was typed; one with more than TYPED_DECIMALS was worked out, and is given
        to the tenth that a gauge reads.

    >>> gauge_reading(6.4), gauge_reading(7.25), gauge_reading(7.137886384), gauge_reading(-4.0)
    ('6.4', '7.25', '7.1', '-4')
    """
    clean = written(float(value_mm))
    typed = clean == round(clean, TYPED_DECIMALS)
    return plain(clean) if typed else millimetres(clean, 1)


def counted(count: int, noun: str) -> str:
    """Write a count with its noun.

    >>> counted(1, "step"), counted(2, "step")
    ('1 step', '2 steps')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def first_few(names: Sequence[str], between: str = ", ", most: int = MOST_NAMED) -> str:
    """Name the first of many in a sentence, and count the rest.

    >>> first_few(["a", "b", "c"]), first_few(["a", "b", "c", "d"], most=2)
    ('a, b, c', 'a, b and 2 more')
    """
    rest = len(names) - most
    return between.join(names[:most]) + (f" and {rest} more" if rest > 0 else "")


def runs(numbers: Iterable[int]) -> list[list[int]]:
    """Put whole numbers in order, neighbours together.

    >>> runs([16, 14, 19, 15])
    [[14, 15, 16], [19]]
    """
    found: list[list[int]] = []
    for number in sorted(numbers):
        if found and number == found[-1][-1] + 1:
            found[-1].append(number)
        else:
            found.append([number])
    return found


def hundredths(value: float | Decimal) -> str:
    """Format a number of mm without trailing zeros beyond the hundredths, so that columns align.

    >>> hundredths(Decimal("0.1")), hundredths(0.125), hundredths(Decimal("28.60"))
    ('0.10', '0.125', '28.60')
    """
    whole, _, part = plain(value).partition(".")
    return f"{whole}.{part:0<2}"


def plain(value: float | Decimal) -> str:
    """Format a number without trailing zeros or an exponent.

    >>> plain(62.50), plain(Decimal("100")), plain(1e-7)
    ('62.5', '100', '0.0000001')
    """
    text = f"{Decimal(repr(value)) if isinstance(value, float) else value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
