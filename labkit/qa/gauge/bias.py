"""Bias of a gauge against known values, and whether it changes along the scale."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import chain

from labkit.errors import RefusedError
from labkit.qa.gauge.study import Reading
from labkit.qa.least_squares import (
    Estimate,
    Fit,
    LackOfFit,
    Tested,
    fit_line,
    lack_of_fit,
    tested,
)
from labkit.qa.uncertainty import coverage_factor
from labkit.units import counted

CONFIDENCE = 0.95
#: A line through two references fits whatever they are.
LEAST_REFERENCES = 3
#: What the trade usually asks for.
USUAL_REFERENCES, USUAL_REPEATS = 5, 10
#: A bias that chance explains with less than this is taken for real.
SIGNIFICANT = 0.05


@dataclass(frozen=True)
class Bias:
    """Bias at one reference value.

    Args:
        bias: Mean reading less reference, mm, with its interval.
        counted_mm: What counts as taken by itself: the readings, or where several operators
            measured the mean of each, since what one reads hangs together.
        sd_mm: Standard deviation of these.
    """

    reference_mm: Decimal
    readings_mm: tuple[Decimal, ...]
    bias: Tested
    counted_mm: tuple[Decimal, ...]
    sd_mm: float

    @property
    def bias_mm(self) -> float:
        """Mean reading less reference."""
        return self.bias.value

    @property
    def p(self) -> float:
        """Probability of so large a bias by chance alone."""
        return self.bias.p

    @property
    def t(self) -> float:
        """Bias over its standard error; infinite where the readings do not differ."""
        error = self.sd_mm / math.sqrt(len(self.counted_mm))
        if error:
            return self.bias_mm / error
        return math.copysign(math.inf, self.bias_mm) if self.bias_mm else 0.0

    @property
    def dof(self) -> int:
        """Degrees of freedom."""
        return len(self.counted_mm) - 1


@dataclass(frozen=True)
class Linearity:
    """Bias as a line over the reference value.

    Args:
        fit: Intercept and slope; a slope of 0.001 is 1 µm for each mm.
        lack: Whether a line is enough; None without repeats or with too few references.
    """

    references_mm: tuple[Decimal, ...]
    fit: Fit
    lack: LackOfFit | None
    confidence: float = CONFIDENCE

    @property
    def intercept_mm(self) -> Tested:
        """Bias at reference 0, mm."""
        return self.fit.estimate(0, self.confidence)

    @property
    def slope(self) -> Tested:
        """Change of the bias, mm for each mm."""
        return self.fit.estimate(1, self.confidence)

    def band_mm(self, reference_mm: float) -> Estimate:
        """Give the fitted bias at a reference with the interval of its mean.

        Formula: b₀ + b₁ x ± t · s √(1/n + (x − x̄)²/Sxx).
        """
        bias = self.intercept_mm.value + self.slope.value * reference_mm
        sd = self.fit.mean_sd((1.0, reference_mm))
        half = coverage_factor(self.fit.dof, self.confidence) * sd
        return Estimate(bias, bias - half, bias + half)

    def clear_of_zero(self) -> bool:
        """Tell whether the band leaves zero outside at any of the references."""
        bands = (self.band_mm(float(value)) for value in set(self.references_mm))
        return any(not band.lower <= 0.0 <= band.upper for band in bands)


def biases(readings: Sequence[Reading], confidence: float = CONFIDENCE) -> tuple[Bias, ...]:
    """Compare readings with the known values of their parts.

    Formula: bias = mean − reference, interval ± t s/√n, t = bias √n / s, ν = n − 1; of the n
    readings of one operator, or of the means of n operators.

    Args:
        readings: Those without reference are passed over; different parts of the same reference
            count together.

    Returns:
        One for each reference value, from the smallest.

    Raises:
        RefusedError: No reading has a reference, or one has a single reading.

    >>> rows = [Reading("1", "", None, Decimal(v), Decimal("30")) for v in ("30.01", "30.03")]
    >>> [found] = biases(rows)
    >>> round(found.bias_mm, 6), round(found.sd_mm, 6), round(found.t, 6)
    (0.02, 0.014142, 2.0)

    Source: Student's t for one sample.
    """
    groups = _by_operator(readings)
    if not groups:
        raise RefusedError(
            "no reading has a reference value, so that bias cannot be determined; add the column "
            "`reference` with the calibrated values of the parts"
        )
    single = [reference for reference, each in groups.items() if sum(map(len, each.values())) < 2]
    if single:
        raise RefusedError(
            f"the reference {single[0]} mm was measured once, so that the scatter of its bias is "
            f"not known; measure it at least twice, usually {USUAL_REPEATS} times"
        )
    return tuple(_bias(reference, groups[reference], confidence) for reference in sorted(groups))


def linearity(readings: Sequence[Reading], confidence: float = CONFIDENCE) -> Linearity | None:
    """Fit the bias of readings, or of operators' means, as a line over the reference value.

    Formula: least squares of (reading − reference) = b₀ + b₁ reference.

    Returns:
        The line, None with fewer than three references.

    Source: as least_squares; lack of fit is tested against the repeats.
    """
    known = [(reference, value - reference) for reference, each in _by_operator(readings).items()
             for value in _counted(each)]
    references, differences = tuple(x for x, _ in known), tuple(y for _, y in known)
    if len(set(references)) < LEAST_REFERENCES:
        return None
    fit = fit_line(references, differences)
    lack = lack_of_fit(references, differences, fit)
    return Linearity(references, fit, lack, confidence)


def bias_findings(found: Sequence[Bias], line: Linearity | None) -> tuple[str, ...]:
    """Say what the biases mean."""
    sentences = []
    real = [bias for bias in found if bias.p < SIGNIFICANT and bias.bias_mm]
    if real:
        worst = max(real, key=lambda bias: abs(bias.bias_mm))
        at = ", ".join(f"{bias.reference_mm}" for bias in real)
        sentences.append(
            f"At {at} mm the bias is more than chance explains (level {SIGNIFICANT:g}, each by "
            f"itself); the greatest is {signed(worst.bias_mm, 4)} mm at {worst.reference_mm} mm. "
            "Adjust the gauge or correct its readings."
        )
    else:
        sentences.append(
            f"No bias is more than chance explains (level {SIGNIFICANT:g}, each by itself)."
        )
    if line is None:
        sentences.append(
            f"Linearity needs at least {LEAST_REFERENCES} reference values, usually "
            f"{USUAL_REFERENCES} over the range in use; there are {len(found)}."
        )
    else:
        sentences += _about_line(line)
    return (*sentences, *_about_size(found))


def _about_line(line: Linearity) -> list[str]:
    slope = line.slope
    moves = slope.p < SIGNIFICANT
    out = [
        f"The bias {'changes' if moves else 'does not show a change'} along the scale: "
        f"{signed(1000 * slope.value, 3)} µm for each mm (from {signed(1000 * slope.lower, 3)} "
        f"to {signed(1000 * slope.upper, 3)})."
    ]
    if line.lack is not None and line.lack.p < SIGNIFICANT:
        out.append(
            "A straight line does not describe the bias (lack of fit beyond the scatter of the "
            "repeats): judge it value by value."
        )
    elif line.clear_of_zero():
        out.append("The band of the line leaves zero outside: the gauge does not read true there.")
    return out


def signed(value: float, decimals: int) -> str:
    """Give a number with its sign, as the tables print it."""
    return f"{value:+.{decimals}f}".replace("-", "\u2212")


def _about_size(found: Sequence[Bias]) -> list[str]:
    fewest = min(found, key=lambda bias: len(bias.readings_mm))
    count = len(fewest.readings_mm)
    if count >= USUAL_REPEATS:
        return []
    return [
        f"The reference {fewest.reference_mm} mm has {counted(count, 'reading')}; usual practice "
        f"is {USUAL_REPEATS} or more at each."
    ]


def _by_operator(readings: Sequence[Reading]) -> dict[Decimal, dict[str, list[Decimal]]]:
    groups: dict[Decimal, dict[str, list[Decimal]]] = {}
    for reading in readings:
        if reading.reference_mm is not None:
            each = groups.setdefault(reading.reference_mm, {})
            each.setdefault(reading.operator, []).append(reading.value_mm)
    return groups


def _counted(each: Mapping[str, list[Decimal]]) -> tuple[Decimal, ...]:
    """Give what counts as taken by itself at one reference: see `Bias`."""
    if len(each) == 1:
        return tuple(*each.values())
    return tuple(sum(values, Decimal(0)) / len(values) for values in each.values())


def _bias(reference: Decimal, each: Mapping[str, list[Decimal]], confidence: float) -> Bias:
    values = _counted(each)
    n = len(values)
    mean = sum(values, Decimal(0)) / n
    bias = float(mean - reference)
    # Equal readings must give exactly 0, not the rounding of their mean.
    same = len(set(values)) == 1
    square = 0.0 if same else math.fsum(float(value - mean) ** 2 for value in values) / (n - 1)
    sd = math.sqrt(square)
    return Bias(
        reference, tuple(chain(*each.values())),
        tested(bias, sd / math.sqrt(n), n - 1, confidence), values, sd,
    )
