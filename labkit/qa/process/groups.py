"""Values put together by a mark of each."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray


def grouped(values: ArrayLike, marks: Sequence[Hashable]) -> dict[Hashable, NDArray[np.float64]]:
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
