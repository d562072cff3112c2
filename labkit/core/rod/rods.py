"""Rod templates, processes and single rods as values; lengths in mm, radii in mm."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from labkit.core.form.keys import WORKED_OUT, Key, name_key, quantity
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.core.numbers import Finite
from labkit.core.rod.bodies import Body, FlatBar, RoundBar
from labkit.core.rod.building import BuildLimits, BuildRules
from labkit.core.rod.calibration import Calibration
from labkit.core.rod.fittings import Ball, Crosspin, Eye, Fitting

__all__ = [
    "EXPANSION_PER_C", "NOMINAL", "Ball", "Body", "CaseMarkPlace", "Compensation", "Crosspin",
    "Eye", "Fitting", "FlatBar", "Hand", "KeepOut", "LabelPlace", "Legibility", "Plate", "Process",
    "Rod", "RodTemplate", "RoundBar", "Walls",
]

#: Linear expansion of rods whose process does not tell: a common printed plastic, 1/°C.
EXPANSION_PER_C = 1e-4


@dataclass(frozen=True)
class LabelPlace(Finite):
    """Where and how the length is engraved."""

    height_mm: Annotated[float, quantity("height of the digits, ISO 3098 series", 1.8, 10)]
    depth_mm: Annotated[float, quantity("depth of the engraving", 0.1, 1)]
    margin_mm: Annotated[
        float, quantity("least distance from the border of the label place", 0, 5)
    ]
    side_mark: Annotated[bool, Key("whether L or R follows the length")]


@dataclass(frozen=True)
class CaseMarkPlace(Finite):
    """Where a case mark is engraved: at the reader's right end of the label's face.

    Depth and margin are the label's.
    """

    height_mm: Annotated[float, quantity("height of its characters, ISO 3098 series", 1.8, 10)]
    width_mm: Annotated[float, quantity("width of its place along the rod", 1, 40)]
    clear_mm: Annotated[float, quantity("least distance from the length", 0.5, 20)]


@dataclass(frozen=True)
class RodTemplate(Finite):
    """A part family member: one row of a template file.

    Title, description and hardware are the family's, the title with the row's size.
    """

    name: Annotated[str, name_key("name used in a prescription")]
    title: Annotated[str, WORKED_OUT]
    description: Annotated[str, WORKED_OUT]
    hardware: Annotated[str, WORKED_OUT]
    body: Annotated[Body, Key("bar")]
    lower: Annotated[Fitting, Key("lower end")]
    upper: Annotated[Fitting, Key("upper end")]
    label: Annotated[LabelPlace, Key("label place")]
    shortest_mm: Annotated[Decimal, quantity("shortest rod", 5, 120, at="limits.shortest")]
    longest_mm: Annotated[Decimal, quantity("longest rod", 5, 120, at="limits.longest")]
    length_tolerance: Annotated[str, Key(
        "ISO 2768-1 class of the functional length", at="limits.length_tolerance",
        choices=("f", "m", "c", "v"),
    )]
    least_wall_mm: Annotated[float | None, quantity(
        "thinnest section of its hardware's material, whatever the process could build", 0.2, 10,
        at="limits.least_wall",
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    build: Annotated[BuildLimits | None, Key("how its rods may be built")] = field(
        default=None, metadata=LEFT_OUT_AT_DEFAULT
    )
    case_mark: Annotated[
        CaseMarkPlace | None, Key("place of a case mark beside the length")
    ] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)

    ALSO: ClassVar = ("handed",)
    FILE_ONLY: ClassVar = {"size": Annotated[str, Key("size in words")]}

    @classmethod
    def from_file(cls, *, size: str, **given: Any) -> RodTemplate:
        """Make a template of its row in a file; the words of the family are still to come."""
        return cls(title=size, description="", hardware="", **given)

    @property
    def handed(self) -> bool:
        """Whether left and right are mirror parts (the two ends differ)."""
        return self.lower != self.upper

    def used_for(self, case_mark: str) -> RodTemplate:
        """Give what rods with this case mark are made from: without one, no place for one."""
        return self if case_mark else replace(self, case_mark=None)


@dataclass(frozen=True)
class Compensation(Finite):
    """What a process adds to the nominal parameters before a part is built."""

    length_scale: Annotated[float, quantity(
        "factor on the functional length: built length = length_scale · nominal + length_offset",
        0.9, 1.1, "", required=True,
    )] = 1.0
    length_offset_mm: Annotated[float, quantity(
        "added to the functional length after it was multiplied by length_scale",
        -1, 1, required=True,
    )] = 0.0
    bore_offset_mm: Annotated[float, quantity(
        "added to bore diameters: built diameter = middle of its limits + offset", -1, 1,
        required=True,
    )] = 0.0
    pin_offset_mm: Annotated[float, quantity("added to pin diameters", -1, 1, required=True)] = 0.0
    ball_offset_mm: Annotated[float, quantity(
        "added to ball diameters", -1, 1, required=True
    )] = 0.0
    label_stroke_offset_mm: Annotated[float, quantity(
        "added to the width of engraved strokes in STL and 3MF, where grooves close or open", -0.05,
        0.04,
    )] = field(default=0.0, metadata=LEFT_OUT_AT_DEFAULT)

    def offset_of(self, surface: str) -> float:
        """Give what is added to the diameters of a kind of surface: bore, pin or ball."""
        return {
            "bore": self.bore_offset_mm, "pin": self.pin_offset_mm, "ball": self.ball_offset_mm,
        }[surface]


#: A process that adds nothing: parts are built as drawn.
NOMINAL = Compensation()


@dataclass(frozen=True)
class KeepOut(Finite):
    """A zone of the bed on which nothing may lie, such as a clamp or a scratch."""

    x_mm: Annotated[float, quantity("zone where nothing may lie: left edge", 0, 2000)]
    y_mm: Annotated[float, quantity("front edge", 0, 2000)]
    width_mm: Annotated[float, quantity("along X", 0.1, 2000)]
    depth_mm: Annotated[float, quantity("along Y", 0.1, 2000)]


@dataclass(frozen=True)
class Plate(Finite):
    """The usable bed of the machine."""

    width_mm: Annotated[float, quantity("bed along X", 20, 2000)]
    depth_mm: Annotated[float, quantity("bed along Y", 20, 2000)]
    spacing_mm: Annotated[float, quantity("least distance between parts", 0.5, 50)]
    border_mm: Annotated[float, quantity("least distance from the edge of the bed", 0, 100)]
    height_mm: Annotated[float | None, quantity("room above the bed", 5, 2000)] = field(
        default=None, metadata=LEFT_OUT_AT_DEFAULT
    )
    keep_out: Annotated[tuple[KeepOut, ...], Key(
        "zones where nothing may lie", "a list of tables", most=100
    )] = field(default=(), metadata=LEFT_OUT_AT_DEFAULT)
    beds: Annotated[int | None, quantity(
        "beds that are built in one job; sets that find no room are kept for the next", 1, 1000, "",
        otherwise="as many as are needed",
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)


@dataclass(frozen=True)
class Legibility(Finite):
    """What the process can still show."""

    least_stroke_mm: Annotated[float, quantity("narrowest groove that stays open", 0.05, 2)]
    least_depth_mm: Annotated[float, quantity("shallowest readable engraving", 0.05, 2)]
    least_height_mm: Annotated[float, quantity("smallest legible digits", 0.5, 20)]
    least_wall_mm: Annotated[float, quantity(
        "thinnest wall, under an engraving and wherever [walls] says nothing", 0.2, 10
    )]


@dataclass(frozen=True)
class Walls(Finite):
    """How thin a section may be where it is not the general least wall, by place."""

    eye_mm: Annotated[float | None, quantity("between bore and edge of an eye", 0.2, 10)] = None
    neck_mm: Annotated[float | None, quantity("neck of a ball", 0.2, 10)] = None
    pin_mm: Annotated[float | None, quantity("crosspin", 0.2, 10)] = None
    lip_mm: Annotated[float | None, quantity("lip of a crosspin", 0.2, 10)] = None
    plate_mm: Annotated[float | None, quantity("bar between the fittings", 0.2, 10)] = None

    def least_mm(self, place: str, otherwise_mm: float) -> float:
        """Give the least wall at a place."""
        own: float | None = getattr(self, f"{place}_mm")
        return otherwise_mm if own is None else own


@dataclass(frozen=True)
class Process(Finite):
    """How a lab makes rods."""

    name: Annotated[str, name_key("name used with --process")]
    title: Annotated[str, Key("name for people")]
    machine: Annotated[str, Key("machine")]
    material: Annotated[str, Key("material")]
    evidence: Annotated[str, Key("where the values come from")]
    compensation: Annotated[Compensation, Key("what is added before building")]
    plate: Annotated[Plate, Key("bed of the machine")]
    legibility: Annotated[Legibility, Key("what the process can show")]
    gauge_uncertainty_mm: Annotated[float, quantity(
        "standard uncertainty of a length reading by the lab's usual gauge", 0.0001, 0.5,
        at="gauge.uncertainty",
    )]
    walls: Annotated[Walls, Key("least sections by place")] = field(
        default=Walls(), metadata=LEFT_OUT_AT_DEFAULT
    )
    build: Annotated[BuildRules, Key("how rods lie, and what carries undersides")] = field(
        default=BuildRules(), metadata=LEFT_OUT_AT_DEFAULT
    )
    expansion_per_c: Annotated[float, quantity(
        "linear expansion of the material", 0, 0.0005, "1/°C"
    )] = field(default=EXPANSION_PER_C, metadata=LEFT_OUT_AT_DEFAULT)
    expansion_u_per_c: Annotated[float | None, quantity(
        "standard uncertainty of that; readings are corrected to 20 °C only if both are given",
        1e-8, 0.0001, "1/°C", at="expansion_uncertainty_per_c",
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    calibration: Annotated[
        Calibration | None, Key("what the compensation was found from")
    ] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)


class Hand(StrEnum):
    """Which way a part's inward face looks in the rod frame."""

    MINUS_Y = "inward -y"
    PLUS_Y = "inward +y"

    @property
    def inward_y(self) -> int:
        """Sign of the inward direction along y of the rod frame."""
        return -1 if self is Hand.MINUS_Y else 1


@dataclass(frozen=True)
class Rod:
    """One part to build: a template at one length, with its engraving.

    Args:
        length: Functional length, mm, equal to the label.
        mark: Side mark engraved after the length: "", "L" or "R".
        case_mark: Engraved beside the length, the same on every rod of a case; "" for none.
    """

    template: RodTemplate
    length: Decimal
    hand: Hand
    mark: str
    bar: bool
    case_mark: str = ""

    @property
    def label(self) -> str:
        """The functional length as engraved."""
        return f"{self.length}"

    @property
    def engraving(self) -> str:
        """All characters of the label, without the bar."""
        return self.label + self.mark

    @property
    def part(self) -> str:
        """Name of the part in its set, such as "33.6" or "33.6L"."""
        return self.engraving
