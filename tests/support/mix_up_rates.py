"""Upper bounds of the rates at which the rules on mixed-up rods miss, and alarm without cause."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from labkit.qa.decision.mix_up import NOISE_MM, _threshold


def miss_bound(step_mm: float, u_mm: float, spread_mm: float = 0.0) -> float:
    """Give an upper bound of the rate at which two exchanged rods are not found.

    Formula: Φ(−(Δ − k)/v) with v = √((u² + σ²)/2), and k as in `suspicion`.

    Args:
        u_mm: Standard uncertainty u of each measured length.
        spread_mm: Standard deviation σ of true lengths about the labels.

    Returns:
        Rate, 0 to 1; without the 1e-6 by which a reading lies beyond 5 u, and less than that where
        a tolerance is added to it.

    >>> f"{miss_bound(0.4, 0.1):.1e}", miss_bound(0.7, 0.02) < 1e-15
    ('1.0e-06', True)
    """
    w = u_mm / math.sqrt(2)
    k = float(_threshold(np.asarray(step_mm), np.asarray(w)))
    return float(ndtr(-(step_mm - k) / math.hypot(w, spread_mm / math.sqrt(2))))


def false_alarm_bound(nominal_mm: ArrayLike, u_mm: float, spread_mm: float = 0.0) -> float:
    """Give an upper bound of the rate at which a good set raises a mix-up.

    Formula: Σ Φ(−Δ/2 / √(u² + σ²)) over every rod and every other label, each label counted once,
    and Σ Φ(−k / v) over every pair, `miss_bound` says what v is.

    Returns:
        Rate, 0 to 1. The real one is lower: sets whose rods conform never raise one, so that a
        false alarm only costs a second look at a set that is held already.

    Validity: 6 steps on both sides, rods at their nominal lengths, Δ = 10 u: 6e-6; 8 u: 6e-4;
    6 u: 3 %; 5 u: a third; at 4 u nearly every good set. There no set can be released anyway: an
    acceptance zone needs u < t/1.96, and t < Δ/2 by the rules of grading, hence Δ > 3.9 u.

    >>> labels = [33.6, 32.9, 32.2, 31.5, 30.8, 30.1] * 2
    >>> false_alarm_bound(labels, 0.02, 0.05) < 1e-9
    True
    """
    nominal = np.asarray(nominal_mm, np.float64)
    labels = np.unique(nominal)
    steps = np.abs(labels - nominal[:, np.newaxis])
    single = ndtr(-steps[steps > NOISE_MM] / 2 / math.hypot(u_mm, spread_mm)).sum()
    first, second = np.triu_indices(len(nominal), 1)
    pairs = np.abs(nominal[first] - nominal[second])
    pairs = pairs[pairs > NOISE_MM]
    w = u_mm / math.sqrt(2)
    joint = ndtr(-_threshold(pairs, np.asarray(w)) / math.hypot(w, spread_mm / math.sqrt(2))).sum()
    return min(1.0, float(single + joint))
