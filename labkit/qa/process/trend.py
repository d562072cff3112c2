"""Whether rods made with a calibrated process drift away from their nominal lengths."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass

from labkit.core.numbers import Finite
from labkit.core.rod.calibration import Calibration
from labkit.qa.process.run_rules import EIGHT_ON_ONE_SIDE, SIX_TRENDING, run_rules
from labkit.qa.uncertainty import coverage_factor

#: The latest rods that are looked at.
WINDOW = 60
#: Fewer tell nothing yet.
LEAST_RODS = 6
#: Weight of the newest rod in the moving mean: small, since what is looked for is slow.
WEIGHT = 0.1
#: A single rod counts at most so many standard deviations: a mixed-up rod is no drift.
CLIP = 4.0
#: Chance that the moving mean of a process that does not drift is beyond its limit at one look.
MEAN_RATE = 0.0027
#: Chance that rods of a process that does not drift differ so from those before, at one look.
CHANGE_RATE = 0.002
#: Chance of a false alarm at one look, with the two run rules; shown by simulation in the tests.
FALSE_ALARM_RATE = 0.01
_WORDS = {
    EIGHT_ON_ONE_SIDE.name: "8 rods or more in a row on one side of nominal",
    SIX_TRENDING.name: "6 rods or more in a row, each further to one side than the one before",
}
#: A step is not dated on fewer rods than this, nor told from fewer before it.
_LEAST_AFTER = 3


@dataclass(frozen=True)
class RodOff(Finite):
    """One measured rod of the process.

    Args:
        off_mm: Measured less nominal.
        u_mm: Standard uncertainty of this rod's own reading.
        shared_mm: Standard uncertainty that it shares with the other rods: calibration of the
            gauge, sizes of the fittings that it touches.
    """

    length_mm: float
    off_mm: float
    u_mm: float
    on: datetime.date
    shared_mm: float = 0.0
    gauge: str = ""


@dataclass(frozen=True)
class Trend:
    """A look at the latest rods of a calibrated process.

    Args:
        rods: Rods measured since the calibration that were looked at.
        mean: Exponentially weighted moving mean of the standardised deviations.
        limit: What it must stay within, ±.
        change_mm: How far the rods since the beginning lie from those before, where that is more
            than chance and away from nominal; else None.
        after: Rods since the deviation began, where there is one.
        half_mm: Half of its 95 % interval.
        since: Day on which the first of them was measured.
    """

    rods: int
    mean: float
    limit: float
    patterns: tuple[str, ...]
    change_mm: float | None
    after: int
    off_mm: float
    half_mm: float
    since: datetime.date

    @property
    def beyond(self) -> bool:
        """Whether the moving mean is beyond its limit."""
        return abs(self.mean) > self.limit

    @property
    def drifts(self) -> bool:
        """Whether the process is said to drift."""
        return self.beyond or self.change_mm is not None or bool(self.patterns)


def look(rods: Sequence[RodOff], calibration: Calibration) -> Trend | None:
    """Look for a drift in the latest rods.

    Formula: z = deviation / σ with σ² = residual sd² + u², cut at ± 4; moving mean
    E ← E + λ (z − E) from 0, λ = 0.1, over the last 60 rods. E is beyond where
    |E| > t √(λ (1 − (1 − λ)²ⁿ) / (2 − λ) + c²): t is Student's two-sided 99.73 % factor with the
    calibration's degrees of freedom; c, in σ, is what all rods share: standard uncertainty of the
    calibration and of the readings.
    What is shared drops out of a comparison of rods that one gauge measured: where parting the
    latest gauge's rods in two, 3 or more each, gives means of z that differ by more than
    t √(1/n₁ + 1/n₂ + (ΔL u(scale)/σ)²), t so that all places together pass with a chance of 0.2 %
    (Bonferroni), and the later ones are farther from nominal, the process has changed there.
    Run rules (8 on one side, 6 in a row rising or falling) count where they hold at the latest
    rod; for the sides the rods are taken nearer to nominal by 2 c. The beginning is where the
    process has changed; without such a place, where |Σ z| / √n over the n rods after is greatest.

    Args:
        rods: Rods measured since the calibration, each once, in the order in which they were made.

    Returns:
        What is seen, None where fewer than 6 rods were measured.

    Validity: rods that scatter independently; a build that is off as a whole is seen as a drift,
    too, and is one to look at.

    Source: S. W. Roberts, Technometrics 1 (1959) 239, for the moving mean (from memory).
    """
    latest = rods[-WINDOW:]
    if len(latest) < LEAST_RODS:
        return None
    sigmas = [math.hypot(calibration.residual_sd_mm, rod.u_mm) for rod in latest]
    z = [
        max(-CLIP, min(CLIP, rod.off_mm / sigma))
        for rod, sigma in zip(latest, sigmas, strict=True)
    ]
    unsure = [
        math.hypot(calibration.built_u_mm(rod.length_mm), rod.shared_mm) / sigma
        for rod, sigma in zip(latest, sigmas, strict=True)
    ]
    mean, limit = _moving_mean(z, unsure, calibration.residual_dof)
    place, change = _change(latest, z, sigmas, calibration)
    start = _beginning(z) if place is None else place
    off, half = _mean_off(latest[start:], sigmas[start:], calibration.residual_dof)
    return Trend(
        rods=len(latest), mean=mean, limit=limit, patterns=_patterns(z, unsure),
        change_mm=change, after=len(latest) - start, off_mm=off, half_mm=half,
        since=latest[start].on,
    )


def _moving_mean(
    z: Sequence[float], unsure: Sequence[float], dof: int
) -> tuple[float, float]:
    mean = shared = 0.0
    for value, own in zip(z, unsure, strict=True):
        mean += WEIGHT * (value - mean)
        shared += WEIGHT * (own - shared)
    variance = WEIGHT * (1 - (1 - WEIGHT) ** (2 * len(z))) / (2 - WEIGHT)
    return mean, coverage_factor(dof, 1 - MEAN_RATE) * math.sqrt(variance + shared**2)


def _patterns(z: Sequence[float], unsure: Sequence[float]) -> tuple[str, ...]:
    """Name the rules that hold at the latest rod."""
    nearer = [
        math.copysign(max(0.0, abs(value) - 2 * own), value)
        for value, own in zip(z, unsure, strict=True)
    ]
    found = (
        *run_rules(nearer, 0.0, 1.0, (EIGHT_ON_ONE_SIDE,)),
        *run_rules(z, 0.0, 1.0, (SIX_TRENDING,)),
    )
    return tuple(_WORDS[signal.rule] for signal in found if signal.last == len(z) - 1)


def _change(
    rods: Sequence[RodOff], z: Sequence[float], sigmas: Sequence[float], calibration: Calibration
) -> tuple[int | None, float | None]:
    """Find the rod from which on the latest gauge's rods differ from those before, and by how much.

    Returns:
        Its place and the change, mm; None and None where chance explains it, or where the rods
        came nearer to nominal.
    """
    own = [n for n, rod in enumerate(rods) if rod.gauge == rods[-1].gauge]
    parts = range(_LEAST_AFTER, len(own) - _LEAST_AFTER + 1)
    if not parts:
        return None, None
    best, at = max((_ratio(own, part, rods, z, sigmas, calibration), part) for part in parts)
    if best <= coverage_factor(calibration.residual_dof, 1 - CHANGE_RATE / len(parts)):
        return None, None
    before, after = (  # of deviations as cut: a mixed-up rod among them is no change
        math.fsum(z[n] * sigmas[n] for n in group) / len(group) for group in (own[:at], own[at:])
    )
    return (own[at], after - before) if abs(after) > abs(before) else (None, None)


def _ratio(
    own: Sequence[int],
    part: int,
    rods: Sequence[RodOff],
    z: Sequence[float],
    sigmas: Sequence[float],
    calibration: Calibration,
) -> float:
    """Difference of the means of z before and after a place, over its standard deviation."""
    (z0, at0), (z1, at1) = (
        (
            math.fsum(z[n] for n in group) / len(group),
            math.fsum(rods[n].length_mm / sigmas[n] for n in group) / len(group),
        )
        for group in (own[:part], own[part:])
    )
    scatter = math.sqrt(1 / part + 1 / (len(own) - part))
    return abs(z1 - z0) / math.hypot(scatter, (at1 - at0) * calibration.length_scale_u)


def _beginning(z: Sequence[float]) -> int:
    """Find the rod with which the deviation began."""
    best, start, total = -1.0, 0, 0.0
    for count, value in enumerate(reversed(z), 1):
        total += value
        if count >= _LEAST_AFTER and abs(total) / math.sqrt(count) > best:
            best, start = abs(total) / math.sqrt(count), len(z) - count
    return start


def _mean_off(
    rods: Sequence[RodOff], sigmas: Sequence[float], dof: int
) -> tuple[float, float]:
    n = len(rods)
    off = math.fsum(rod.off_mm for rod in rods) / n
    own = math.sqrt(math.fsum(sigma**2 for sigma in sigmas)) / n
    shared = math.fsum(rod.shared_mm for rod in rods) / n
    return off, coverage_factor(dof) * math.hypot(own, shared)
