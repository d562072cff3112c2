"""Which persons and rods of a gauge study to look at: those that chance does not explain."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.core.numbers import Finite
from labkit.qa.gauge.anova import Anova
from labkit.qa.gauge.study import Study, cell_name
from labkit.qa.least_squares import f_tail, t_tail

#: One study in so many, in which nothing is wrong, has something to look at of one kind.
CHANCE = 0.05


@dataclass(frozen=True)
class Person(Finite):
    """How one person measures.

    Args:
        offset_mm: Mean reading minus the mean of all persons.
        sd_mm: Standard deviation of readings of the same rod.
        look: What to look at, "" for nothing.
    """

    name: str
    offset_mm: float
    sd_mm: float
    look: str


@dataclass(frozen=True)
class Rod(Finite):
    """One person's readings of one rod that stand out.

    Args:
        by_mm: Range of the readings, or how much more the person reads here than elsewhere.
    """

    name: str
    person: str
    by_mm: float
    look: str

    @property
    def place(self) -> str:
        """The rod and the person, in words."""
        return cell_name(self.name, self.person)


def persons(study: Study, table: Anova) -> tuple[Person, ...]:
    """Put the persons of a study side by side; none where they do not count.

    Formula: the offset over √(M (1 − 1/o)/(p r)) as Student's t, M the mean square that persons are
    tested against; a person's own variance over that of the others as F; each o times.

    Source: R. G. Miller, Simultaneous Statistical Inference, 2nd edition, Springer 1981, chapter 1:
    Bonferroni's inequality.
    """
    if not study.has_operators:
        return ()
    x = study.array()
    p, o, r = study.shape
    against = table.used[-1] if len(table.used) == 3 else table.used[2]
    error = math.sqrt(max(against.ms_mm2, 0.0) * (1 - 1 / o) / (p * r))
    offsets = x.mean(axis=(0, 2)) - x.mean()
    variances = _variances(study).mean(axis=0)
    out = []
    for name, offset, variance, others in zip(
        study.operators, offsets, variances, _others(variances), strict=True
    ):
        look = []
        if error and o * t_tail(abs(offset) / error, against.dof) < CHANCE:
            look.append(f"reads {'more' if offset > 0 else 'less'} than the others")
        if _more(variance, others, p * (r - 1), o):
            look.append("scatters more than the others")
        out.append(Person(name, float(offset), math.sqrt(variance), "; ".join(look)))
    return tuple(out)


def rods(study: Study, table: Anova) -> tuple[Rod, ...]:
    """Name the rods on which one person's readings stand out.

    Formula: the variance of the trials over that of all others as F; what a mean differs by from
    its rod's and its person's over √(E (1 − 1/p)(1 − 1/o)/r) as Student's t, E the mean square of
    repeated readings; each as often as there are combinations.

    Returns:
        Readings too far apart first, then persons who read otherwise on a rod, one a rod.
    """
    return (*_apart(study), *_otherwise(study, table))


def _apart(study: Study) -> Iterator[Rod]:
    variances = _variances(study)
    others = _others(variances.ravel()).reshape(variances.shape)
    for (part, operator), variance in np.ndenumerate(variances):
        if _more(float(variance), float(others[part, operator]), study.trials - 1, variances.size):
            cell = study.values_mm[part][operator]
            yield Rod(
                study.parts[part], study.operators[operator], float(max(cell) - min(cell)),
                "readings too far apart",
            )


def _otherwise(study: Study, table: Anova) -> Iterator[Rod]:
    p, o, r = study.shape
    repeated = table.sources[-1]
    if not study.has_operators or not repeated.ss_mm2:
        return
    means = study.array().mean(axis=2)
    left = means - means.mean(axis=1)[:, None] - means.mean(axis=0)[None, :] + means.mean()
    error = math.sqrt(repeated.ms_mm2 * (1 - 1 / p) * (1 - 1 / o) / r)
    for part, of_rod in enumerate(left):
        operator = int(np.argmax(np.abs(of_rod)))
        by = float(of_rod[operator])
        if left.size * t_tail(abs(by) / error, repeated.dof) < CHANCE:
            more = "more" if by > 0 else "less"
            yield Rod(
                study.parts[part], study.operators[operator], by, f"reads {more} than on other rods"
            )


def _variances(study: Study) -> NDArray[np.float64]:
    """Give the variance of the trials of each combination, exactly 0 where they are equal."""
    off = [[[float(v - cell[0]) for v in cell] for cell in part] for part in study.values_mm]
    return np.asarray(np.array(off).var(axis=2, ddof=1))


def _others(variances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give for each variance the mean of all others, exactly 0 where all others are."""
    rest = [np.delete(variances, place) for place in range(len(variances))]
    return np.array([float(each.mean()) if len(each) else 0.0 for each in rest])


def _more(variance: float, others: float, dof: int, count: int) -> bool:
    """Tell whether a variance is greater than those of the others and chance explain."""
    if not others > 0.0:
        return variance > 0.0 and count > 1
    return count * f_tail(variance / others, dof, dof * (count - 1)) < CHANCE
