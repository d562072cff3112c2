"""Components of variance from mean squares, for numbers and for arrays of them alike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from labkit.qa.gauge.result import Variation

Number = float | NDArray[np.float64]


def variances(squares: Sequence[Number], shape: tuple[int, int, int]) -> dict[Variation, Number]:
    """Give the components that mean squares stand for; they may come out below zero.

    Formula: repeatability E, interaction (I − E)/r, operator (O − I)/(p r), parts (P − I)/(o r),
    with E in place of I where the interaction was pooled; parts alone: (P − E)/r.

    Args:
        squares: Mean squares: parts and repeatability; parts, operators and repeatability; or
            parts, operators, interaction and repeatability.
        shape: Numbers of parts, operators and trials.

    >>> variances([32.0, 2.0], (5, 1, 3))[Variation.PARTS]
    10.0
    """
    p, o, r = shape
    error = squares[-1]
    out: dict[Variation, Number] = {Variation.REPEATABILITY: error}
    if len(squares) == 2:
        return {**out, Variation.PARTS: (squares[0] - error) / r}
    against = squares[2]
    out[Variation.OPERATOR] = (squares[1] - against) / (p * r)
    if len(squares) == 4:
        out[Variation.INTERACTION] = (against - error) / r
    return {**out, Variation.PARTS: (squares[0] - against) / (o * r)}


def with_sums(found: dict[Variation, Number]) -> dict[Variation, Number]:
    """Add the sums of components: reproducibility, gauge, total; parts below zero count as none."""
    out, gauge = dict(found), found[Variation.REPEATABILITY]
    if Variation.OPERATOR in found:
        interaction = found.get(Variation.INTERACTION, 0.0)
        out[Variation.REPRODUCIBILITY] = found[Variation.OPERATOR] + interaction
        gauge = gauge + out[Variation.REPRODUCIBILITY]
    total = gauge + np.maximum(found[Variation.PARTS], 0.0)
    return {**out, Variation.GAUGE: gauge, Variation.TOTAL: total}
