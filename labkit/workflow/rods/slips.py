"""Slips in what is asked of a case's record: one sentence each, whichever command it is."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from labkit.core.case.identifier import grouped
from labkit.core.grading.prescription import Side
from labkit.errors import InputError, RefusedError
from labkit.ledger.stored import StoredRod
from labkit.units import LEAST_LABEL_DECIMALS


def refusal(rod: StoredRod, sentence: str) -> RefusedError:
    """Refuse something of a rod."""
    return RefusedError(sentence, field="identifier", value=rod.identifier)


def named_twice(rod: StoredRod) -> InputError:
    """Say that a rod is named more than once."""
    return InputError(
        f"the rod {grouped(rod.identifier)} is named twice; name each rod once",
        field="identifier", value=rod.identifier,
    )


def no_such_entry(case: str, entry: int, what: str, known: Iterable[int]) -> InputError:
    """Say that an entry of the record is not what it is taken for.

    Args:
        what: What is looked for, one of them, such as "order".
        known: Entries of the case that are.
    """
    numbers = [str(number) for number in known]
    there = (
        "it has none" if not numbers else f"the only one is entry {numbers[0]}"
        if len(numbers) == 1 else f"they are the entries {', '.join(numbers)}"
    )
    return InputError(
        f"entry {entry} is no {what} of the case {case!r}; {there} (`labkit show`)",
        field="withdraw", value=entry, allowed=", ".join(numbers),
    )


def no_such_label(case: str, side: Side, length: Decimal, labels: Iterable[str]) -> InputError:
    """Say that no rod of a side ever bore a length.

    Args:
        labels: Those that the rods of that side bear.
    """
    known = ", ".join(dict.fromkeys(labels)) or "none"
    decimals = max(LEAST_LABEL_DECIMALS, -int(length.as_tuple().exponent))
    return InputError(
        f"no {side} rod of the case {case!r} bears {length:.{decimals}f}; its {side} rods are "
        f"{known}; read the label again",
        field=str(side), value=str(length), allowed=known,
    )
