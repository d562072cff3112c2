"""What spacer-set.json says of a set, as one value: written by making, read for every paper.

The file may come from another machine: nothing in it becomes a file name, a template or a number
of a drawing before it has passed here.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Annotated, Any, ClassVar

from labkit.catalog.profiles import Profile, default_profile
from labkit.core.case.identifier import is_identifier
from labkit.core.file_names import is_inside
from labkit.core.form.keys import Key, file_key, matching, quantity
from labkit.core.form.read import from_record, read_record
from labkit.core.form.words import Location, shown
from labkit.core.grading.prescription import MODEL_FIELDS, Prescription, Side, Zero
from labkit.core.grading.steps import Mm, SpacerSet
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT, jsonable, text_under
from labkit.core.label.lettering import Engraving
from labkit.core.rod.building import Way
from labkit.core.rod.rods import Hand, Process, Rod, RodTemplate
from labkit.errors import InputError

#: Content of spacer-set.json; for papers with its standing (`documents/standing`) where it has one.
Spec = Mapping[str, Any]


def _in_folder(folder: str) -> Key:
    def inside(name: str) -> bool:
        return is_inside(name) and name.startswith(f"{folder}/") and name.count("/") == 1

    holds: Callable[[str], bool] = inside
    return Key(allowed=f"a file in the set's folder {folder}/", holds=holds)


Tolerance = Annotated[
    float,
    Key(allowed="a number in mm above 0, at most 10", high=10, holds=lambda number: number > 0),
]
Count = Annotated[int, quantity("", 1, 100_000, "")]
Identifier = Annotated[
    str, Key(allowed="fourteen or ten digits with a right check digit", holds=is_identifier)
]
PartName = Annotated[str, Key(
    allowed="a length, with or without L or R", holds=matching(r"\d{1,3}(\.\d{1,3})?[LR]?")
)]
Word = Annotated[str, Key(allowed="text", least=1, most=2_000)]


@dataclass(frozen=True)
class Program:
    """Which program made the set."""

    name: Word
    version: Word


@dataclass(frozen=True)
class SetUse:
    """Where a rod of a part goes."""

    step: Count
    side: Side
    identifier: Identifier


@dataclass(frozen=True)
class Engraved:
    """What is engraved, and its sizes."""

    text: str
    bar: bool
    height_mm: Mm
    stroke_mm: Mm
    width_mm: Mm
    box_height_mm: Mm
    case_mark: str = field(default="", metadata=LEFT_OUT_AT_DEFAULT)

    @classmethod
    def of(cls, own: Engraving) -> Engraved:
        """Take what a set tells of a laid-out label."""
        sizes = (own.height_mm, own.stroke_mm, own.width_mm, own.depth_mm)
        return cls(own.text, own.bar, *sizes, own.case_mark_text)


@dataclass(frozen=True)
class PartFiles:
    """Files of a part, relative to the set."""

    step: Annotated[str, _in_folder("step")]
    stl: Annotated[str, _in_folder("stl")]


@dataclass(frozen=True)
class SetPart:
    """One part of the set."""

    part: PartName
    length: Decimal = field(metadata=text_under("label", "length_mm"))
    mark: Annotated[str, Key(choices=("", "L", "R"))]
    hand: Hand
    quantity: Count
    uses: Annotated[tuple[SetUse, ...], Key(allowed="a list of uses", least=1)]
    engraving: Engraved
    files: PartFiles

    def rod(self, template: RodTemplate) -> Rod:
        """Give the rod that the part is."""
        own = self.engraving
        return Rod(template, self.length, self.hand, self.mark, own.bar, own.case_mark)


@dataclass(frozen=True)
class PlateItem:
    """How many of a part a plate has."""

    part: PartName
    quantity: Count


@dataclass(frozen=True)
class PlatePlace:
    """Where a piece lies."""

    part: PartName
    x_mm: Mm
    y_mm: Mm
    width_mm: Mm
    depth_mm: Mm


@dataclass(frozen=True)
class SetPlate:
    """A build plate."""

    file: Annotated[str, _in_folder("plates")]
    bed_mm: Annotated[tuple[float, float], quantity("", 0, 1e4, allowed="two numbers in mm")]
    items: Annotated[tuple[PlateItem, ...], Key(allowed="a list of parts")]
    placements: Annotated[tuple[PlatePlace, ...], Key(allowed="a list of places")]
    lies: Way = field(default=Way.FLAT, metadata=LEFT_OUT_AT_DEFAULT)


@dataclass(frozen=True)
class SeriesPlace:
    """One setting of a case's whole series, as the case sheet shows it.

    Args:
        new: Whether it belongs to the set being made.
        left, right: Labels; empty where that side's rod is not out.
    """

    set_revision: int
    step: int
    new: bool
    percent: Mm
    advancement_mm: Mm
    left: str
    right: str


@dataclass(frozen=True)
class ReplacedRod:
    """A rod whose place one of the set takes.

    Args:
        prescription_revision: Revision of the prescription that it was made from.
    """

    step: Count
    side: Side
    identifier: Identifier
    set: Word
    prescription_revision: Count


@dataclass(frozen=True)
class StepTolerances:
    """± of the lengths of one step, and of left minus right."""

    left: Tolerance
    right: Tolerance
    side_tolerance_mm: Tolerance | None = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)


@dataclass(frozen=True, kw_only=True)
class SetSpec:
    """Everything about a set: the one source of its papers.

    Args:
        lengths: The graded set, each rod with its tolerance.
        series: Of extra rods: the whole series of the case.
        replaces: Of rods in place of others: these.
    """

    program: Program
    case: Word
    revision: Count
    date: datetime.date
    inputs_sha256: str = field(default="", metadata=LEFT_OUT_AT_DEFAULT)
    prescription: Prescription
    template: RodTemplate
    process: Process
    profile: Profile = field(default_factory=default_profile)
    lengths: SpacerSet
    series: Annotated[tuple[SeriesPlace, ...], Key(allowed="a list of settings")] = field(
        default=(), metadata=LEFT_OUT_AT_DEFAULT
    )
    replaces: Annotated[tuple[ReplacedRod, ...], Key(allowed="a list of rods", least=1)] = field(
        default=(), metadata=LEFT_OUT_AT_DEFAULT
    )
    tolerances_mm: Annotated[tuple[StepTolerances, ...], Key(allowed="a list of tolerances")]
    cautions: tuple[str, ...]
    parts: Annotated[tuple[SetPart, ...], Key(allowed="a list of parts", least=1)]
    plates: Annotated[tuple[SetPlate, ...], Key(allowed="a list of plates")]

    ALSO: ClassVar = ("schema",)

    def content(self) -> dict[str, Any]:
        """Give the content of spacer-set.json.

        What the jaw model does not compute with is None; the tolerances of rods stand apart.
        """
        own: dict[str, Any] = {"schema": 1, **jsonable(self)}
        jaw, used = own["prescription"]["jaw"], MODEL_FIELDS[self.prescription.jaw.model]
        for name in jaw.keys() - {"model", "assumed", *used}:
            jaw[name] = None
        own["template"]["handed"] = self.template.handed
        for step in own["lengths"]["steps"]:
            for side in Side:
                del step[side]["tolerance_mm"]
        own["lengths"] = {"schema": 1, "case": self.prescription.case, **own["lengths"]}
        return own

    @classmethod
    def read(cls, content: object) -> SetSpec:
        """Read the content of spacer-set.json, and check everything that the papers rely on.

        Raises:
            InputError: Something in it is not what `labkit make` of this version writes.
        """
        spec, mistakes = read_record(cls, _with_tolerances(content))
        if spec is None:
            first = min(mistakes, key=lambda one: len(one.location))
            raise _unlike(first.location, first.message)
        assert isinstance(content, Mapping)
        for location, problem in (*_problems(spec), *_differences(content, spec.content())):
            raise _unlike(location, problem)
        return spec


def template_of(spec: Spec) -> RodTemplate:
    """Take the rod template out of the content of spacer-set.json.

    Raises:
        InputError: The content is not that of a set.
    """
    return from_record(RodTemplate, spec.get("template"), "set's template")


def prescription_of(spec: Spec) -> Prescription:
    """Take the prescription out of the content of spacer-set.json.

    Raises:
        InputError: The content is not that of a set.
    """
    return from_record(Prescription, spec.get("prescription"), "set's prescription")


def process_of(spec: Spec) -> Process:
    """Take the process out of the content of spacer-set.json.

    Raises:
        InputError: The content is not that of a set.
    """
    return from_record(Process, spec.get("process"), "set's process")


def graded_of(spec: Spec) -> SpacerSet:
    """Take the graded set out of the content of spacer-set.json: every length as recorded.

    Raises:
        InputError: The content is not that of a set.
    """
    return from_record(SpacerSet, _with_tolerances(spec).get("lengths"), "set's lengths")


def part_of(part: Mapping[str, Any]) -> SetPart:
    """Take one part out of the content of spacer-set.json.

    Raises:
        InputError: The content is not that of a part.
    """
    return from_record(SetPart, part, "set's part")


def rod_of(part: Mapping[str, Any], template: RodTemplate) -> Rod:
    """Give the rod of one part in the content of spacer-set.json.

    Raises:
        InputError: The content is not that of a part.
    """
    return part_of(part).rod(template)


def _with_tolerances(content: Any) -> Any:
    """Put the tolerances of each step beside the lengths of its rods, where both are there."""
    match content:
        case {"lengths": {"steps": [*steps], **lengths}, "tolerances_mm": [*tolerances]}:
            told = [_told_with(*both) for both in zip(steps, tolerances, strict=False)]
            return {**content, "lengths": {**lengths, "steps": [*told, *steps[len(told):]]}}
    return content


def _told_with(step: Any, tolerances: Any) -> Any:
    match step, tolerances:
        case {"left": {**left}, "right": {**right}}, {"left": ours, "right": theirs}:
            return {**step, "left": {**left, "tolerance_mm": ours},
                    "right": {**right, "tolerance_mm": theirs}}
    return step


def _problems(spec: SetSpec) -> Iterator[tuple[Location, str]]:
    """Find what does not go together in a set."""
    names = [part.part for part in spec.parts]
    if len(set(names)) < len(names):
        yield ("parts",), "has a part twice"
    for part in spec.parts:
        if part.rod(spec.template).part != part.part:
            yield ("parts", "part"), f"= {shown(part.part)} does not fit its length and mark"
    on_plates = [piece.part for plate in spec.plates for piece in plate.items]
    on_plates += [piece.part for plate in spec.plates for piece in plate.placements]
    for name in (name for name in on_plates if name not in names):
        yield ("plates",), f"has {shown(name)}, which is no part of the set"
    yield from _step_problems(spec)
    yield from _bite_problems(spec)


def _bite_problems(spec: SetSpec) -> Iterator[tuple[Location, str]]:
    """Find what the papers tell of the bite and the jaw, and the prescription does not."""
    bite, lengths = spec.prescription.bite, spec.lengths
    if (bite.retruded if lengths.zero is Zero.RETRUDED else bite.habitual) is None:
        yield ("prescription", "bite"), f"has no reading {lengths.zero}, which is 0 %"
    if lengths.range_mm is None:
        yield ("lengths", "range_mm"), "= None is not usable; allowed is a number in mm"
    for name in lengths.assumed:
        if name not in map(file_key, MODEL_FIELDS[spec.prescription.jaw.model]):
            yield ("prescription", "jaw"), f"has no value for {shown(name)}"


def _step_problems(spec: SetSpec) -> Iterator[tuple[Location, str]]:
    steps, uses = spec.lengths.steps, [use for part in spec.parts for use in part.uses]
    if not steps:
        yield ("lengths", "steps"), "is empty"
        return
    if len(spec.tolerances_mm) != len(steps):
        yield ("tolerances_mm",), f"is not of {len(steps)} steps"
    for name in vars(steps[0].made):
        if len({getattr(step.made, name) is None for step in steps}) > 1:
            yield ("lengths", "steps", "made", name), "is given for some steps only"
    every = [(number, side) for number, _ in enumerate(steps, 1) for side in Side]
    wanted = sorted((one.step, one.side) for one in spec.replaces) or every
    if not set(wanted) <= set(every):
        yield ("replaces",), "names a step that the set does not have"
    elif sorted((use.step, use.side) for use in uses) != wanted:
        yield ("parts",), "does not have one rod for each side of each step"
    if len({use.identifier for use in uses}) < len(uses):
        yield ("parts",), "has an identifier twice"


def _differences(
    told: object, rebuilt: object, place: Location = ()
) -> Iterator[tuple[Location, str]]:
    """Find what the content says otherwise than the value read from it would."""
    if place == ("profile",):  # its words may be older than those of this version
        return
    if isinstance(told, Mapping) and isinstance(rebuilt, Mapping):
        for name in {**told, **rebuilt}:
            yield from _differences(told.get(name), rebuilt.get(name), (*place, name))
    elif isinstance(told, list) and isinstance(rebuilt, list) and len(told) == len(rebuilt):
        for index, both in enumerate(zip(told, rebuilt, strict=True)):
            yield from _differences(*both, (*place, index))
    elif told != rebuilt:
        yield place, f"= {shown(told)} is not usable; allowed is {shown(rebuilt)}"


def _unlike(location: Location, problem: str) -> InputError:
    field_name = ".".join(map(str, location)) or "the whole"
    return InputError(
        f"{field_name} {problem}; use a set that this version of `labkit make` wrote, unchanged",
        field=field_name,
    )
