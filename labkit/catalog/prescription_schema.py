"""The keys of a prescription file; the README's table of keys is made from this module."""

from __future__ import annotations

import datetime
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from labkit.catalog.keys import Number, Table, Text, Version, key, quantity
from labkit.core.grading.bite import MOST_MIDLINE_DEVIATION_MM, MOST_READING_MM

READING = MOST_READING_MM
#: No point of the jaws lies farther than this from the incisors.
REACH = 200.0
#: Rods between these are thinkable at all; a template's own limits are narrower.
ROD = (5.0, 120.0)
#: More steps than this in one set is a slip of the step size.
MOST_STEPS = 60
#: Characters of a case number.
CASE_CHARACTERS = 40
#: Characters of the notes: what still leaves room on a case sheet.
NOTES_CHARACTERS = 2000


def _printable(value: object) -> str:
    if not isinstance(value, str) or not value.isprintable() or not value.strip():
        raise PydanticCustomError("case", "printable text")
    if value != value.strip() or len(value) > CASE_CHARACTERS:
        raise PydanticCustomError("case", "printable text")
    return value


def _date(value: object) -> datetime.date:
    if isinstance(value, datetime.datetime) or not isinstance(value, datetime.date):
        raise PydanticCustomError("date", "a date")
    return value


def _inclinations(value: object) -> object:
    """Take one number for both sides, or a pair, or a table with left and right."""
    if isinstance(value, dict) and set(value) == {"left", "right"}:
        return [value["left"], value["right"]]
    return value if isinstance(value, list) else [value, value]


def _trimmed(value: object) -> object:
    """Drop space and line breaks at the ends: a text in triple quotes always ends in one."""
    return value.strip() if isinstance(value, str) else value


Notes = Annotated[Text, BeforeValidator(_trimmed)]
Case = Annotated[str, BeforeValidator(_printable)]
Day = Annotated[datetime.date, BeforeValidator(_date)]
Coordinate = Annotated[Number, Field(ge=-int(REACH), le=int(REACH))]
PointKey = Annotated[list[Coordinate], Field(min_length=3, max_length=3)]
Inclination = Annotated[Number, Field(ge=0, le=80)]
Inclinations = Annotated[
    list[Inclination], BeforeValidator(_inclinations), Field(min_length=2, max_length=2)
]

_POINT = f"three numbers [x, y, z] in mm, each from {-REACH:g} to {REACH:g}"


def _point(about: str) -> PointKey | None:
    return key(about, _POINT, default=None, unit="mm")  # type: ignore[no-any-return]


class BiteKeys(Table):
    """[bite]: readings of the bite gauge along its scale at the incisors, + forward."""

    zero: Literal["retruded", "habitual"] = key(
        "which reading is 0 %", '"retruded" or "habitual"; it is never guessed'
    )
    retruded: Number | None = quantity(
        'jaw fully back; required unless zero = "habitual"', -READING, READING, default=None
    )
    habitual: Number | None = quantity(
        'habitual bite; required if zero = "habitual"', -READING, READING, default=None
    )
    protruded: Number = quantity("jaw fully forward", -READING, READING)
    registered: Number = quantity("where the bite was taken", -READING, READING)
    midline_deviation: Number = quantity(
        "sideways shift of the lower midline from retruded to protruded, + to the patient's left",
        -MOST_MIDLINE_DEVIATION_MM,
        MOST_MIDLINE_DEVIATION_MM,
        default=Decimal(0),
    )
    vertical_opening: Number | None = quantity(
        "opening at the registered bite; shown, not computed with", 0, 40, default=None
    )


class SideKeys(Table):
    """[appliance.left] and [appliance.right]: one side's anchor points at the registered bite."""

    pin_distance: Number | None = quantity(
        "distance of the anchor points, if it differs from side to side", *ROD, default=None
    )
    upper: PointKey | None = _point("upper anchor point")
    lower: PointKey | None = _point("lower anchor point")


class ApplianceKeys(Table):
    """[appliance]: the splints and which rod joins them."""

    action: Literal["pull", "push"] = key(
        "pull: the upper seat lies in front of the lower one, a shorter rod advances; push: the "
        "other way round",
        '"pull" or "push"',
    )
    template: Text = key("name of the rod template (`labkit templates`)", "a template's name")
    pin_distance: Number | None = quantity(
        "distance of the anchor points, both sides, at the registered bite", *ROD, default=None
    )
    left: SideKeys | None = key("the left side", "a table", default=None)
    right: SideKeys | None = key("the right side", "a table", default=None)


class JawKeys(Table):
    """[jaw]: the jaw model; the whole table may be left out (straight)."""

    model: Literal["straight", "sliding", "hinged"] = key(
        "how rod length follows from jaw position",
        '"straight", "sliding" or "hinged"',
        default="straight",
    )
    path_inclination: Number | None = quantity(
        "sliding: path to the occlusal plane, + downwards going forward; average: 0",
        -60,
        60,
        "degrees",
        default=None,
    )
    condylar_inclination: Inclinations | None = key(
        "hinged: sagittal condylar inclination to the occlusal plane; average: 30",
        "a number in degrees from 0 to 80, or [left, right]",
        default=None,
        unit="degrees",
    )
    condyle_left: PointKey | None = _point(
        "hinged: left condyle centre; average: Bonwill triangle, side 101.6 mm, at 22° behind "
        "the incisal point"
    )
    condyle_right: PointKey | None = _point("hinged: right condyle centre; average: as left")
    contact_inclination: Number | None = quantity(
        "hinged: plane on which the pads slide; average: 0", -45, 45, "degrees", default=None
    )
    pads_left: PointKey | None = _point("hinged: left pad contact; average: [-30, 22, 0]")
    pads_right: PointKey | None = _point("hinged: right pad contact; average: [-30, -22, 0]")
    incisal: PointKey | None = _point("hinged: lower incisal point; average: [0, 0, 0]")


class GradingKeys(Table):
    """[grading]: the steps, listed or as a series, in percent or in mm of advancement."""

    percent: list[Number] | None = key(
        "steps listed in percent",
        f"a list of 1 to {MOST_STEPS} numbers in %",
        default=None,
        unit="%",
        min_length=1,
        max_length=MOST_STEPS,
    )
    advancement: list[Number] | None = key(
        "steps listed in mm of advancement",
        f"a list of 1 to {MOST_STEPS} numbers in mm",
        default=None,
        unit="mm",
        min_length=1,
        max_length=MOST_STEPS,
    )
    first: Number | None = key(
        "series: first step, in `unit`", "a number", default=None, unit="% or mm"
    )
    last: Number | None = key(
        "series: last step, in `unit`", "a number", default=None, unit="% or mm"
    )
    step: Number | None = key(
        "series: distance of neighbours, in `unit`",
        "a number above 0",
        default=None,
        unit="% or mm",
        gt=0,
    )
    steps: int | None = key(
        "series: number of steps, instead of `step`",
        f"a whole number from 1 to {MOST_STEPS}",
        default=None,
        ge=1,
        le=MOST_STEPS,
        strict=True,
    )
    unit: Literal["percent", "mm"] = key(
        "what first, last, step and start of a series are counted in",
        '"percent" or "mm"',
        default="percent",
    )
    start: Number | None = key(
        "starting step, as one of the steps and in their unit",
        "a number",
        default=None,
        unit="% or mm",
    )
    grid: Number = key(
        "length grid: rods are rounded to it",
        "a multiple of 0.01 mm from 0.01 to 1",
        default=Decimal("0.1"),
        unit="mm",
        ge=Decimal("0.01"),
        le=Decimal(1),
        multiple_of=Decimal("0.01"),
    )
    tolerance: Number | None = quantity(
        "length tolerance, ±; default: the template's ISO 2768-1 class", 0.001, 2, default=None
    )
    side_tolerance: Number | None = quantity(
        "tolerance of left minus right of a step, measured against labels, ±; default: the "
        "rods' length tolerance, the smaller of the two",
        0.001,
        2,
        default=None,
    )


class PrescriptionKeys(Table):
    """The top of the file."""

    schema_: Version = key("version of this file's form", "1", alias="schema")
    case: Case = key(
        "the lab's case number, never a patient's name",
        f"printable text of 1 to {CASE_CHARACTERS} characters, no space at its ends",
    )
    date: Day = key(
        "date of the prescription; every date in the set is this one",
        "a date such as 2031-03-14, without quotes",
    )
    prescriber: Text | None = key(
        "code or name of the prescriber", "text without space at its ends", default=None
    )
    notes: Notes | None = key(
        "free text, shown on the papers",
        f"text of at most {NOTES_CHARACTERS} characters",
        default=None,
        max_length=NOTES_CHARACTERS,
    )
    bite: BiteKeys = key("bite readings", "a table [bite]")
    appliance: ApplianceKeys = key("splints and rods", "a table [appliance]")
    jaw: JawKeys = key("jaw model", "a table [jaw]", default=JawKeys())
    grading: GradingKeys = key("steps", "a table [grading]")
