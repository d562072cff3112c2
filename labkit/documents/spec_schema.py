"""What the papers need of a set's spacer-set.json, with types and ranges.

The file may come from another machine: nothing in it becomes a file name, a template or a number
of a drawing before it has passed here.
"""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from labkit.core.case.identifier import parse_identifier
from labkit.core.file_names import is_inside
from labkit.errors import InputError


def _date(text: str) -> str:
    try:
        datetime.date.fromisoformat(text)
    except ValueError as error:
        raise PydanticCustomError("date", "a date such as 2031-03-14") from error
    return text


def _identifier(text: str) -> str:
    try:
        same = parse_identifier(text) == text
    except InputError:
        same = False
    if not same:
        raise PydanticCustomError("identifier", "ten digits with a right check digit")
    return text


def _file(folder: str) -> AfterValidator:
    def check(name: str) -> str:
        if not is_inside(name) or not name.startswith(f"{folder}/") or name.count("/") != 1:
            raise PydanticCustomError("file", "a file in the set's folder {folder}/",
                                      {"folder": folder})
        return name

    return AfterValidator(check)


class Table(BaseModel):
    """A JSON object; keys that the papers do not need may be there."""

    model_config = ConfigDict(strict=True, frozen=True)


Text = Annotated[str, Field(max_length=10_000)]
Word = Annotated[str, Field(min_length=1, max_length=2_000)]
Mm = Annotated[float, Field(allow_inf_nan=False, ge=-1e4, le=1e4)]
Size = Annotated[float, Field(gt=0, le=1_000)]
NoSize = Annotated[float, Field(ge=0, le=1_000)]
Fit = Annotated[str, Field(pattern=r"^[A-Za-z]{1,2}\d{1,2}$")]
Count = Annotated[int, Field(ge=1, le=100_000)]
Length = Annotated[str, Field(pattern=r"^\d{1,3}(\.\d{1,3})?$")]
Date = Annotated[str, AfterValidator(_date)]
Identifier = Annotated[str, AfterValidator(_identifier)]
Name = Annotated[str, Field(pattern=r"^\d{1,3}(\.\d{1,3})?[LR]?$")]
Point = Annotated[list[Mm], Field(min_length=1, max_length=3)]


class Program(Table):
    """Which program made the set."""

    name: Word
    version: Word


class Bite(Table):
    """Bite readings."""

    zero: Literal["retruded", "habitual"]
    retruded: Mm | None
    habitual: Mm | None
    protruded: Mm
    registered: Mm
    midline_deviation_mm: Mm
    vertical_opening_mm: Mm | None


class Grading(Table):
    """How lengths were rounded."""

    grid_mm: Mm


class Prescription(Table):
    """What was asked for."""

    bite: Bite
    grading: Grading
    jaw: dict[str, Mm | Point | list[str] | str | None]
    prescriber: Text
    notes: Text


class Sizes(Table):
    """Sizes of a rod: these and no others."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")


class FlatBar(Sizes):
    """A flat body."""

    height_mm: Size
    thickness_mm: Size
    edge_radius_mm: NoSize
    blend_radius_mm: Size


class RoundBar(Sizes):
    """A round body."""

    diameter_mm: Size
    flat_depth_mm: NoSize


class Eye(Sizes):
    """An end with a bore."""

    kind: Literal["eye"]
    bore_diameter_mm: Size
    boss_diameter_mm: Size
    fit: Fit


class Ball(Sizes):
    """An end with a ball."""

    kind: Literal["ball"]
    ball_diameter_mm: Size
    neck_diameter_mm: Size
    neck_length_mm: NoSize
    fit: Fit


class Crosspin(Sizes):
    """An end with a pin."""

    kind: Literal["crosspin"]
    pin_diameter_mm: Size
    pin_length_mm: Size
    lip_diameter_mm: Size
    lip_thickness_mm: NoSize
    boss_diameter_mm: Size
    fit: Fit


Fitting = Annotated[Eye | Ball | Crosspin, Field(discriminator="kind")]


class LabelPlace(Sizes):
    """Where the label is."""

    height_mm: Size
    depth_mm: Size
    margin_mm: NoSize
    side_mark: bool


class Template(Table):
    """The rod template."""

    name: Word
    title: Word
    description: Text
    hardware: Text
    body: FlatBar | RoundBar
    lower: Fitting
    upper: Fitting
    label: LabelPlace
    shortest_mm: Size
    longest_mm: Size
    length_tolerance: Literal["f", "m", "c", "v"]


class Bed(Table):
    """The bed of the machine."""

    border_mm: Mm


class Process(Table):
    """How the rods are made."""

    name: Word
    title: Word
    machine: Text
    material: Text
    evidence: Text
    compensation: dict[str, Mm]
    plate: Bed
    gauge_uncertainty_mm: Mm


class Side(Table):
    """One rod of a step."""

    length_mm: Length
    label: Length


class Made(Table):
    """What the made rods do."""

    advancement_mm: Mm
    percent: Mm
    side_mismatch_mm: Mm | None
    deviation_mm: Mm | None
    pitch_deg: Mm | None
    yaw_deg: Mm | None
    roll_deg: Mm | None
    pad_gap_left_mm: Mm | None
    pad_gap_right_mm: Mm | None


class Step(Table):
    """One step."""

    percent: Mm
    advancement_mm: Mm
    start: bool
    left: Side
    right: Side
    made: Made


class Finding(Table):
    """A problem of the trade."""

    code: Text
    message: Word


Assumed = Literal[
    "path_inclination", "condylar_inclination", "condyle_left", "condyle_right",
    "contact_inclination", "pads_left", "pads_right", "incisal",
]


class Lengths(Table):
    """The graded steps."""

    zero: Literal["retruded", "habitual"]
    range_mm: Mm
    jaw_model: Literal["straight", "sliding", "hinged"]
    action: Literal["pull", "push"]
    steps: Annotated[list[Step], Field(min_length=1)]
    assumed: list[Assumed]
    findings: list[Finding]


class Use(Table):
    """Where a rod of a part goes."""

    step: Count
    side: Literal["left", "right"]
    identifier: Identifier


class Engraving(Table):
    """What is engraved."""

    text: Text
    bar: bool


class Files(Table):
    """Files of a part."""

    step: Annotated[str, _file("step")]
    stl: Annotated[str, _file("stl")]


class Rod(Table):
    """One part of the set."""

    part: Name
    label: Length
    length_mm: Length
    mark: Literal["", "L", "R"]
    hand: Text
    quantity: Count
    uses: Annotated[list[Use], Field(min_length=1)]
    engraving: Engraving
    files: Files


class Item(Table):
    """How many of a part a plate has."""

    part: Name
    quantity: Count


class Placement(Table):
    """Where a piece lies."""

    part: Name
    x_mm: Mm
    y_mm: Mm
    width_mm: Mm
    depth_mm: Mm


class Plate(Table):
    """A build plate."""

    file: Annotated[str, _file("plates")]
    bed_mm: Annotated[list[Mm], Field(min_length=2, max_length=2)]
    items: list[Item]
    placements: list[Placement]


class Replaced(Table):
    """A rod whose place one of the set takes."""

    step: Count
    side: Literal["left", "right"]
    identifier: Identifier
    set: Word
    prescription_revision: Count


class Tolerances(Table):
    """± of the lengths of one step."""

    left: Annotated[float, Field(gt=0, le=10)]
    right: Annotated[float, Field(gt=0, le=10)]
    side_tolerance_mm: Annotated[float, Field(gt=0, le=10)] | None = None


class Spec(Table):
    """The whole file."""

    schema_: Literal[1] = Field(alias="schema")
    program: Program
    case: Word
    revision: Count
    date: Date
    prescription: Prescription
    template: Template
    process: Process
    profile: dict[str, Any] | None = None
    lengths: Lengths
    replaces: Annotated[list[Replaced], Field(min_length=1)] | None = None
    tolerances_mm: list[Tolerances]
    cautions: list[Text]
    parts: Annotated[list[Rod], Field(min_length=1)]
    plates: list[Plate]
