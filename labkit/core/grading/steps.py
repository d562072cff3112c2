"""The values of a spacer set before it is built: rod lengths, what they really do, steps."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, ClassVar

from labkit.core.findings import Finding, refusals
from labkit.core.form.keys import Key, quantity
from labkit.core.grading.prescription import Action, JawModelName, Side, Zero
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT, text_under
from labkit.core.numbers import Finite, require_finite
from labkit.core.rod.tolerances import linear_tolerance
from labkit.errors import InputError
from labkit.units import plain, written

if TYPE_CHECKING:
    from labkit.core.rod.rods import RodTemplate

#: Numbers of a set as it was made: nothing in a mouth is larger.
Mm = Annotated[float, quantity("", -1e4, 1e4, "")]

#: A percentage with no more decimals than these was stated so, and is shown so.
STATED_PERCENT_DECIMALS = 2
#: Other percentages, such as those of a series cut into equal parts, are shown with these.
PERCENT_DECIMALS = 1


def percent_decimals(percent: float | Decimal) -> int:
    """Give the number of decimals a percentage is shown with; the value itself is not rounded.

    >>> [percent_decimals(p) for p in (60, 62.5, 33.33, 100 / 13, 200 / 3)]
    [0, 1, 2, 1, 1]
    """
    stated = round(float(percent), STATED_PERCENT_DECIMALS)
    if abs(stated - float(percent)) > 1e-9:
        stated = round(float(percent), PERCENT_DECIMALS)
    return len(plain(stated).partition(".")[2])


def percent_name(percent: float | Decimal) -> str:
    """Name a step by its percentage.

    >>> percent_name(62.5), percent_name(33.33), percent_name(100 / 3)
    ('62.5 %', '33.33 %', '33.3 %')
    """
    return f"{plain(written(float(percent), percent_decimals(percent)))} %"


@dataclass(frozen=True)
class LengthLimits:
    """What a rod template allows, as far as grading needs it.

    Args:
        shortest_mm, longest_mm: Limits of the functional length, both included.
        tolerance_class: Class of ISO 2768-1, "f", "m", "c" or "v".
        template: Name of the template, for the sentences of findings.

    Raises:
        InputError: The limits are reversed, or the class has no tolerance at one of them.
    """

    shortest_mm: Decimal
    longest_mm: Decimal
    tolerance_class: str
    template: str

    def __post_init__(self) -> None:
        require_finite(self)
        if self.longest_mm < self.shortest_mm:
            raise InputError(
                f"template {self.template}: the longest rod ({self.longest_mm} mm) is shorter than "
                f"the shortest ({self.shortest_mm} mm); give the limits in rising order",
                field="longest_mm", value=self.longest_mm,
                allowed=f"at least {self.shortest_mm}",
            )
        linear_tolerance(self.tolerance_class, self.shortest_mm)
        linear_tolerance(self.tolerance_class, self.longest_mm)

    @classmethod
    def of(cls, template: RodTemplate) -> LengthLimits:
        """Take the limits of a rod template."""
        return cls(
            shortest_mm=template.shortest_mm, longest_mm=template.longest_mm,
            tolerance_class=template.length_tolerance, template=template.name,
        )

    def allows(self, length: Decimal) -> bool:
        """Tell whether a functional length lies within the limits, ends included."""
        return self.shortest_mm <= length <= self.longest_mm

    def tolerance_mm(self, length: Decimal) -> Decimal:
        """Give the default tolerance (±) of a length.

        A length outside the limits is refused elsewhere; here it gets the tolerance of the
        nearest length allowed, so that the refused table can still be shown.
        """
        nearest = min(max(length, self.shortest_mm), self.longest_mm)
        return linear_tolerance(self.tolerance_class, nearest)


@dataclass(frozen=True)
class RodLength(Finite):
    """One rod's functional length at one step.

    Args:
        exact_mm: Length from the jaw model, not rounded.
        length: Made length on the length grid, mm; the label is this number.
        mm_per_mm: dL/dd along the asked path, signed, at the asked displacement.
        tolerance_mm: Tolerance of the made length, ±.
    """

    exact_mm: Mm
    length: Decimal = field(metadata=text_under("length_mm", "label"))
    mm_per_mm: Mm
    tolerance_mm: Decimal

    @property
    def label(self) -> str:
        """The functional length as engraved."""
        return f"{self.length}"


@dataclass(frozen=True)
class Made(Finite):
    """Where the jaw stands with the made pair of rods; None where the model does not know.

    Args:
        percent: The same in percent of the protrusive range.
        side_mismatch_mm: Straight and sliding: advancement by the left rod minus by the right.
        deviation_mm: Sideways from the registered bite at the incisal point, + to the left.
        pitch_deg, yaw_deg, roll_deg: Hinged: components of the rotation vector; + chin down,
            + chin to the patient's left, + left side up.
        pad_gap_left_mm, pad_gap_right_mm: Hinged: vertical gap, + where the pads stand apart.
    """

    advancement_mm: Mm
    percent: Mm
    side_mismatch_mm: Mm | None = None
    deviation_mm: Mm | None = None
    pitch_deg: Mm | None = None
    yaw_deg: Mm | None = None
    roll_deg: Mm | None = None
    pad_gap_left_mm: Mm | None = None
    pad_gap_right_mm: Mm | None = None


@dataclass(frozen=True)
class Hold(Finite):
    """How far the jaw can move between the pairs that a release lets through.

    Args:
        forward_mm: Worst movement forward or back from where the made rods hold it, ±; None where
            a pair within tolerance has no pose.
        sideways_mm: Worst movement sideways, ±; None where the model reads each side by itself.
        problem: Why a pair within tolerance has no pose, empty where every one has.
    """

    forward_mm: Mm | None
    sideways_mm: Mm | None
    problem: str = field(default="", metadata=LEFT_OUT_AT_DEFAULT)


@dataclass(frozen=True)
class Step(Finite):
    """One setting of the appliance: one percent, one left and one right rod.

    Args:
        advancement_mm: Advancement asked for, from zero.
        displacement_mm: The same from the registered bite, + forward.
        made: Where the jaw stands with the made rods.
        hold: How far rods within tolerance let it move; None in sets recorded before this was
            worked out.
    """

    percent: Mm
    advancement_mm: Mm
    displacement_mm: Mm
    start: bool
    left: RodLength
    right: RodLength
    made: Made
    hold: Hold | None = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)

    @property
    def name(self) -> str:
        """The step's name in sentences, such as "62.5 %"."""
        return percent_name(self.percent)

    @property
    def rounding_mm(self) -> float:
        """Advancement made minus advancement asked for."""
        return self.made.advancement_mm - self.advancement_mm

    def rod(self, side: Side) -> RodLength:
        """Give one side's rod."""
        return self.left if side is Side.LEFT else self.right


@dataclass(frozen=True)
class SpacerSet(Finite):
    """A graded set of rods, with what was found while grading it.

    Args:
        zero: Reading that counts as 0 %.
        range_mm: Protrusive range; None where the readings do not give one.
        steps: Steps by rising percent; those that cannot be computed are missing.
        assumed: Keys of [jaw] that are averages, not this patient's.
        findings: Refusals first, then notes.
    """

    zero: Zero
    range_mm: Mm | None
    jaw_model: JawModelName
    action: Action
    steps: Annotated[tuple[Step, ...], Key(allowed="a list of steps")]
    assumed: tuple[str, ...]
    findings: Annotated[tuple[Finding, ...], Key(allowed="a list of findings")]

    ALSO: ClassVar = ("schema", "case")

    @property
    def refused(self) -> tuple[Finding, ...]:
        """The findings that stop the set; empty where it may be made."""
        return refusals(self.findings)
