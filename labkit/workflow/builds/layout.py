"""Where the pieces of a build job lie: whole sets on the beds, in the order in which named."""

from __future__ import annotations

import itertools
import string
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from labkit.core.rod.rods import Process
from labkit.errors import RefusedError
from labkit.workflow.builds.pieces import Piece

if TYPE_CHECKING:
    from labkit.exports.write.plates import PlatePlan

#: Letters of cases on the map; I and O read as digits, and K stands for coupons.
_LETTERS = [one for one in string.ascii_uppercase if one not in "IKO"]
_COUPON_LETTER = "K"


@dataclass(frozen=True, eq=False)
class Lying:
    """A piece in its place.

    Args:
        number: Its place on the bed, from 1, as one reads the map.
    """

    piece: Piece
    bed: int
    number: int


@dataclass(frozen=True, eq=False)
class Layout:
    """What lies where.

    Args:
        plans: One for each bed, its placements in the order of the places.
        left: Group of pieces that has no place → why; they are kept for the next build.
        cases: Those that have pieces here, in the order in which they were named.
    """

    plans: tuple[PlatePlan, ...]
    lying: tuple[Lying, ...]
    left: tuple[tuple[tuple[Piece, ...], str], ...]
    cases: tuple[str, ...]

    @property
    def letters(self) -> dict[str, str]:
        """Case → its letter on the maps, that of coupons under no case."""
        return {**dict(zip(self.cases, _letters(), strict=False)), "": _COUPON_LETTER}

    def on_bed(self, number: int) -> tuple[Lying, ...]:
        """Give the pieces of one bed by their places."""
        return tuple(one for one in self.lying if one.bed == number)


def _letters() -> itertools.chain[str]:
    return itertools.chain(
        _LETTERS, ("".join(two) for two in itertools.product(_LETTERS, repeat=2))
    )


def lay_out(
    groups: Sequence[tuple[Piece, ...]], process: Process, most_beds: int | None
) -> Layout:
    """Lay groups of pieces out, each whole or not at all.

    Args:
        most_beds: As many beds are built; None for as many as are needed.
    """
    from labkit.exports.write.plates import plan_groups

    by_number = _by_number(piece for group in groups for piece in group)
    plans, left = plan_groups(
        [[piece.laid for piece in group] for group in groups], process.plate, most_beds
    )
    ordered = tuple(_by_places(plan) for plan in plans)
    return Layout(
        ordered,
        tuple(
            Lying(by_number[plan.parts[each.part].number], plan.number, number)
            for plan in ordered for number, each in enumerate(plan.placements, 1)
        ),
        tuple((groups[number], why) for number, why in left.items()),
        tuple(dict.fromkeys(
            group[0].case for number, group in enumerate(groups)
            if number not in left and group[0].case
        )),
    )


def _by_number(pieces: Iterable[Piece]) -> dict[str, Piece]:
    found: dict[str, Piece] = {}
    for piece in pieces:
        if found.setdefault(piece.laid.number, piece) is not piece:
            raise RefusedError(
                f"two pieces of this build would both be {piece.laid.name}, the same on the "
                "map; build one of them in a job of its own; nothing was written",
                field="WHAT", value=piece.laid.name,
            )
    return found


def _by_places(plan: PlatePlan) -> PlatePlan:
    """Order the pieces of a bed as one reads: from the far left to the front right."""
    return replace(plan, placements=tuple(
        sorted(plan.placements, key=lambda one: (-round(one.y_mm, 3), one.x_mm))
    ))
