"""Numbers and days on the command line: bounded, and kept as they are written."""

from __future__ import annotations

import datetime
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


class _Day(click.ParamType[datetime.date]):
    name = "day"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> datetime.date:
        try:
            day = datetime.date.fromisoformat(str(value))
        except ValueError:
            day = None
        if day is None or day.isoformat() != str(value):  # 2031-W18-5 is a date to Python only
            self.fail(f"{value!r} is not a day; write one such as 2031-03-20", param, ctx)
        return day


#: A day in ISO 8601.
DAY = _Day()
