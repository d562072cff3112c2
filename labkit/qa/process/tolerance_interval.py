"""Tolerance intervals: where a stated share of all rods lies, with a stated confidence."""

from __future__ import annotations

import math

from scipy.special import chdtri, nctdtrit, ndtri

from labkit.errors import InputError, RefusedError


def two_sided_factor(n: int, share: float, confidence: float) -> float:
    """Give k of the interval mean ± k·s that holds at least a share of a normal population.

    Formula: Howe's factor × √(1 + (n − 3 − χ²)/(2 (n + 1)²)), χ² as for Howe's.

    Validity: Normal population; from 10 values at most 1 % wider than the exact interval.

    Raises:
        InputError: A share or confidence is outside its range.
        RefusedError: Fewer than two values.

    >>> round(two_sided_factor(200, 0.90, 0.95), 4)
    1.7984

    Source: W. C. Guenther, Sampling Inspection in Statistical Quality Control (1977).
    """
    howe = howe_factor(n, share, confidence)
    chi_squared = float(chdtri(n - 1, confidence))
    return howe * math.sqrt(1.0 + (n - 3.0 - chi_squared) / (2.0 * (n + 1.0) ** 2))


def howe_factor(n: int, share: float, confidence: float) -> float:
    """Give Howe's approximation of the two-sided factor.

    Formula: k = z((1 + p)/2) √((n − 1) (1 + 1/n) / χ²), χ² the value that a chi-square of n − 1
    degrees of freedom exceeds with probability γ.

    Args:
        n: Number of values, at least 2.
        share: p, the share of the population, above 0 and below 1.
        confidence: γ, above 0 and below 1.

    Validity: Normal population; within 1 % of the exact factor from 10 values.

    Raises:
        InputError: A share or confidence is outside its range.
        RefusedError: Fewer than two values.

    >>> round(howe_factor(43, 0.90, 0.99), 3)
    2.217

    Source: W. G. Howe, J. Amer. Stat. Assoc. 64 (1969) 610; NIST/SEMATECH e-Handbook, 7.2.6.3.
    """
    _check(n, share, confidence)
    chi_squared = float(chdtri(n - 1, confidence))
    return float(ndtri((1.0 + share) / 2.0)) * math.sqrt((n - 1) * (1.0 + 1.0 / n) / chi_squared)


def one_sided_factor(n: int, share: float, confidence: float) -> float:
    """Give k of the limit mean + k·s (or mean − k·s) that a share of a population does not pass.

    Formula: k = t(γ; n − 1, δ)/√n, the quantile of non-central t with δ = z(p) √n.

    Validity: Normal population; exact.

    Raises:
        InputError: A share or confidence is outside its range.
        RefusedError: Fewer than two values.

    >>> round(one_sided_factor(43, 0.90, 0.99), 4)
    1.874

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
    """
    _check(n, share, confidence)
    delta = float(ndtri(share)) * math.sqrt(n)
    return float(nctdtrit(n - 1, delta, confidence)) / math.sqrt(n)


def _check(n: int, share: float, confidence: float) -> None:
    for name, value in (("share", share), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise InputError(
                f"the {name} {value} of a tolerance interval lies outside 0 to 1; give one between",
                field=name, value=value, allowed="above 0 and below 1",
            )
    if n < 2:
        raise RefusedError(
            f"a tolerance interval needs at least 2 values and has {n}; measure more rods",
            field="n", value=n,
        )
