"""Global risks of a decision rule: what it lets pass and throws away of a whole production."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from labkit.errors import InputError
from labkit.qa.decision.conformance import Zone

Pdf = Callable[[NDArray[np.float64]], NDArray[np.float64]]

#: A normal density beyond this many standard deviations is below the last digit of a double.
_TAIL = 38.0
#: Points of each panel, and panels for each standard deviation of the narrower bell.
_POINTS, _PANELS = 20, 1.0
#: A process this much wider than the gauge's doubt needs no finer panels to be right to 1e-12.
_MOST_PANELS = 20_000


@dataclass(frozen=True)
class Production:
    """What is made, before anyone measures.

    Args:
        pdf: Probability density of the true values, 1/mm.
        low_mm, high_mm: Where the density may be above 0; finite.
        sd_mm: Its standard deviation or, where it is sharper, the width of its narrowest feature.
    """

    pdf: Pdf
    low_mm: float
    high_mm: float
    sd_mm: float

    def __post_init__(self) -> None:
        finite = all(math.isfinite(x) for x in (self.low_mm, self.high_mm, self.sd_mm))
        if not finite or self.low_mm >= self.high_mm or self.sd_mm <= 0:
            raise InputError(
                "a production needs a finite range and a standard deviation above 0",
                field="production", value=(self.low_mm, self.high_mm, self.sd_mm),
            )


@dataclass(frozen=True)
class Risk:
    """Parts of a production, each between 0 and 1.

    Args:
        consumer: Outside the specification, and accepted all the same.
        producer: Within the specification, and not accepted.
    """

    nonconforming: float
    consumer: float
    producer: float

    @property
    def accepted(self) -> float:
        """Part that is accepted."""
        return 1 - self.nonconforming - self.producer + self.consumer

    @property
    def nonconforming_of_accepted(self) -> float:
        """Part of the accepted ones that lies outside the specification."""
        return self.consumer / self.accepted if self.accepted > 0 else 0.0


def normal_production(mean_mm: float, sd_mm: float) -> Production:
    """Describe a production whose true values are normal."""
    if not sd_mm > 0:
        raise InputError(
            "the standard deviation of a production must be above 0", field="sd_mm", value=sd_mm,
            allowed="above 0",
        )

    def pdf(x: NDArray[np.float64]) -> NDArray[np.float64]:
        density: NDArray[np.float64] = np.exp(-0.5 * ((x - mean_mm) / sd_mm) ** 2)
        return density / (sd_mm * math.sqrt(2 * math.pi))

    return Production(pdf, mean_mm - _TAIL * sd_mm, mean_mm + _TAIL * sd_mm, sd_mm)


def global_risk(
    production: Production, u_mm: float, specification: Zone, acceptance: Zone | None
) -> Risk:
    """Work out consumer's and producer's risk of a production that is measured and sorted.

    Formula: with the density g of the true value η and P(η) = Φ((A_U − η)/u) − Φ((A_L − η)/u) the
    chance that it is accepted, consumer's risk = ∫ g P outside the specification, producer's
    risk = ∫ g (1 − P) within it.

    Args:
        specification: Specification limits, mm; one may be infinite.
        acceptance: Lengths that are accepted, mm; None: none is.

    Validity: normal errors of measurement, independent of the true value. Composite Gauss–Legendre
    quadrature, panels as wide as the narrower of both bells.

    Raises:
        InputError: u not above 0.

    >>> risk = global_risk(normal_production(0.0, 1.0), 0.25, Zone(-2, 2), Zone(-2, 2))
    >>> round(100 * risk.consumer, 2), round(100 * risk.producer, 2)
    (0.8, 1.49)

    Source: JCGM 106:2012, 9.3 to 9.5.
    """
    if not (math.isfinite(u_mm) and u_mm > 0):
        raise InputError("a standard uncertainty must be above 0", field="u_mm", value=u_mm)

    def passes(x: NDArray[np.float64]) -> NDArray[np.float64]:
        if acceptance is None:
            return np.zeros_like(x)
        chance: NDArray[np.float64] = ndtr((acceptance.upper_mm - x) / u_mm) - ndtr(
            (acceptance.lower_mm - x) / u_mm
        )
        return chance

    low, high = production.low_mm, production.high_mm
    start = min(max(specification.lower_mm, low), high)
    end = max(min(specification.upper_mm, high), low)
    outside = ((low, start), (end, high))
    step = min(production.sd_mm, u_mm) / _PANELS
    g = production.pdf
    return Risk(
        nonconforming=_integral(g, outside, step),
        consumer=_integral(lambda x: g(x) * passes(x), outside, step),
        producer=_integral(lambda x: g(x) * (1 - passes(x)), ((start, end),), step),
    )


def _integral(f: Pdf, pieces: Iterable[tuple[float, float]], step: float) -> float:
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS)
    total = 0.0
    for low, high in pieces:
        if high <= low:
            continue
        panels = min(_MOST_PANELS, max(1, math.ceil((high - low) / step)))
        edges = np.linspace(low, high, panels + 1)
        half = np.diff(edges)[:, None] / 2
        x = (edges[:-1] + edges[1:])[:, None] / 2 + half * nodes
        total += float(np.sum(f(x) * weights * half))
    return total
