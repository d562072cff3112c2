"""The decision on one length: conforms, does not conform, undecided, by conformance probability."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from enum import StrEnum
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.errors import InputError

#: Least probability with which a rod is called conforming, and non-conforming.
PROBABILITY = 0.95
#: An end of a zone is searched in 64 parts ten times over: 60 bits, more than a double has.
_PARTS, _ROUNDS = 64, 10
#: As many are worked out one by one.
_FEW = 1000

#: The decision rule in words, for papers and screens.
DECISION_RULE = (
    "ISO 14253-1 with a conformance probability of 95 %: a rod conforms when its length lies "
    "between both specification limits with a probability of at least 95 %, and does not conform "
    "when it lies outside with at least 95 % (JCGM 106, both limits together, measurement "
    "uncertainty by the budget, no prior information about the rod); between the two it is "
    "undecided."
)


class Result(StrEnum):
    """What a decision rule says of a rod."""

    CONFORMS = "conforms"
    NOT_CONFORMING = "does not conform"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Zone:
    """An interval of measured lengths, both ends included.

    Args:
        lower_mm, upper_mm: Its ends, mm; infinite where the specification has one limit only.
    """

    lower_mm: float
    upper_mm: float

    def __contains__(self, y_mm: float) -> bool:
        return self.lower_mm <= y_mm <= self.upper_mm


@dataclass(frozen=True)
class Decision:
    """What a measured length proves.

    Args:
        acceptance: Lengths that conform, None where the gauge is too coarse for any.
        rejection: Lengths outside of it do not conform.
    """

    result: Result
    probability: float
    acceptance: Zone | None
    rejection: Zone
    y_mm: float
    u_mm: float
    lower_mm: float
    upper_mm: float


@overload
def conformance_probability(
    y_mm: float, u_mm: float, lower_mm: float, upper_mm: float, dof: float = math.inf
) -> float: ...
@overload
def conformance_probability(
    y_mm: NDArray[np.float64], u_mm: ArrayLike, lower_mm: ArrayLike, upper_mm: ArrayLike,
    dof: ArrayLike = math.inf,
) -> NDArray[np.float64]: ...
def conformance_probability(
    y_mm: float | NDArray[np.float64],
    u_mm: ArrayLike,
    lower_mm: ArrayLike,
    upper_mm: ArrayLike,
    dof: ArrayLike = math.inf,
) -> float | NDArray[np.float64]:
    """Give the probability that a length lies between both specification limits.

    Formula: p = F((T_U − y)/u) − F((T_L − y)/u), F the normal distribution function, or Student's
    with ν degrees of freedom where ν is finite.

    Args:
        y_mm: Measured length, mm; an array gives an array.
        u_mm: Combined standard uncertainty, mm, above 0.
        lower_mm: Lower specification limit, mm; minus infinity for none.
        upper_mm: Upper specification limit, mm; infinity for none.

    Validity: nothing is known of the length but the measurement (flat prior). With few degrees of
    freedom u is itself in doubt: (Y − y)/u then follows Student's t (GUM G.3, exact for a series of
    normal readings, else the approximation of Welch and Satterthwaite). It has more in its tails
    than the normal distribution, so that acceptance zones shrink: the doubt goes against whoever
    states conformity.

    Raises:
        InputError: A length that is no number, u not above 0, limits in the wrong order.

    >>> round(conformance_probability(13.6, 1.8, 12.5, 16.3), 5)
    0.66263

    Source: JCGM 106:2012, 7.2 to 7.4.
    """
    y, u, low, high, nu = np.broadcast_arrays(
        *(np.asarray(value, np.float64) for value in (y_mm, u_mm, lower_mm, upper_mm, dof))
    )
    _require(y, u, low, high, nu)
    below, above = (low - y) / u, (high - y) / u
    # Both in the right tail: the difference of the mirrored ones keeps its digits.
    flip = below > 0
    below, above = np.where(flip, -above, below), np.where(flip, -below, above)
    p = _cdf(above, nu) - _cdf(below, nu)
    return p if isinstance(y_mm, np.ndarray) else float(p)


def acceptance_zone(
    lower_mm: float,
    upper_mm: float,
    u_mm: float,
    probability: float = PROBABILITY,
    dof: float = math.inf,
) -> Zone | None:
    """Find the measured lengths that conform: those with p ≥ 95 %, both limits together.

    Formula: the two y, alike far from the middle, with p(y) = 95 %. While the tolerance is wide
    against u this is 1.6449 u inside each limit; where it is not, that guard band would accept
    lengths with p below 95 %.

    Args:
        probability: Conformance probability asked for, above 0.5.

    Returns:
        The zone, None where p is below 95 % even in the middle: the gauge is too coarse.

    Validity: a rod whose true length lies at or beyond a limit is accepted with a probability of
    at most 5 %, whatever its length, where errors are normal with standard deviation u.

    Raises:
        InputError: As for `conformance_probability`; or a probability out of range.

    >>> acceptance_zone(-0.05, 0.05, 0.03) is None
    True
    >>> zone = acceptance_zone(-0.1, 0.1, 0.03)
    >>> round(zone.upper_mm, 5)
    0.05065

    Source: ISO 14253-1:2017, 5; JCGM 106:2012, 8.3.
    """
    require_probability(probability)
    return _zone(lower_mm, upper_mm, u_mm, probability, dof)


def rejection_zone(
    lower_mm: float,
    upper_mm: float,
    u_mm: float,
    probability: float = PROBABILITY,
    dof: float = math.inf,
) -> Zone:
    """Find the interval outside of which a length does not conform: there p ≤ 5 %.

    Args:
        probability: Probability of non-conformity asked for, above 0.5.

    Returns:
        The interval; never narrower than the specification: a length that was measured between the
        limits is not called non-conforming, however coarse the gauge.

    Raises:
        InputError: As for `acceptance_zone`.

    >>> round(rejection_zone(-0.1, 0.1, 0.03).upper_mm, 5)
    0.14935

    Source: ISO 14253-1:2017, 5; JCGM 106:2012, 8.3.
    """
    require_probability(probability)
    zone = _zone(lower_mm, upper_mm, u_mm, 1 - probability, dof)
    if zone is None:
        return Zone(lower_mm, upper_mm)
    return Zone(min(zone.lower_mm, lower_mm), max(zone.upper_mm, upper_mm))


def decide(
    y_mm: float,
    u_mm: float,
    lower_mm: float,
    upper_mm: float,
    probability: float = PROBABILITY,
    dof: float = math.inf,
) -> Decision:
    """Decide on one measured length.

    Validity: what is promised. Whatever the true length, a rod at or beyond a limit is accepted
    with a probability of at most 5 %; of rods of any length alike, at most 5 % of the accepted ones
    lie outside and at most 5 % of the rejected ones lie inside. An error that a gauge keeps from
    rod to rod, such as that of its calibration, is part of u: for that part the promise is about
    gauges with such certificates, not about one gauge again and again.

    Raises:
        InputError: As for `acceptance_zone`.

    >>> print(decide(33.62, 0.02, 33.45, 33.75).result)
    conforms

    Source: ISO 14253-1:2017, 5.
    """
    (result,) = results(np.array([y_mm]), u_mm, (lower_mm, upper_mm), probability, dof)
    return Decision(
        result=Result(result),
        probability=conformance_probability(y_mm, u_mm, lower_mm, upper_mm, dof),
        acceptance=acceptance_zone(lower_mm, upper_mm, u_mm, probability, dof),
        rejection=rejection_zone(lower_mm, upper_mm, u_mm, probability, dof),
        y_mm=y_mm,
        u_mm=u_mm,
        lower_mm=lower_mm,
        upper_mm=upper_mm,
    )


def results(
    y_mm: NDArray[np.float64],
    u_mm: ArrayLike,
    limits_mm: tuple[ArrayLike, ArrayLike],
    probability: float = PROBABILITY,
    dof: ArrayLike = math.inf,
) -> NDArray[np.object_]:
    """Decide on many measured lengths.

    Raises:
        InputError: As for `acceptance_zone`.
    """
    require_probability(probability)
    lower, upper = limits_mm
    p = conformance_probability(y_mm, u_mm, lower, upper, dof)
    outside = (y_mm < np.asarray(lower)) | (y_mm > np.asarray(upper))
    decided = np.full(p.shape, Result.UNDECIDED, dtype=object)
    decided[p >= probability] = Result.CONFORMS
    decided[(p <= 1 - probability) & outside] = Result.NOT_CONFORMING
    return decided


def require_probability(probability: float) -> None:
    """Refuse a conformance probability that would let a doubtful rod pass.

    Raises:
        InputError: It is not above 0.5 and below 1.
    """
    if not 0.5 < probability < 1:
        raise InputError(
            f"a conformance probability of {probability} cannot decide; it must lie above 0.5 and "
            "below 1, such as 0.95",
            field="probability", value=probability, allowed="above 0.5 and below 1",
        )


@functools.lru_cache(maxsize=4096)
def _zone(
    lower_mm: float, upper_mm: float, u_mm: float, probability: float, dof: float
) -> Zone | None:
    """Solve p(y) = probability on both sides of the middle; None where p never gets there."""
    if math.isinf(lower_mm) or math.isinf(upper_mm):
        # p falls all the way from 1 to 0: the quantile itself. Bad limits are refused here, too.
        conformance_probability(0.0, u_mm, lower_mm, upper_mm, dof)
        from scipy.special import ndtri, stdtrit

        band = u_mm * float(ndtri(probability) if math.isinf(dof) else stdtrit(dof, probability))
        return Zone(lower_mm + band, upper_mm - band)
    half = (upper_mm - lower_mm) / 2
    # About 0, so that a long rod costs no digits.
    if conformance_probability(0.0, u_mm, -half, half, dof) < probability:
        return None
    inside, outside = 0.0, half + u_mm
    while conformance_probability(outside, u_mm, -half, half, dof) >= probability:
        outside *= 2
    for _ in range(_ROUNDS):
        between = np.linspace(inside, outside, _PARTS + 1)
        p = conformance_probability(between, u_mm, -half, half, dof)
        # p falls from the middle outwards; the first is at or above, the last below.
        last = int(np.flatnonzero(p >= probability)[-1])
        if last == _PARTS:
            break
        inside, outside = float(between[last]), float(between[last + 1])
    return Zone(lower_mm + half - inside, upper_mm - half + inside)


def _cdf(z: NDArray[np.float64], dof: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distribution function: normal where the degrees of freedom are infinite, else Student's."""
    if z.size <= _FEW and np.isinf(dof).all():
        # Φ(z) = erfc(−z/√2)/2; a set is made with it alone, and loading scipy takes 0.25 s.
        root = math.sqrt(2.0)
        return np.array([math.erfc(-each / root) / 2 for each in z.flat]).reshape(z.shape)
    from scipy.special import ndtr, stdtr

    few = np.where(np.isinf(dof), 1.0, dof)
    student: NDArray[np.float64] = np.where(np.isinf(dof), ndtr(z), stdtr(few, z))
    return student


def _require(
    y: NDArray[np.float64],
    u: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    dof: NDArray[np.float64],
) -> None:
    for wrong, message, field in (
        (~np.isfinite(y), "a measured length must be a finite number", "y_mm"),
        (~(np.isfinite(u) & (u > 0)), "a standard uncertainty must be above 0", "u_mm"),
        (~(low < high), "the lower specification limit must be below the upper one", "lower_mm"),
        (~(dof >= 1), "degrees of freedom must be 1 or more, or infinite", "dof"),
    ):
        if wrong.any():
            raise InputError(message, field=field)
