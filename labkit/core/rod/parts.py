"""Which parts a set consists of: one for each engraving, with the steps that use it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from labkit.core.grading.prescription import Action, Side
from labkit.core.grading.steps import SpacerSet
from labkit.core.label.rules import needs_bar
from labkit.core.rod.rods import Hand, Rod, RodTemplate


@dataclass(frozen=True)
class Use:
    """One place of a part in the set.

    Args:
        step: Number of the step, from 1.
    """

    step: int
    side: Side


@dataclass(frozen=True)
class Part:
    """One part of a set.

    Args:
        uses: Steps and sides that take it; as many pieces are made.
    """

    rod: Rod
    uses: tuple[Use, ...]

    @property
    def quantity(self) -> int:
        """Number of pieces."""
        return len(self.uses)


def hand_of(side: Side, action: Action) -> Hand:
    """Tell which way the inward face of a rod looks in the rod frame.

    y points outward on the left of a pull appliance and on the right of a push one.

    >>> hand_of(Side.LEFT, Action.PULL), hand_of(Side.LEFT, Action.PUSH)
    (<Hand.MINUS_Y: 'inward -y'>, <Hand.PLUS_Y: 'inward +y'>)

    Source: DEVELOPERS.md, The design (rod frame y = z × x, x from lower to upper fitting).
    """
    outward_plus = (side is Side.LEFT) == (action is Action.PULL)
    return Hand.MINUS_Y if outward_plus else Hand.PLUS_Y


def sides_unlike(pairs: Iterable[tuple[object, object]]) -> bool:
    """Tell whether left and right differ in any pair: then each rod says which side it is of."""
    return any(left != right for left, right in pairs)


def parts_of(
    spacer_set: SpacerSet, template: RodTemplate, marked: bool | None = None, case_mark: str = ""
) -> tuple[Part, ...]:
    """List the parts of a set, longest first within each side mark.

    Where the ends are alike and left and right are equal at every step, equal labels on left
    and right are two pieces of one part; otherwise every rod bears L or R.

    Args:
        spacer_set: A graded set without refusals.
        marked: Whether rods of a template without hand bear L and R, where other rods of the case
            decide it; None where the steps of this set do.
        case_mark: Engraved on every rod; "" for none.

    Returns:
        The parts, by mark and falling length.
    """
    if marked is None:
        marked = sides_unlike((step.left.length, step.right.length) for step in spacer_set.steps)
    marked = marked or template.label.side_mark
    uses: dict[Rod, list[Use]] = {}
    for number, step in enumerate(spacer_set.steps, 1):
        for side, rod_length in ((Side.LEFT, step.left), (Side.RIGHT, step.right)):
            rod = Rod(
                template=template,
                length=rod_length.length,
                hand=hand_of(side, spacer_set.action) if template.handed else Hand.MINUS_Y,
                mark=side[0].upper() if marked else "",
                bar=needs_bar(rod_length.label),
                case_mark=case_mark,
            )
            uses.setdefault(rod, []).append(Use(number, side))
    ordered = sorted(uses, key=lambda rod: (rod.mark, -rod.length))
    return tuple(Part(rod, tuple(uses[rod])) for rod in ordered)
