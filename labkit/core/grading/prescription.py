"""The values of a prescription after reading: what the prescriber recorded and asks for."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from labkit.core.form.keys import WORKED_OUT, Key, file_key, quantity
from labkit.core.grading.jaw_averages import (
    CONDYLAR_INCLINATION_DEG,
    PADS_LEFT,
    PADS_RIGHT,
    bonwill_condyles,
)
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.core.label.rules import CASE_MARK_ALLOWED, is_case_mark
from labkit.core.numbers import Finite

Point = tuple[float, float, float]


#: Gauges read along some 30 mm; a reading beyond that is a slip of the decimal point.
MOST_READING_MM = 30.0
#: A lower midline that shifts by more than this is a slip as well.
MOST_MIDLINE_DEVIATION_MM = 15.0
#: No point of the jaws lies farther than this from the incisors.
REACH = 200.0
#: Rods between these are thinkable at all; a template's own limits are narrower.
ROD = (5.0, 120.0)
#: More steps than this in one set is a slip of the step size.
MOST_STEPS = 60
CASE_CHARACTERS = 40
#: Characters of the notes: what still leaves room on a case sheet.
NOTES_CHARACTERS = 2000


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


#: The fields of the jaw that each model computes with.
MODEL_FIELDS = {
    JawModelName.STRAIGHT: (),
    JawModelName.SLIDING: ("path_inclination_deg",),
    JawModelName.HINGED: (
        "condylar_inclination_deg", "condyle_left", "condyle_right", "contact_inclination_deg",
        "pads_left", "pads_right", "incisal",
    ),
}


def _reading(about: str) -> Key:
    return quantity(about, -MOST_READING_MM, MOST_READING_MM)


def _point(about: str, **more: Any) -> Key:
    words = f"three numbers [x, y, z] in mm, each from {-REACH:g} to {REACH:g}"
    return quantity(about, -REACH, REACH, allowed=words, **more)


def _above_0(number: Decimal) -> bool:
    return number > 0


def _in_hundredths(number: Decimal) -> bool:
    return number % Decimal("0.01") == 0


def _trimmed(text: object) -> object:
    """Drop space and line breaks at the ends: a text in triple quotes always ends in one."""
    return text.strip() if isinstance(text, str) else text


def _steps(about: str, unit: str) -> Any:
    words = f"a list of 1 to {MOST_STEPS} numbers in {unit}"
    key = Key(about, words, unit=unit, least=1, most=MOST_STEPS)
    return Annotated[tuple[Decimal, ...] | None, key]


@dataclass(frozen=True)
class Bite(Finite):
    """Bite readings along the gauge's scale at the incisors, + forward; decimals as written."""

    zero: Annotated[
        Zero, Key("which reading is 0 %", '"retruded" or "habitual"; it is never guessed')
    ]
    protruded: Annotated[Decimal, _reading("jaw fully forward")]
    registered: Annotated[Decimal, _reading("where the bite was taken")]
    retruded: Annotated[
        Decimal | None, _reading('jaw fully back; required unless zero = "habitual"')
    ] = None
    habitual: Annotated[
        Decimal | None, _reading('habitual bite; required if zero = "habitual"')
    ] = None
    midline_deviation_mm: Annotated[Decimal, quantity(
        "sideways shift of the lower midline from retruded to protruded, + to the patient's left",
        -MOST_MIDLINE_DEVIATION_MM, MOST_MIDLINE_DEVIATION_MM,
    )] = Decimal(0)
    vertical_opening_mm: Annotated[Decimal | None, quantity(
        "opening at the registered bite; shown, not computed with", 0, 40
    )] = None


@dataclass(frozen=True)
class Anchors(Finite):
    """Where one side's rod is held at the registered bite; None where that was not recorded."""

    pin_distance_mm: Annotated[float | None, quantity(
        "distance of the anchor points, if it differs from side to side", *ROD
    )] = None
    upper: Annotated[Point | None, _point("upper anchor point")] = None
    lower: Annotated[Point | None, _point("lower anchor point")] = None

    def or_apart(self, pin_distance_mm: float | None) -> Anchors:
        """Take the distance that is told for both sides where this one's is not told."""
        if self.pin_distance_mm is not None:
            return self
        return replace(self, pin_distance_mm=pin_distance_mm)


def _each_side(value: object) -> object:
    """Take one number for both sides, or a table with left and right, as a pair."""
    if isinstance(value, dict) and set(value) == {"left", "right"}:
        return [value["left"], value["right"]]
    return [value, value] if isinstance(value, (int, Decimal)) else value


@dataclass(frozen=True)
class Jaw(Finite):
    """Jaw model and the patient's (or average) geometry.

    Args:
        assumed: Keys of [jaw] that are averages, not this patient's.
    """

    model: Annotated[
        JawModelName, Key("how rod length follows from jaw position")
    ] = JawModelName.STRAIGHT
    path_inclination_deg: Annotated[float, quantity(
        "sliding: path to the occlusal plane, + downwards going forward; average: 0",
        -60, 60, "degrees", otherwise="average",
    )] = 0.0
    condylar_inclination_deg: Annotated[tuple[float, float], quantity(
        "hinged: sagittal condylar inclination to the occlusal plane; average: 30",
        0, 80, "degrees", allowed="a number in degrees from 0 to 80, or [left, right]",
        tidy=_each_side, otherwise="average",
    )] = (CONDYLAR_INCLINATION_DEG, CONDYLAR_INCLINATION_DEG)
    condyle_left: Annotated[Point, _point(
        "hinged: left condyle centre; average: Bonwill triangle, side 101.6 mm, at 22° behind "
        "the incisal point", otherwise="average",
    )] = (0.0, 0.0, 0.0)
    condyle_right: Annotated[Point, _point(
        "hinged: right condyle centre; average: as left", otherwise="average"
    )] = (0.0, 0.0, 0.0)
    contact_inclination_deg: Annotated[float, quantity(
        "hinged: plane on which the pads slide; average: 0", -45, 45, "degrees",
        otherwise="average",
    )] = 0.0
    pads_left: Annotated[Point, _point(
        "hinged: left pad contact; average: [-30, 22, 0]", otherwise="average"
    )] = (0.0, 0.0, 0.0)
    pads_right: Annotated[Point, _point(
        "hinged: right pad contact; average: [-30, -22, 0]", otherwise="average"
    )] = (0.0, 0.0, 0.0)
    incisal: Annotated[Point, _point(
        "hinged: lower incisal point; average: [0, 0, 0]", otherwise="average"
    )] = (0.0, 0.0, 0.0)
    assumed: Annotated[tuple[str, ...], WORKED_OUT] = ()

    @classmethod
    def from_file(cls, **given: Any) -> Jaw:
        """Fill in averages for what was not recorded, and name them."""
        left, right = bonwill_condyles(given.get("incisal", (0.0, 0.0, 0.0)))
        averages: dict[str, Any] = {
            "condyle_left": left, "condyle_right": right,
            "pads_left": PADS_LEFT, "pads_right": PADS_RIGHT,
        }
        used = MODEL_FIELDS[given.get("model", JawModelName.STRAIGHT)]
        assumed = tuple(file_key(name) for name in used if name not in given)
        return cls(**{**averages, **given}, assumed=assumed)


#: Sideways movement within tolerance that needs no word of the prescriber.
MOST_SIDEWAYS_MM = Decimal(1)


class GradingUnit(StrEnum):
    """What a graded series is counted in."""

    PERCENT = "percent"
    ADVANCEMENT = "advancement"


@dataclass(frozen=True)
class Grading(Finite):
    """Which steps are wanted, in percent or in mm of advancement.

    Exactly one of `listed`, `step` and `steps` says how: values listed; first, last and step;
    or first, last and a number of steps.

    Args:
        unit: Percent or mm of advancement, for every value below.
        listed: The values as typed, rising or falling; empty where a series is given.
        tolerance_mm: None for the template's own.
        side_tolerance_mm: None for the rods' length tolerance.
    """

    unit: Annotated[GradingUnit, WORKED_OUT]
    listed: Annotated[tuple[Decimal, ...], WORKED_OUT] = ()
    first: Annotated[
        Decimal | None, Key("series: first step, in `unit`", unit="% or mm", allowed="a number")
    ] = None
    last: Annotated[
        Decimal | None, Key("series: last step, in `unit`", unit="% or mm", allowed="a number")
    ] = None
    step: Annotated[Decimal | None, Key(
        "series: distance of neighbours, in `unit`", "a number above 0", unit="% or mm",
        holds=_above_0,
    )] = None
    steps: Annotated[
        int | None, quantity("series: number of steps, instead of `step`", 1, MOST_STEPS, "")
    ] = None
    start: Annotated[Decimal | None, Key(
        "starting step, as one of the steps and in their unit, with all decimals or rounded as "
        "printed", "a number", unit="% or mm",
    )] = None
    grid_mm: Annotated[Decimal, quantity(
        "length grid: rods are rounded to it", 0.01, 1,
        allowed="a multiple of 0.01 mm from 0.01 to 1",
        holds=_in_hundredths,
    )] = Decimal("0.1")
    tolerance_mm: Annotated[Decimal | None, quantity(
        "length tolerance, ±; default: the template's ISO 2768-1 class", 0.001, 2
    )] = None
    side_tolerance_mm: Annotated[Decimal | None, quantity(
        "tolerance of left minus right of a step, measured against labels, ±; default: the "
        "rods' length tolerance, the smaller of the two", 0.001, 2,
    )] = None
    start_step: Annotated[int | None, quantity(
        "starting step by its number, 1 for the step of the least advancement, instead of `start`",
        1, MOST_STEPS, "",
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    most_sideways_mm: Annotated[Decimal, quantity(
        "how far rods within tolerance may let the jaw move sideways, ±; papers say so where it is "
        "more than 1 mm", 0.1, 5,
    )] = field(default=MOST_SIDEWAYS_MM, metadata=LEFT_OUT_AT_DEFAULT)

    FILE_ONLY: ClassVar = {
        "percent": _steps("steps listed in percent", "%"),
        "advancement": _steps("steps listed in mm of advancement", "mm"),
        "unit": Annotated[str | None, Key(
            "what first, last, step and start of a series are counted in",
            choices=("percent", "mm"), otherwise='"percent"',
        )],
    }

    @classmethod
    def from_file(
        cls,
        *,
        percent: tuple[Decimal, ...] | None,
        advancement: tuple[Decimal, ...] | None,
        unit: str | None,
        **given: Any,
    ) -> Grading:
        """Take the steps in the unit that they are listed or counted in."""
        in_mm = advancement is not None or (percent is None and unit == "mm")
        return cls(
            unit=GradingUnit.ADVANCEMENT if in_mm else GradingUnit.PERCENT,
            listed=percent or advancement or (),
            **given,
        )


@dataclass(frozen=True)
class Prescription:
    """A whole prescription, checked for form; the rules of the trade are checked in grading.

    Args:
        prescriber, notes: Empty if not given.
    """

    case: Annotated[str, Key(
        "the lab's case number, never a patient's name",
        f"printable text of 1 to {CASE_CHARACTERS} characters, no space at its ends",
        most=CASE_CHARACTERS, holds=str.isprintable,
    )]
    date: Annotated[datetime.date, Key(
        "date of the prescription; every date in the set is this one"
    )]
    bite: Annotated[Bite, Key("bite readings")]
    action: Annotated[Action, Key(
        "pull: the upper seat lies in front of the lower one, a shorter rod advances; push: the "
        "other way round", at="appliance.action",
    )]
    template: Annotated[str, Key(
        "name of the rod template (`labkit templates`)", "a template's name",
        at="appliance.template",
    )]
    left: Annotated[Anchors, Key("the left side", at="appliance.left")]
    right: Annotated[Anchors, Key("the right side", at="appliance.right")]
    jaw: Annotated[Jaw, Key("jaw model")]
    grading: Annotated[Grading, Key("steps", required=True)]
    prescriber: Annotated[
        str, Key("code or name of the prescriber", "text without space at its ends")
    ] = ""
    notes: Annotated[str, Key(
        "free text, shown on the papers", f"text of at most {NOTES_CHARACTERS} characters",
        most=NOTES_CHARACTERS, tidy=_trimmed,
    )] = ""
    sides_differ: Annotated[bool, Key(
        "confirms sides that differ much: both were measured again, and they do differ so much",
        at="appliance.sides_differ", otherwise="false",
    )] = field(default=False, metadata=LEFT_OUT_AT_DEFAULT)
    case_mark: Annotated[str, Key(
        "engraved beside the length on every rod of the case, so that two cases washed together "
        "can be distinguished", CASE_MARK_ALLOWED, holds=is_case_mark, otherwise="none",
    )] = field(default="", metadata=LEFT_OUT_AT_DEFAULT)

    FILE_ONLY: ClassVar = {
        "pin_distance": Annotated[float | None, quantity(
            "distance of the anchor points, both sides, at the registered bite", *ROD,
            at="appliance.pin_distance",
        )],
    }

    @classmethod
    def from_file(
        cls, *, pin_distance: float | None, left: Anchors, right: Anchors, **given: Any
    ) -> Prescription:
        """Give both sides the distance that is told for both."""
        return cls(left=left.or_apart(pin_distance), right=right.or_apart(pin_distance), **given)

    def anchors(self, side: Side) -> Anchors:
        """Give the anchors of one side."""
        return self.left if side is Side.LEFT else self.right
