"""The values of a prescription after reading: what the prescriber recorded and asks for."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from labkit.core.numbers import require_finite

Point = tuple[float, float, float]


class Zero(StrEnum):
    """The bite reading that counts as 0 %."""

    RETRUDED = "retruded"
    HABITUAL = "habitual"


class Action(StrEnum):
    """Rod action: a shorter (pull) or a longer (push) rod gives more advancement."""

    PULL = "pull"
    PUSH = "push"

    @property
    def sigma(self) -> int:
        """Sign of the action in L = L_reg − σ d: +1 for pull, −1 for push."""
        return 1 if self is Action.PULL else -1


class Side(StrEnum):
    """Side of the patient."""

    LEFT = "left"
    RIGHT = "right"


class JawModelName(StrEnum):
    """The three jaw models."""

    STRAIGHT = "straight"
    SLIDING = "sliding"
    HINGED = "hinged"


@dataclass(frozen=True)
class Bite:
    """Bite readings along the gauge's scale, + forward; decimals as written.

    Args:
        zero: Reading that is 0 %.
        retruded: Fully back, None only where zero is habitual.
        habitual: Habitual bite, None if not recorded.
        registered: Reading at which the bite was taken.
        midline_deviation_mm: Sideways shift of the lower midline from retruded to protruded,
            + to the patient's left.
        vertical_opening_mm: Opening at the registered bite; shown, not computed with.
    """

    zero: Zero
    protruded: Decimal
    registered: Decimal
    retruded: Decimal | None = None
    habitual: Decimal | None = None
    midline_deviation_mm: Decimal = Decimal(0)
    vertical_opening_mm: Decimal | None = None

    def __post_init__(self) -> None:
        require_finite(self)


@dataclass(frozen=True)
class Anchors:
    """Where one side's rod is held at the registered bite.

    Args:
        pin_distance_mm: Stated distance of the anchor points, None if not stated.
        upper: Upper anchor point, mm, None if not recorded.
        lower: Lower anchor point, mm, None if not recorded.
    """

    pin_distance_mm: float | None = None
    upper: Point | None = None
    lower: Point | None = None

    def __post_init__(self) -> None:
        require_finite(self)


@dataclass(frozen=True)
class Jaw:
    """Jaw model and the patient's (or average) geometry.

    Args:
        path_inclination_deg: Sliding: path to the occlusal plane, + downwards going forward.
        condylar_inclination_deg: Hinged: sagittal condylar inclination, (left, right).
        condyle_left, condyle_right: Hinged: condyle centres, mm.
        contact_inclination_deg: Hinged: contact plane of the pads.
        pads_left, pads_right: Hinged: contact points of the pads, mm.
        incisal: Lower incisal point at the registered bite, mm.
        assumed: Keys of [jaw] that are averages, not this patient's.
    """

    model: JawModelName
    path_inclination_deg: float = 0.0
    condylar_inclination_deg: tuple[float, float] = (30.0, 30.0)
    condyle_left: Point = (0.0, 0.0, 0.0)
    condyle_right: Point = (0.0, 0.0, 0.0)
    contact_inclination_deg: float = 0.0
    pads_left: Point = (0.0, 0.0, 0.0)
    pads_right: Point = (0.0, 0.0, 0.0)
    incisal: Point = (0.0, 0.0, 0.0)
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        require_finite(self)


class GradingUnit(StrEnum):
    """What a graded series is counted in."""

    PERCENT = "percent"
    ADVANCEMENT = "advancement"


@dataclass(frozen=True)
class Grading:
    """Which steps are wanted, in percent or in mm of advancement.

    Exactly one of `listed`, `step` and `steps` says how: values listed; first, last and step;
    or first, last and a number of steps.

    Args:
        unit: Percent or mm of advancement, for every value below.
        listed: The values, in rising order; empty where a series is given.
        first, last: Ends of a series, both included.
        step: Distance of neighbours in a series.
        steps: Number of steps in a series, ends included.
        start: The starting step, as a value of the series; None if the prescriber names none.
        tolerance_mm: Length tolerance, ±; None for the template's own.
        side_tolerance_mm: Tolerance of left minus right against the labels, ±; None for the rods'
            length tolerance.
    """

    unit: GradingUnit
    listed: tuple[Decimal, ...] = ()
    first: Decimal | None = None
    last: Decimal | None = None
    step: Decimal | None = None
    steps: int | None = None
    start: Decimal | None = None
    grid_mm: Decimal = Decimal("0.1")
    tolerance_mm: Decimal | None = None
    side_tolerance_mm: Decimal | None = None

    def __post_init__(self) -> None:
        require_finite(self)


@dataclass(frozen=True)
class Prescription:
    """A whole prescription, checked for form; the rules of the trade are checked in grading.

    Args:
        case: The lab's case number.
        date: Date of the prescription; every date in the set comes from it.
        prescriber: Code or name of the prescriber, empty if not given.
        notes: Free text, empty if not given.
    """

    case: str
    date: datetime.date
    bite: Bite
    action: Action
    template: str
    left: Anchors
    right: Anchors
    jaw: Jaw
    grading: Grading
    prescriber: str = ""
    notes: str = ""

    def anchors(self, side: Side) -> Anchors:
        """Give the anchors of one side."""
        return self.left if side is Side.LEFT else self.right
