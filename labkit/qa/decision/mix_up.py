"""Mixed-up rods: a reading that fits another label of the set better than its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.core.findings import Finding, refused
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.units import millimetres

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Two exchanged rods are found unless their readings together err by this many standard
#: deviations: once in a million exchanges (ndtr(-4.7534) = 1.0e-6).
MISS_SD = 4.7534
#: From this step on, in standard uncertainties of one length, that is promised.
LEAST_STEP_U = 4.0
#: A reading fits a label within its tolerance and this many standard uncertainties.
FITS_U = 5.0
#: The joint rule never goes below this many standard deviations: what it has at four u.
_LEAST_SD = LEAST_STEP_U * math.sqrt(2) - MISS_SD
#: Pairs within this of the likeliest explanation (as logarithm, 1 to 100 000) are all named.
_NEARLY_AS_LIKELY = 11.5
#: Lengths are whole micrometres; half of one tells equal from unequal labels.
NOISE_MM = 0.0005


@dataclass(frozen=True, eq=False)
class Suspicion:
    """Which rods of one set, or of many, look mixed up; axes …, rod, other rod.

    Args:
        fits: The rod does not conform, and its length fits the other's label better than its own.
        exchanged: The two rods together fit each other's labels.
        evidence: Logarithm of how much likelier the lengths are if the two were exchanged.
    """

    fits: Flags
    exchanged: Flags
    evidence: Floats


@dataclass(frozen=True)
class MixUp:
    """A likely mix-up.

    Args:
        rods: The rods concerned: two that may be exchanged, or one and those whose label it fits.
    """

    rods: tuple[MeasuredRod, ...]
    finding: Finding


def suspicion(
    lengths_mm: Floats, nominal_mm: ArrayLike, tolerance_mm: ArrayLike, u_mm: ArrayLike,
    conforms: Flags,
) -> Suspicion:
    """Compare every reading of a set with every label of it.

    Formula: rod i with label Nᵢ, length yᵢ, uncertainty uᵢ; label Nⱼ at the distance Δ, sᵢ how far
    yᵢ lies from Nᵢ towards Nⱼ. *Fits*: sᵢ > Δ/2. *Exchanged*: (sᵢ + sⱼ)/2 > k with
    w = √(uᵢ² + uⱼ²)/2, its standard deviation, and k = min(Δ/2, max(Δ − 4.753 w, 0.903 w)).
    Both ask that the lengths fit the other label within its tolerance and 5 u, and that not every
    rod concerned conforms: so no alarm is ever raised in a set whose rods all conform. Labels that
    lie within each other's tolerances count only where both rods fit the other's label better.

    Args:
        lengths_mm: Measured lengths, the last axis is the rods of a set.
        conforms: Whether each length conforms, of the shape of `lengths_mm`.

    Returns:
        The suspicions. Two rods of one label are one part where the template has no hand, so they
        are never exchanged; on mirror parts the mark in the label tells.

    Validity: independent normal errors. What is common to all readings (calibration, gauge pins)
    cancels in the joint rule, so that its rates are upper bounds. From Δ = 4 u on an exchange is
    missed at most once in a million where the rods have their nominal lengths.
    """
    nominal, tolerance, u = (np.asarray(v, np.float64) for v in (nominal_mm, tolerance_mm, u_mm))
    apart = nominal[np.newaxis, :] - nominal[:, np.newaxis]
    step = np.abs(apart)
    other = step > NOISE_MM
    towards = (lengths_mm - nominal)[..., :, np.newaxis] * np.sign(apart)
    off = np.abs(lengths_mm[..., :, np.newaxis] - nominal)
    plausible = off <= tolerance + FITS_U * u[:, np.newaxis]
    back = np.swapaxes(towards, -1, -2)
    nearer = (towards > step / 2) & plausible
    told_apart = other & (step > tolerance[:, np.newaxis] + tolerance + NOISE_MM)
    w = _pair_sd(u[:, np.newaxis], u)
    both_plausible = plausible & np.swapaxes(plausible, -1, -2)
    joint = both_plausible & ((towards + back) / 2 > _threshold(step, w))
    both_nearer = nearer & np.swapaxes(nearer, -1, -2)
    good = conforms[..., :, np.newaxis] & conforms[..., np.newaxis, :]
    variance = u**2
    evidence = step * (towards - step / 2) / variance[:, np.newaxis] + (
        step * (back - step / 2) / variance
    )
    return Suspicion(
        fits=nearer & told_apart & ~conforms[..., :, np.newaxis],
        exchanged=other & ~good & ((joint & told_apart) | both_nearer),
        evidence=evidence,
    )


def _pair_sd(first: ArrayLike, second: ArrayLike) -> Floats:
    """Standard deviation of half the difference of two lengths."""
    return np.hypot(np.asarray(first, np.float64), np.asarray(second, np.float64)) / 2


def _threshold(step: Floats, w: Floats) -> Floats:
    """From where on the mean shift of two rods towards each other is an exchange."""
    joint: Floats = np.minimum(step / 2, np.maximum(step - MISS_SD * w, _LEAST_SD * w))
    return joint


def find_mix_ups(rods: Sequence[MeasuredRod]) -> tuple[MixUp, ...]:
    """Name the rods of a set that are likely mixed up.

    Returns:
        The likeliest exchanges and those nearly as likely; then each rod that fits another label
        and is in no exchange, with the rods of that label.
    """
    if len(rods) < 2:
        return ()
    found = suspicion(
        np.array([rod.length_mm for rod in rods]),
        [float(rod.expected.length_mm) for rod in rods],
        [float(rod.expected.tolerance_mm) for rod in rods],
        [rod.u_mm for rod in rods],
        np.array([rod.decision.result is Result.CONFORMS for rod in rods]),
    )
    pairs = _likeliest(found)
    paired = {member for pair in pairs for member in pair}
    singles = [
        (rod, _best_label(rods, found, rod))
        for rod in range(len(rods)) if rod not in paired and bool(found.fits[rod].any())
    ]
    return (
        *(_exchange(rods[first], rods[second]) for first, second in pairs),
        *(_other_label(rods[rod], [rods[other] for other in others]) for rod, others in singles),
    )


def _likeliest(found: Suspicion) -> list[tuple[int, int]]:
    """Pick the exchanges that no much likelier one of the same rod explains."""
    pairs = [
        (float(found.evidence[i, j]), int(i), int(j))
        for i, j in zip(*np.nonzero(found.exchanged), strict=True) if i < j
    ]
    taken: list[tuple[float, int, int]] = []
    for evidence, i, j in sorted(pairs, reverse=True):
        rivals = [other for other, *members in taken if i in members or j in members]
        if not rivals or max(rivals) - evidence <= _NEARLY_AS_LIKELY:
            taken.append((evidence, i, j))
    return [(i, j) for _, i, j in taken]


def _best_label(rods: Sequence[MeasuredRod], found: Suspicion, rod: int) -> list[int]:
    """Give the rods that bear the label which a rod's length fits best."""
    length = rods[rod].length_mm
    fitting: list[int] = np.nonzero(found.fits[rod])[0].tolist()
    off = {other: abs(length - float(rods[other].expected.length_mm)) for other in fitting}
    least = min(off.values())
    return [other for other, distance in off.items() if distance <= least + NOISE_MM]


def _exchange(first: MeasuredRod, second: MeasuredRod) -> MixUp:
    names = [rod.expected.name for rod in (first, second)]
    measured = [millimetres(rod.length_mm, 3) for rod in (first, second)]
    return MixUp((first, second), refused(
        "mix_up",
        f"{names[0]} measures {measured[0]} mm and {names[1]} measures {measured[1]} mm: together "
        "they fit each other's labels, so they are likely mixed up; hold both, read both labels "
        "and measure both again",
        " / ".join(names),
    ))


def _other_label(rod: MeasuredRod, others: Sequence[MeasuredRod]) -> MixUp:
    names = " and ".join(other.expected.name for other in others)
    fitted = others[0].expected
    return MixUp((rod, *others), refused(
        "mix_up",
        f"{rod.expected.name} measures {millimetres(rod.length_mm, 3)} mm, which fits the label "
        f"{fitted.engraved} better than its own; it is likely mixed up with {names}, or was made "
        "or measured twice; hold them, read their labels and measure them again",
        f"{rod.expected.name} / {names}",
    ))
