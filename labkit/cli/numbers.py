"""Numbers on the command line: finite, bounded, and kept as they are written."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import click

from labkit.core.form.numbers import exact_number
from labkit.errors import InputError
from labkit.units import plain


class Number(click.ParamType[Decimal]):
    """A decimal number.

    Args:
        low, high: Least and greatest allowed, both included; None where only its digits count.
    """

    name = "number"

    def __init__(self, low: str | None = None, high: str | None = None) -> None:
        self.low, self.high = (None if bound is None else Decimal(bound) for bound in (low, high))

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Decimal:
        """Read it; NaN and infinity are not numbers here."""
        try:
            number = exact_number(str(value).strip())
        except InputError as error:
            self.fail(error.message, param, ctx)
        too_low = self.low is not None and number < self.low
        if too_low or (self.high is not None and number > self.high):
            low, high = (plain(bound) if bound is not None else "any" for bound in
                         (self.low, self.high))
            self.fail(f"{plain(number)} is out of bounds; allowed is {low} to {high}", param, ctx)
        return number


class Real(click.ParamType[float]):
    """A decimal number with which is only computed; the same reader, the same bounds."""

    name = "number"

    def __init__(self, low: str | None = None, high: str | None = None) -> None:
        self._exact = Number(low, high)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read it."""
        return float(self._exact.convert(value, param, ctx))
