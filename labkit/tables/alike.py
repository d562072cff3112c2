"""Tells mistakes of one kind in one sentence: a spoilt column is one mistake, not one a line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from labkit.errors import InputError
from labkit.units import counted, runs

#: So many mistakes of one kind are told one by one, unless every word is the same.
_FEW = 2
_PLACE = re.compile(r":([0-9]+)(?:, column ([0-9]+)(?: \(.*\))?)?")
#: What differs from cell to cell: quoted text, numbers with a side mark, identifiers.
_OWN = re.compile(r'"[^"]*"|[0-9]+(?:[-., ]*[0-9]+)*[LR]?')


def told_together(errors: Iterable[InputError]) -> tuple[InputError, ...]:
    """Tell mistakes of one kind together.

    Args:
        errors: Mistakes of one file, each with its place.

    Returns:
        Of two of a kind each, unless they say the same; of more the first one, which says where the
        others are. Of one kind are sentences that differ in quoted text and numbers only.

    >>> spoilt = [InputError(f'"{n}" is odd', where=f"a.csv:{n}, column 3 (x)") for n in (2, 3, 4)]
    >>> print(*told_together(spoilt))
    a.csv:2, column 3 (x): "2" is odd; likewise in 2 more cells: lines 3 and 4
    """
    kinds: dict[str, list[InputError]] = {}
    for error in errors:
        # Without a line there is no more to be said of where it is.
        placed = _PLACE.search(error.where)
        kinds.setdefault(_OWN.sub("#", error.message) if placed else str(error), []).append(error)
    return tuple(told for alike in kinds.values() for told in _one_kind(alike))


def _one_kind(alike: Sequence[InputError]) -> Sequence[InputError]:
    same = len({error.message for error in alike}) == 1
    if len(alike) <= (1 if same else _FEW):
        return alike
    first, *rest = alike
    message = f"{first.message}; likewise {_elsewhere(first, rest)}"
    return [InputError(
        message, field=first.field, value=first.value, allowed=first.allowed, where=first.where
    )]


def _elsewhere(first: InputError, rest: Sequence[InputError]) -> str:
    """Say where the others are: by column, by line, or both."""
    line, column = _place(first)
    lines, columns = zip(*map(_place, rest), strict=True)
    if set(columns) == {column}:
        noun = "cell" if column else "line"
        return f"in {counted(len(rest), f'more {noun}')}: {_listed('line', lines)}"
    told = _listed("column", (*columns, column))
    if set(lines) != {line}:
        told += f" of {_listed('line', (*lines, line))}"
    return f"in {counted(len(rest), 'more cell')}: {told}"


def _place(error: InputError) -> tuple[int, int]:
    """Line and column of an error, 0 where it names no column."""
    found = _PLACE.search(error.where)
    return (int(found[1]), int(found[2] or 0)) if found else (0, 0)


def _listed(noun: str, numbers: Iterable[int]) -> str:
    """List numbers, neighbours as a range.

    >>> _listed("line", [5, 3, 4, 8]), _listed("column", [7])
    ('lines 3 to 5 and 8', 'column 7')
    """
    found, told = runs(set(numbers)), list[str]()
    for run in found:
        told += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else map(str, run)
    most = f"{', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else told[0]
    return f"{noun if len(found) == 1 and len(found[0]) == 1 else noun + 's'} {most}"
