"""Values of a process as an array, and put together by a mark of each."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.errors import InputError

Values = NDArray[np.float64]


def finite(values: ArrayLike, where: str = "") -> Values:
    """Take values as an array.

    Args:
        where: Where they stand, for the sentence, such as " on the chart".

    Raises:
        InputError: A value is not finite.
    """
    x = np.asarray(values, float)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise InputError(
            f"a value{where} is no finite number; leave it out or correct it", field="values"
        )
    return x


def grouped(values: ArrayLike, marks: Sequence[Hashable]) -> dict[Hashable, Values]:
    """Put values together that bear the same mark; one pass, however many marks there are.

    Returns:
        Mark → its values in their order; marks in the order in which they come first.

    >>> {mark: part.tolist() for mark, part in grouped([1, 2, 3], "aba").items()}
    {'a': [1.0, 3.0], 'b': [2.0]}
    """
    x = np.asarray(values, float)
    places: dict[Hashable, list[int]] = {}
    for place, mark in enumerate(marks):
        places.setdefault(mark, []).append(place)
    return {mark: x[at] for mark, at in places.items()}
