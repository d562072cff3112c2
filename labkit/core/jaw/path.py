"""From rod lengths to places on the recorded path: the way back along which a set was designed."""

from __future__ import annotations

import numpy as np

from labkit.core.jaw.model import JawModel, ReadBack
from labkit.core.jaw.rotation import Floats

#: Newton arrives in 4 to 6 rounds; more only helps where a rod stands nearly upright.
_ROUNDS = 30
#: Largest change in one round, so that a flat start cannot throw the jaw out of the head.
_MOST_MM = 10.0
#: A length is met when it is missed by no more than this.
_LENGTH_LIMIT_MM = 1e-9
#: Steps below this only move rounding noise.
_STEP_AIM_MM = 1e-13

LEFT: Floats = np.array([1.0, 0.0])
RIGHT: Floats = np.array([0.0, 1.0])
MEAN: Floats = np.array([0.5, 0.5])


def displacements_at(model: JawModel, lengths_mm: Floats, weights: Floats = MEAN) -> Floats:
    """Find the displacements along the recorded path at which rods have given lengths.

    Formula: Newton on w·L(d) = length, with dL/dd of the jaw model, from the registered bite.

    Args:
        lengths_mm: Lengths, shape (N,): of one side, or of the mean of both.
        weights: Which length: LEFT, RIGHT or MEAN.

    Returns:
        Displacements from the registered bite, mm, shape (N,); NaN where the path has no such
        length.

    Validity: where the rods do not stand upright to the path between the registered bite and
    the answer.

    >>> from labkit.core.jaw.straight import StraightJaw
    >>> displacements_at(StraightJaw((33.6, 33.6), 1), np.array([31.6])).tolist()
    [2.0]
    """
    wanted = np.asarray(lengths_mm, dtype=float)
    where = np.zeros_like(wanted)
    missed = np.full_like(wanted, np.inf)
    for _ in range(_ROUNDS):
        designed = model.design(where)
        missed = designed.lengths_mm @ weights - wanted
        with np.errstate(divide="ignore", invalid="ignore"):  # an upright rod leads nowhere
            step = np.clip(missed / (designed.mm_per_mm @ weights), -_MOST_MM, _MOST_MM)
        usable = np.isfinite(step) & (np.abs(step) > _STEP_AIM_MM)
        if not usable.any():
            break
        where = np.where(usable, where - step, where)
    met: Floats = np.where(np.abs(missed) <= _LENGTH_LIMIT_MM, where, np.nan)
    return met


def read_back_near_path(model: JawModel, lengths_mm: Floats) -> ReadBack:
    """Read pairs back, starting where the recorded path has the pair's mean length.

    Args:
        lengths_mm: Pairs, left and right, shape (N, 2).

    Returns:
        The positions; the search starts at the registered bite where the path does not help.
    """
    pairs = np.asarray(lengths_mm, dtype=float)
    places = displacements_at(model, pairs.mean(axis=1))
    near = model.design(np.where(np.isfinite(places), places, 0.0))
    return model.read_back(pairs, near)
