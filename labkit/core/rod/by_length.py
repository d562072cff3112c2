"""How the rods of a set are laid out for people: by length, mirror parts beside one another."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from labkit.core.rod.rods import Rod

#: More rods than this in a column go into a second one.
LONGEST_COLUMN = 8


def columns_by_length(rods: Sequence[Rod]) -> list[list[int]]:
    """Lay rods out in columns, longest first.

    Args:
        rods: The rods of a set, each once.

    Returns:
        For each column the places of its rods in `rods`: left and right mirror parts have a
        column each; a long column of one kind is parted in two.
    """
    order = sorted(range(len(rods)), key=lambda k: (rods[k].mark, -rods[k].length))
    columns = [list(group) for _, group in groupby(order, key=lambda k: rods[k].mark)]
    if len(columns) > 1 or len(order) <= LONGEST_COLUMN:
        return columns
    half = (len(order) + 1) // 2
    return [order[:half], order[half:]]
