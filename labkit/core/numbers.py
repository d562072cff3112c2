"""Refusal of numbers that are not numbers, used by every frozen value."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal
from functools import cache
from typing import Any

from labkit.errors import InputError

#: Lengths that differ by less, mm, are equal: it is the rounding noise of binary numbers.
NOISE_MM = 1e-9


def require_finite(instance: object) -> None:
    """Refuse NaN and infinity in any field of a frozen value, nested tuples included.

    Raises:
        InputError: A field holds a number that is not finite.
    """
    cls: Any = type(instance)
    for name in _names(cls):
        value = getattr(instance, name)
        # Most are floats, and thousands of values are made for a set: asked first, without a call.
        if not (math.isfinite(value) if value.__class__ is float else _finite(value)):
            raise InputError(
                f"{name} must be a finite number", field=name, value=value,
                allowed="a finite number",
            )


@cache
def _names(cls: type[Any]) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(cls))


class Finite:
    """A frozen value all of whose numbers are finite; anything else is refused on creation."""

    def __post_init__(self) -> None:
        require_finite(self)


def _finite(value: object) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, Decimal):
        return value.is_finite()
    if isinstance(value, tuple):
        return all(_finite(item) for item in value)
    return True
