"""General tolerances of ISO 2768-1 and the limits of size of ISO 286-1, as tables."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from labkit.core.numbers import Finite
from labkit.errors import InputError

#: Upper ends of the size steps of ISO 2768-1; the first step starts at 0.5 mm.
_LINEAR_STEPS_MM = (3, 6, 30, 120)
_LINEAR_FROM_MM = Decimal("0.5")
# Class c below 6 mm is 0.2 / 0.3 (ISO 2768-1:1989); 0.15 / 0.2 in some tables is DIN 7168.
_LINEAR = {
    "f": ("0.05", "0.05", "0.1", "0.15"),
    "m": ("0.1", "0.1", "0.2", "0.3"),
    "c": ("0.2", "0.3", "0.5", "0.8"),
    "v": (None, "0.5", "1.0", "1.5"),
}

#: Upper ends of the size steps of ISO 286-1; the first step starts at 1 mm here.
_FIT_STEPS_MM = (3, 6, 10, 18, 30, 50, 80)
_FIT_FROM_MM = 1
# Micrometres. The printed tables count: the formula behind them does not reproduce them.
_IT_UM = {
    5: (4, 5, 6, 8, 9, 11, 13),
    6: (6, 8, 9, 11, 13, 16, 19),
    7: (10, 12, 15, 18, 21, 25, 30),
    8: (14, 18, 22, 27, 33, 39, 46),
    9: (25, 30, 36, 43, 52, 62, 74),
    10: (40, 48, 58, 70, 84, 100, 120),
    11: (60, 75, 90, 110, 130, 160, 190),
    12: (100, 120, 150, 180, 210, 250, 300),
    13: (140, 180, 220, 270, 330, 390, 460),
    14: (250, 300, 360, 430, 520, 620, 740),
}
# Fundamental deviation es of shafts, micrometres, up to 18 mm.
_SHAFT_ES_UM = {
    "d": (-20, -30, -40, -50),
    "e": (-14, -20, -25, -32),
    "f": (-6, -10, -13, -16),
    "g": (-2, -4, -5, -6),
}
_CLASS = re.compile(r"(H|h|JS|js|d|e|f|g)(\d{1,2})")
#: Limits of size of a template's own, in mm.
_OWN = re.compile(r"(\d{1,2}(?:\.\d{1,3})?) to (\d{1,2}(?:\.\d{1,3})?)")
CLASSES_ALLOWED = (
    "H, h, JS, js, d, e, f or g with a grade from 5 to 14, such as H8 or f7, or limits of size in "
    'mm, such as "2.50 to 2.54"'
)
#: What a fit may look like.
FIT_PATTERN = rf"(H|h|JS|js|d|e|f|g)([5-9]|1[0-4])|{_OWN.pattern}"
#: Limits of a template's own lie this near to the diameter that they are for.
OWN_NEAR_MM = Decimal("0.3")


def linear_tolerance(tolerance_class: str, length_mm: Decimal) -> Decimal:
    """Give the general tolerance of a linear dimension.

    Args:
        tolerance_class: "f" fine, "m" medium, "c" coarse or "v" very coarse.

    Returns:
        The permissible deviation, ±, in mm.

    Validity: 0.5 mm to 120 mm (class v: above 3 mm). The standard is written for metal removal
    and sheet forming; for printed rods it is a convention.

    Raises:
        InputError: Unknown class, or a length for which the table has no value.

    >>> linear_tolerance("f", Decimal("34.4"))
    Decimal('0.15')

    Source: ISO 2768-1:1989, table 1.
    """
    row = _LINEAR.get(tolerance_class)
    if row is None:
        raise InputError(
            f'"{tolerance_class}" is not a tolerance class of ISO 2768-1; use f, m, c or v',
            field="length_tolerance", value=tolerance_class, allowed="f, m, c, v",
        )
    inside = _LINEAR_FROM_MM <= length_mm <= _LINEAR_STEPS_MM[-1]
    value = row[_size_step(length_mm, _LINEAR_STEPS_MM)] if inside else None
    if value is None:
        lowest = "above 3" if tolerance_class == "v" else "from 0.5"
        raise InputError(
            f"ISO 2768-1 class {tolerance_class} has no tolerance for {length_mm} mm; it holds "
            f"{lowest} to 120 mm, so state a tolerance of your own",
            field="length_tolerance", value=length_mm, allowed=f"{lowest} to 120 mm",
        )
    return Decimal(value)


def tolerance_grade(grade: int, size_mm: float) -> Decimal:
    """Give the width of a standard tolerance grade.

    Args:
        grade: 5 for IT5, up to 14.

    Validity: IT5 to IT14, 1 mm to 80 mm.

    Raises:
        InputError: A grade or a size outside the table.

    >>> tolerance_grade(7, 10)
    Decimal('0.015')

    Source: ISO 286-1:2010, table 1.
    """
    row = _IT_UM.get(grade)
    if row is None:
        raise InputError(
            f"tolerance grade IT{grade} is not in the table; use IT5 to IT14",
            field="fit", value=grade, allowed="IT5 to IT14",
        )
    return _micrometres(row[_fit_step(size_mm, len(_FIT_STEPS_MM))])


@dataclass(frozen=True)
class SizeLimits(Finite):
    """Limit deviations of a toleranced size.

    Args:
        lower_mm, upper_mm: Lower and upper limit deviation, signed.
    """

    nominal_mm: Decimal
    lower_mm: Decimal
    upper_mm: Decimal

    @property
    def least_mm(self) -> Decimal:
        """Lower limit of size."""
        return self.nominal_mm + self.lower_mm

    @property
    def most_mm(self) -> Decimal:
        """Upper limit of size."""
        return self.nominal_mm + self.upper_mm

    @property
    def middle_mm(self) -> Decimal:
        """The size halfway between them."""
        return self.nominal_mm + (self.lower_mm + self.upper_mm) / 2


def fit_limits(fit: str, size_mm: float) -> SizeLimits:
    """Give the limits of a hole or shaft with an ISO 286 tolerance class, or with limits in mm.

    Formula: H: 0 … +IT; h: −IT … 0; JS, js: ± IT/2; d, e, f, g: es − IT … es.

    Args:
        fit: Tolerance class, such as "H8" or "f7", or limits of size, such as "2.50 to 2.54".

    Returns:
        The limit deviations, mm.

    Validity: 1 mm to 80 mm; d, e, f and g up to 18 mm.

    Raises:
        InputError: Unknown class, a size outside the tables, or limits that do not go with it.

    >>> limits = fit_limits("g6", 5)
    >>> limits.lower_mm, limits.upper_mm, limits.most_mm
    (Decimal('-0.012'), Decimal('-0.004'), Decimal('4.996'))
    >>> fit_limits("2.50 to 2.54", 2.5).middle_mm
    Decimal('2.52')

    Source: ISO 286-1:2010, tables 1, 2 and 4.
    """
    nominal = Decimal(repr(float(size_mm)))
    if own := _OWN.fullmatch(fit):
        return _own_limits(nominal, Decimal(own[1]), Decimal(own[2]))
    match = _CLASS.fullmatch(fit)
    if match is None:
        raise InputError(
            f'"{fit}" is not a tolerance class that is known here; use {CLASSES_ALLOWED}',
            field="fit", value=fit, allowed=CLASSES_ALLOWED,
        )
    letter, width = match[1], tolerance_grade(int(match[2]), size_mm)
    if letter == "H":
        return SizeLimits(nominal, Decimal(0), width)
    if letter in ("JS", "js"):
        return SizeLimits(nominal, -width / 2, width / 2)
    upper = Decimal(0) if letter == "h" else _shaft_deviation(letter, size_mm)
    return SizeLimits(nominal, upper - width, upper)


def _own_limits(nominal_mm: Decimal, least_mm: Decimal, most_mm: Decimal) -> SizeLimits:
    near = max(abs(least_mm - nominal_mm), abs(most_mm - nominal_mm)) <= OWN_NEAR_MM
    if not (least_mm < most_mm and near):
        raise InputError(
            f"limits of {least_mm} to {most_mm} mm do not go with a diameter of {nominal_mm} mm; "
            f"give the smaller first, both within {OWN_NEAR_MM} mm of the diameter",
            field="fit", value=f"{least_mm} to {most_mm}",
            allowed=f"within {OWN_NEAR_MM} mm of {nominal_mm}",
        )
    return SizeLimits(nominal_mm, least_mm - nominal_mm, most_mm - nominal_mm)


def class_of(fit: str) -> str:
    """Give the ISO 286 class of a fit, empty for limits in mm, which stand for themselves.

    >>> class_of("H8"), class_of("2.50 to 2.54")
    ('H8', '')
    """
    return "" if _OWN.fullmatch(fit) else fit


def _shaft_deviation(letter: str, size_mm: float) -> Decimal:
    row = _SHAFT_ES_UM[letter]
    return _micrometres(row[_fit_step(size_mm, len(row))])


def _fit_step(size_mm: float, columns: int) -> int:
    most = _FIT_STEPS_MM[columns - 1]
    if not _FIT_FROM_MM <= size_mm <= most:
        raise InputError(
            f"a size of {size_mm} mm is outside the ISO 286-1 table kept here; "
            f"use {_FIT_FROM_MM} mm to {most} mm for this tolerance class",
            field="fit", value=size_mm, allowed=f"{_FIT_FROM_MM} to {most} mm",
        )
    return _size_step(size_mm, _FIT_STEPS_MM)


def _size_step(size_mm: float | Decimal, steps_mm: tuple[int, ...]) -> int:
    return next(index for index, most in enumerate(steps_mm) if size_mm <= most)


def _micrometres(value: int) -> Decimal:
    return Decimal(value) / 1000
