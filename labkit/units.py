"""The only rounding and formatting of millimetres."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

from labkit.errors import InputError

#: Floats are taken as exact to this many decimals before rounding, so that 34.449999999999996
#: (which is 33.6 + 0.85 in binary) counts as the tie that it is on paper.
NOISE_DECIMALS = 9
#: A label always shows at least one decimal, so that "34.0" and "34" cannot stand side by side.
LEAST_LABEL_DECIMALS = 1


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

    >>> millimetres(7.25), millimetres(-0.0001)
    ('7.25', '0.00')
    """
    text = f"{value_mm:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def counted(count: int, noun: str) -> str:
    """Write a count with its noun.

    >>> counted(1, "step"), counted(2, "step")
    ('1 step', '2 steps')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def plain(value: float | Decimal) -> str:
    """Format a number without trailing zeros or an exponent.

    >>> plain(62.50), plain(Decimal("100")), plain(1e-7)
    ('62.5', '100', '0.0000001')
    """
    text = f"{Decimal(repr(value)) if isinstance(value, float) else value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
