"""What was seen at a trial fit, of a named rod on each side, and where the seats stand then."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from labkit.core.case.rods_out import RodOut, length_of, rods_of
from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import BiteScale
from labkit.core.grading.grade import compute_steps
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.grading.series import AskedStep
from labkit.core.grading.steps import LengthLimits, Step
from labkit.core.numbers import Finite
from labkit.errors import InputError
from labkit.units import plain

HUNDRED = Decimal(100)
#: More than the whole range of a gauge is a slip of the unit.
MOST_BY_MM = Decimal(30)
#: Gaps at the chair are read to this step where nothing else is said, mm.
READ_TO_MM = Decimal("0.1")


class Seen(StrEnum):
    """Where the free end of a rod lies, its other end fixed and the jaw as far forward as it goes.

    The rod meets its seat, is too long for it, or is too short.
    """

    MEETS = "meets"
    TOO_LONG = "too_long"
    TOO_SHORT = "too_short"

    @property
    def words(self) -> str:
        """As people say it."""
        return self.value.replace("_", " ")


class Correct(StrEnum):
    """What was recorded wrongly where the sides disagree: one side's distance, or the midline."""

    LEFT = "left"
    RIGHT = "right"
    MIDLINE = "midline"


@dataclass(frozen=True)
class SideSeen(Finite):
    """What was seen of one side's rod.

    Args:
        label: As engraved; empty where the rod is named by its identifier alone.
        by_mm: How much too long or too short, above 0; None where it meets.

    Raises:
        InputError: The rod is not named, or the mm do not go with what was seen.
    """

    label: str
    seen: Seen = Seen.MEETS
    by_mm: Decimal | None = None
    identifier: str = ""

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.label or not self.identifier:
            length_of(self.label)
        if (self.by_mm is None) is not (self.seen is Seen.MEETS):
            raise InputError(
                "a rod that meets its seat has no mm, and one that is too long or too short has; "
                "say meets, or too long or too short by how many mm",
                field="trial",
            )
        if self.by_mm is not None and not 0 < self.by_mm <= MOST_BY_MM:
            raise InputError(
                f"{self.seen.words} by {plain(self.by_mm)} mm cannot be; say too long or too "
                f"short, and by how many mm, above 0 and at most {plain(MOST_BY_MM)}",
                field="trial", value=self.by_mm, allowed=f"above 0, at most {plain(MOST_BY_MM)} mm",
            )

    @property
    def seat_mm(self) -> Decimal:
        """Distance of the seats: the rod − too long + too short."""
        by = self.by_mm or Decimal(0)
        return length_of(self.label) - by if self.seen is Seen.TOO_LONG else (
            length_of(self.label) + by
        )

    @property
    def words(self) -> str:
        """What was seen, such as "28.7 too long by 0.8 mm"."""
        by = "" if self.by_mm is None else f" by {plain(self.by_mm)} mm"
        return f"{self.label} {self.seen.words}{by}"


@dataclass(frozen=True)
class TrialSeen(Finite):
    """What was seen with the patient as far forward as they can go, pads touching.

    Args:
        read_to_mm: Step to which the gaps were read.
        correct: What was recorded wrongly, where left and right disagree; None: nothing is said.
        on: Day of the trial fit; None for today.
    """

    left: SideSeen
    right: SideSeen
    read_to_mm: Decimal = READ_TO_MM
    correct: Correct | None = None
    on: datetime.date | None = None

    def side(self, side: Side) -> SideSeen:
        """Give what was seen on one side."""
        return self.left if side is Side.LEFT else self.right

    @property
    def seats_mm(self) -> tuple[float, float]:
        """Distance of the seats at the true maximum, left and right."""
        return float(self.left.seat_mm), float(self.right.seat_mm)


def step_at_100(
    scale: BiteScale, prescription: Prescription, limits: LengthLimits
) -> tuple[Step | None, tuple[Finding, ...]]:
    """Work out the rods of 100 %, whether or not the grading asks for them."""
    asked = AskedStep(HUNDRED, HUNDRED, scale.range_mm, start=False)
    steps, findings = compute_steps((asked,), scale, prescription, limits)
    return (steps[0] if steps else None), findings


def cannot_have_been_seen(seen: TrialSeen, rods: tuple[RodOut, ...]) -> Iterator[Finding]:
    """Refuse rods that are not in circulation, and seats that no rod leaves.

    Yields:
        At most one refusal a side.
    """
    for side in Side:
        one = seen.side(side)
        out = [rod for rod in rods_of(rods, side) if rod.made]
        if not any(rod.length == length_of(one.label) for rod in out):
            yield _not_out(one.label, side, rods, out)
        elif one.seat_mm <= 0:
            yield refused(
                "gap_too_large",
                f"the {side} rod {one.words} leaves nothing between the seats; give how far its "
                "free end lies from its seat, in mm",
                f"{one.label} {side}",
            )


def _not_out(label: str, side: Side, rods: tuple[RodOut, ...], out: list[RodOut]) -> Finding:
    reserved = any(rod.length == length_of(label) for rod in rods_of(rods, side))
    why = "is only reserved and not made yet" if reserved else "is not in circulation"
    labels = ", ".join(dict.fromkeys(rod.label for rod in out))
    others = f"on the {side} are {labels}" if labels else f"no rod is on the {side}"
    return refused(
        "rod_not_out",
        f"the {side} rod {label} {why}; {others}, so give the label of a rod that was tried",
        f"{label} {side}",
    )
