"""Values of a process as they are judged: in order, with limits and what sets them apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from labkit.core.numbers import require_finite
from labkit.errors import InputError
from labkit.qa.process.capability import Limits
from labkit.qa.process.groups import Values, grouped

#: Below this chance groups are said to differ.
DIFFERENT = 0.01


@dataclass(frozen=True)
class Grouping:
    """One way of telling the values apart.

    Args:
        order: The groups as they are shown; empty for the order in which they come first.
    """

    name: str
    marks: tuple[str, ...]
    order: tuple[str, ...] = ()

    @property
    def groups(self) -> tuple[str, ...]:
        """The different groups in their order."""
        return self.order or tuple(dict.fromkeys(self.marks))


@dataclass(frozen=True)
class Sample:
    """Values of a process, one for each rod or part, in the order in which they were made.

    Args:
        title: What was measured, such as "length minus nominal".
        unit: "mm" and the like, empty if not said.
        names: Name of each: a rod's identifier, a line of a file.
        limits: What they shall keep, None where only a chart is wanted.
        about: Labels and values that say what was chosen.
        subgroups: Which of them gives the spread within; None for neighbours.
        uncertainty: Standard uncertainty of one value, same unit, None if not known.
        notes: What there is to say about the data, whole sentences.
        ends: What a value below the lower and one above the upper limit is called.
    """

    title: str
    unit: str
    values: tuple[float, ...]
    names: tuple[str, ...]
    limits: Limits | None
    about: tuple[tuple[str, str], ...] = ()
    groupings: tuple[Grouping, ...] = ()
    subgroups: Grouping | None = None
    uncertainty: float | None = None
    notes: tuple[str, ...] = ()
    ends: tuple[str, str] = ("too low", "too high")

    def __post_init__(self) -> None:
        require_finite(self)
        marks = [g.marks for g in (*self.groupings, *((self.subgroups,) if self.subgroups else ()))]
        if any(len(of_each) != len(self.values) for of_each in (self.names, *marks)):
            raise InputError("every value of a sample needs a name and a group", field="values")


@dataclass(frozen=True)
class GroupLine:
    """One group beside the others."""

    mark: str
    n: int
    mean: float
    sd: float | None
    lowest: float
    highest: float


def group_lines(values: Sequence[float], grouping: Grouping) -> tuple[GroupLine, ...]:
    """Put groups of values side by side.

    >>> lots = Grouping("lot", ("a", "a", "b"))
    >>> [(line.mark, line.mean) for line in group_lines([1, 2, 6], lots)]
    [('a', 1.5), ('b', 6.0)]
    """
    return tuple(_line(mark, part) for mark, part in _parts(values, grouping))


def difference_chance(values: Sequence[float], grouping: Grouping) -> float | None:
    """Give the chance of group means at least so far apart if all groups are of one process.

    Formula: F = (between groups)/(within groups), mean squares of the one-way analysis of variance.

    Returns:
        The chance; None with one group, without two values in any, or where nothing differs.

    >>> difference_chance([1, 1, 2, 2], Grouping("lot", ("a", "a", "b", "b")))
    0.0

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.3.
    """
    parts = [part for _, part in _parts(values, grouping)]
    n, k = len(values), len(parts)
    if k < 2 or n <= k:
        return None
    whole = float(np.mean(np.asarray(values, float)))
    between = sum(len(part) * (float(part.mean()) - whole) ** 2 for part in parts) / (k - 1)
    within = sum(float(np.sum((part - part.mean()) ** 2)) for part in parts) / (n - k)
    if not within > 0.0:
        return 0.0 if between > 0.0 else None
    return float(fdtrc(k - 1, n - k, between / within))


def _parts(values: Sequence[float], grouping: Grouping) -> list[tuple[str, Values]]:
    parts = grouped(values, grouping.marks)
    return [(mark, parts[mark]) for mark in grouping.groups]


def _line(mark: str, part: Values) -> GroupLine:
    sd = float(part.std(ddof=1)) if len(part) > 1 else None
    return GroupLine(
        mark, len(part), float(part.mean()), sd, float(part.min()), float(part.max())
    )
