"""Rods in between as a page asks for them."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from labkit.core.case.extra_requests import Between, ByPercent, ExtraRequest
from labkit.core.form.numbers import exact_number
from labkit.core.grading.prescription import MOST_STEPS
from labkit.errors import InputError, LabkitError
from labkit.web.asked import refuse_ambiguous
from labkit.workflow.rods.extra import ExtraOrder

#: What is taken as it was recorded, although what is installed has changed.
AS_STORED = ("template_as_stored", "process_as_stored")
#: More rods between two pairs are asked for by their percentages.
MOST_BETWEEN = 5
COUNTS = tuple(map(str, range(1, MOST_BETWEEN + 1)))
#: Characters of a number, and the greatest percentage, that are taken.
LONGEST, MOST_PERCENT = 20, 1000
#: All that a page can tell.
ASKED = ("low", "high", "count", "percent", *AS_STORED)


def order_of(case: str, asked: Mapping[str, str]) -> ExtraOrder:
    """Read an order of rods in between.

    Raises:
        InputError: As `requests_of`.
    """
    stored = [bool(asked.get(name)) for name in AS_STORED]
    return ExtraOrder(case, requests_of(asked), *stored)


def requests_of(asked: Mapping[str, str]) -> tuple[ExtraRequest, ...]:
    """Read what is asked for: a percentage, or a number of rods between two.

    Raises:
        InputError: It is no number, or nothing is asked for.
        RefusedError: As `refuse_ambiguous`.
    """
    if percent := asked.get("percent", "").strip():
        several = percent.split(";")
        if len(several) > MOST_STEPS:
            raise InputError(
                f"{len(several)} rods were asked for at once; ask for at most {MOST_STEPS}"
            )
        return tuple(ByPercent(_number(one)) for one in several)
    if asked.get("low") and asked.get("high"):
        count = asked.get("count") or "1"
        if count not in COUNTS:
            raise InputError(
                f"{count[:LONGEST]!r} is not a number of rods; give a whole number from 1 to "
                f"{MOST_BETWEEN}"
            )
        return (Between(_number(asked["low"]), _number(asked["high"]), int(count)),)
    raise InputError("no rod was asked for; point at what lies between two pairs")


def gap_of(asked: Mapping[str, str]) -> tuple[Decimal, Decimal] | None:
    """Give the two percentages between which rods are asked for; None where they are none."""
    try:
        return _number(asked.get("low", "")), _number(asked.get("high", ""))
    except LabkitError:
        return None


def _number(text: str) -> Decimal:
    wrong = InputError(
        f"{text[:LONGEST]!r} is no percentage from 0 to {MOST_PERCENT}; give a number such as 68.75"
    )
    if len(text) > LONGEST:
        raise wrong
    try:
        value = exact_number(text.replace(",", ".").removesuffix("%").strip())
    except InputError as error:
        raise wrong from error
    if not 0 <= value <= MOST_PERCENT:
        raise wrong
    refuse_ambiguous(text.removesuffix("%").strip(), value, Decimal(MOST_PERCENT))
    return value
