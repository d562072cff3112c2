"""How sizes are written on the drawing."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from labkit.core.rod.tolerances import SizeLimits, class_of, fit_limits
from labkit.units import plain, written

DIAMETER, PLUS_MINUS, TIMES, MINUS = "Ø", "±", "×", "−"


def size(value_mm: float) -> str:
    """Write a size without trailing zeros.

    >>> size(7.50), size(3.0)
    ('7.5', '3')
    """
    return plain(written(value_mm, 4))


def deviation(value_mm: Decimal) -> str:
    """Write a limit deviation with its sign; zero has none (ISO 129-1).

    >>> deviation(Decimal("0.014")), deviation(Decimal("-0.03")), deviation(Decimal("0.000"))
    ('+0.014', '−0.03', '0')
    """
    if value_mm == 0:
        return "0"
    return ("+" if value_mm > 0 else MINUS) + plain(abs(value_mm))


def fitted(prefix: str, value_mm: float, fit: str) -> str:
    """Write a diameter with its ISO 286 class, if it has one, and limit deviations.

    >>> fitted("Ø", 2.5, "H8")
    'Ø2.5 H8 (+0.014/0)'
    >>> fitted("Ø", 2.5, "2.50 to 2.54")
    'Ø2.5 (+0.04/0)'
    """
    limits: SizeLimits = fit_limits(fit, value_mm)
    both = f"{deviation(limits.upper_mm)}/{deviation(limits.lower_mm)}"
    return " ".join(filter(None, (f"{prefix}{size(value_mm)}", class_of(fit), f"({both})")))


def times(count: int, words: str) -> str:
    """Say that a size stands for several equal features.

    >>> times(1, "R3"), times(4, "R3")
    ('R3', '4× R3')
    """
    return f"{count}{TIMES} {words}" if count > 1 else words


@dataclass(frozen=True)
class Size:
    """What a dimension says."""

    name: str
    value_mm: float
    words: str


def sized(name: str, value_mm: float, sign: str = "", *, count: int = 1, fit: str = "") -> Size:
    """Say a size as the dimension of one feature, or of several equal ones.

    Args:
        sign: Stands before it, such as "Ø" or "R".
        fit: Its ISO 286 class, if it has one.

    >>> sized("pin diameter", 3.0, "Ø", fit="f7").words, sized("blend", 3.0, "R", count=4).words
    ('Ø3 f7 (−0.006/−0.016)', '4× R3')
    """
    words = fitted(sign, value_mm, fit) if fit else f"{sign}{size(value_mm)}"
    return Size(name, value_mm, times(count, words))
