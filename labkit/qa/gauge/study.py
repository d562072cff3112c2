"""A crossed gauge study: the same parts, measured by each operator, several times."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from labkit.core.numbers import Finite
from labkit.errors import InputError, InputErrors, RefusedError
from labkit.units import counted

Values = NDArray[np.float64]

#: Below, the spread of the parts would rest on one degree of freedom.
LEAST_PARTS = 3
LEAST_TRIALS = 2
#: Of the trade, not of statistics: what a study should have to be relied on.
USUAL_PARTS, USUAL_OPERATORS = 10, 3
#: Missing combinations that are told one by one.
_MOST_NAMED = 12


@dataclass(frozen=True)
class Reading(Finite):
    """One reading of a gauge study."""

    part: str
    operator: str
    trial: int | None
    value_mm: Decimal
    reference_mm: Decimal | None = None
    where: str = ""


@dataclass(frozen=True)
class Study:
    """A balanced crossed study.

    Args:
        operators: Names of the operators; one, perhaps without a name, if they do not count.
        values_mm: Readings, part by part, within it operator by operator, then trial by trial.
    """

    parts: tuple[str, ...]
    operators: tuple[str, ...]
    values_mm: tuple[tuple[tuple[Decimal, ...], ...], ...]

    @property
    def trials(self) -> int:
        """Readings of each part by each operator."""
        return len(self.values_mm[0][0])

    @property
    def shape(self) -> tuple[int, int, int]:
        """Numbers of parts, operators and trials."""
        return len(self.parts), len(self.operators), self.trials

    @property
    def has_operators(self) -> bool:
        """Whether operators can be compared."""
        return len(self.operators) > 1

    def array(self) -> Values:
        """Readings in mm, parts × operators × trials."""
        return np.array(self.values_mm, dtype=float)


def study_of(readings: Sequence[Reading]) -> Study:
    """Arrange readings as a balanced study.

    Args:
        readings: In any order; trials without a number are counted in it.

    Validity: every operator measures every part equally often.

    Raises:
        InputErrors: Names that differ in capitals only, a trial given twice, or a combination of
            part and operator with another number of readings than the rest; each is named.
        RefusedError: Too few parts or trials, or no two readings differ.

    >>> rows = [Reading(p, o, t, Decimal(v)) for p, v in (("1", "30.1"), ("2", "31.0"), ("3", "32"))
    ...         for o in ("anna", "ben") for t in (1, 2)]
    >>> study_of(rows).shape
    (3, 2, 2)
    """
    parts = tuple(dict.fromkeys(reading.part for reading in readings))
    operators = tuple(dict.fromkeys(reading.operator for reading in readings))
    cells: dict[tuple[str, str], list[Reading]] = {(p, o): [] for p in parts for o in operators}
    for reading in readings:
        cells[reading.part, reading.operator].append(reading)
    errors = [
        *_alike(parts, "parts"), *_alike(operators, "operators"), *_repeated(cells.values()),
    ]
    if not errors:
        errors = _unbalanced(cells)
    if errors:
        raise InputErrors(tuple(errors))
    file = _file(cells)
    _require_size(len(parts), len(next(iter(cells.values()), ())), file)
    values = tuple(
        tuple(tuple(r.value_mm for r in _in_order(cells[p, o])) for o in operators) for p in parts
    )
    if len({value for part in values for cell in part for value in cell}) == 1:
        raise RefusedError(
            f"all {len(readings)} readings are {values[0][0][0]} mm: nothing differs, so that a "
            "gauge study has nothing to show; take parts that differ, and an instrument with a "
            "finer step", where=file,
        )
    return Study(parts, operators, values)


def cell_name(part: str, operator: str) -> str:
    """Name one combination of part and operator.

    >>> cell_name("3", "anna"), cell_name("3", "")
    ('part 3, operator anna', 'part 3')
    """
    return f"part {part}, operator {operator}" if operator else f"part {part}"


def _in_order(cell: Sequence[Reading]) -> list[Reading]:
    return sorted(cell, key=lambda reading: reading.trial or 0)


def _alike(names: Sequence[str], what: str) -> list[InputError]:
    """Find names that only capitals or spaces tell apart: a slip would make a part of its own."""
    seen: dict[str, str] = {}
    errors = []
    for name in names:
        first = seen.setdefault("".join(name.casefold().split()), name)
        if first != name:
            errors.append(InputError(
                f"the {what} `{first}` and `{name}` differ in capitals or spaces only; write one "
                "name in one way", field=what, value=name,
            ))
    return errors


def _repeated(cells: Iterable[Sequence[Reading]]) -> list[InputError]:
    """Find trials that are given twice, and cells in which only some have a number."""
    errors = []
    for cell in cells:
        numbered = [reading for reading in cell if reading.trial is not None]
        first: dict[int | None, Reading] = {}
        for reading in numbered:
            twin = first.setdefault(reading.trial, reading)
            if twin is not reading:
                errors.append(InputError(
                    f"{cell_name(reading.part, reading.operator)}, trial {reading.trial} is given "
                    f"twice, first in {twin.where or 'an earlier row'}; take one out or give it "
                    "another number", field="trial", value=reading.trial, where=reading.where,
                ))
        if numbered and len(numbered) < len(cell):
            blank = next(reading for reading in cell if reading.trial is None)
            errors.append(InputError(
                "has no trial, others of its part and operator have one; number all or none",
                field="trial", where=blank.where,
            ))
    return errors


def _unbalanced(cells: dict[tuple[str, str], list[Reading]]) -> list[InputError]:
    """Name each combination that has another number of readings than most."""
    counts = Counter(len(cell) for cell in cells.values())
    if len(counts) <= 1:
        return []
    usual = max(counts, key=lambda count: (counts[count], count))
    odd = [(names, len(cell)) for names, cell in cells.items() if len(cell) != usual]
    named = [
        f"{cell_name(*names)} has {counted(count, 'reading')}" for names, count in odd[:_MOST_NAMED]
    ]
    if len(odd) > len(named):
        named.append(f"and {len(odd) - len(named)} more combinations differ")
    return [InputError(
        f"the study is not balanced: most combinations have {counted(usual, 'reading')}, but "
        f"{'; '.join(named)}. Every operator measures every part equally often: measure what is "
        "missing, or leave the part or operator out of the file", field="value", where=_file(cells),
    )]


def _file(cells: dict[tuple[str, str], list[Reading]]) -> str:
    """Give the file that the readings come from, as their own places name it."""
    first = next((reading for cell in cells.values() for reading in cell), None)
    return first.where.rpartition(":")[0] if first else ""


def _require_size(parts: int, trials: int, file: str) -> None:
    if trials < LEAST_TRIALS:
        raise RefusedError(
            "the study has one reading of each part by each operator, so that repeatability cannot "
            f"be separated from the rest; measure every part at least {LEAST_TRIALS} times, or 3",
            where=file,
        )
    if parts < LEAST_PARTS:
        raise RefusedError(
            f"the study has {counted(parts, 'part')}; it needs at least {LEAST_PARTS}, usually "
            f"{USUAL_PARTS}, that differ as much as the rods to be measured", where=file,
        )
