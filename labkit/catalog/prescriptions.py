"""Reads a prescription file into the values of the core."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from decimal import Decimal

from labkit.catalog.prescription_schema import (
    ApplianceKeys,
    BiteKeys,
    GradingKeys,
    JawKeys,
    PrescriptionKeys,
    SideKeys,
)
from labkit.catalog.problems import at, together
from labkit.catalog.schema_problems import examined, table_of
from labkit.catalog.toml_source import TomlSource
from labkit.core.findings import Finding, note
from labkit.core.form.words import unknown
from labkit.core.grading.prescription import (
    Action,
    Anchors,
    Bite,
    Grading,
    GradingUnit,
    Jaw,
    JawModelName,
    Point,
    Prescription,
    Zero,
)
from labkit.core.jaw.averages import (
    CONDYLAR_INCLINATION_DEG,
    PADS_LEFT,
    PADS_RIGHT,
    bonwill_condyles,
)
from labkit.errors import LabkitError, RefusedError

_MODEL_KEYS = {
    "straight": (),
    "sliding": ("path_inclination",),
    "hinged": (
        "condylar_inclination",
        "condyle_left",
        "condyle_right",
        "contact_inclination",
        "pads_left",
        "pads_right",
        "incisal",
    ),
}


def read_prescription(
    source: TomlSource, templates: Collection[str]
) -> tuple[Prescription, tuple[Finding, ...]]:
    """Turn a prescription file into checked values.

    Returns:
        The prescription, and notes on keys that its jaw model does not use.

    Raises:
        InputErrors: Every mistake of form in the file, and sides that contradict each other.
    """
    keys, problems = examined(PrescriptionKeys, source)
    problems += _between_keys(source, templates)
    if keys is None or problems:
        raise together(problems)
    prescription = Prescription(
        case=keys.case,
        date=keys.date,
        bite=_bite(keys.bite),
        action=Action(keys.appliance.action),
        template=keys.appliance.template,
        left=_anchors(keys.appliance, keys.appliance.left),
        right=_anchors(keys.appliance, keys.appliance.right),
        jaw=_jaw(keys.jaw),
        grading=_grading(keys.grading),
        prescriber=keys.prescriber or "",
        notes=keys.notes or "",
    )
    return prescription, tuple(_unused(keys.jaw))


def _between_keys(source: TomlSource, templates: Collection[str]) -> list[LabkitError]:
    """Find mistakes that lie between keys, in every table that is sound by itself."""
    problems: list[LabkitError] = []
    if bite := table_of(BiteKeys, source, "bite"):
        problems += _missing_readings(source, bite)
    if appliance := table_of(ApplianceKeys, source, "appliance"):
        problems += _missing_anchors(source, appliance)
        problems += _contradictions(source, appliance)
        problems += _unknown_template(source, appliance, templates)
    if grading := table_of(GradingKeys, source, "grading"):
        problems += _missing_grading(source, grading)
    return problems


def _unknown_template(
    source: TomlSource, appliance: ApplianceKeys, templates: Collection[str]
) -> Iterator[LabkitError]:
    if appliance.template not in templates:
        yield at(source, ("appliance", "template"), unknown(appliance.template, templates))


def _missing_readings(source: TomlSource, bite: BiteKeys) -> Iterator[LabkitError]:
    """Find readings that only other keys make necessary."""
    needed = "habitual" if bite.zero == "habitual" else "retruded"
    if getattr(bite, needed) is None:
        yield at(source, ("bite", needed), f'is missing; zero = "{bite.zero}" counts from it')
    if bite.midline_deviation and bite.retruded is None and needed != "retruded":
        yield at(
            source,
            ("bite", "retruded"),
            "is missing; midline_deviation is counted from retruded to protruded",
        )


def _missing_anchors(source: TomlSource, appliance: ApplianceKeys) -> Iterator[LabkitError]:
    for side in ("left", "right"):
        anchors = getattr(appliance, side)
        if anchors is not None and (anchors.upper is None) != (anchors.lower is None):
            absent = "upper" if anchors.upper is None else "lower"
            yield at(
                source,
                ("appliance", side, absent),
                "is missing; give both anchor points of a side, or only pin_distance",
            )


def _missing_grading(source: TomlSource, keys: GradingKeys) -> Iterator[LabkitError]:
    series = _given(keys, ("first", "last", "step", "steps"))
    ways = _given(keys, ("percent", "advancement"))
    place = ("grading",)
    if len(ways) + bool(series) != 1:
        given = ", ".join(ways + series) or "nothing"
        yield at(
            source,
            place,
            f"gives {given}; give the steps in one way: `percent` or "
            "`advancement` as a list, or `first`, `last` and one of `step` and `steps`",
        )
    elif series and set(series) not in ({"first", "last", "step"}, {"first", "last", "steps"}):
        yield at(
            source,
            place,
            f"gives {', '.join(series)}; a series needs `first`, `last` and "
            "one of `step` and `steps`",
        )
    elif ways and "unit" in keys.model_fields_set:
        yield from _contradicting_unit(source, keys, ways[0])


def _contradicting_unit(source: TomlSource, keys: GradingKeys, way: str) -> Iterator[LabkitError]:
    """Find a `unit` beside a list that is in the other unit."""
    own = "percent" if way == "percent" else "mm"
    if keys.unit != own:
        yield at(
            source,
            ("grading", "unit"),
            f'= "{keys.unit}" contradicts `{way}`, a list in {own}; remove one of the two',
        )


def _given(keys: GradingKeys, names: tuple[str, ...]) -> list[str]:
    return [name for name in names if getattr(keys, name) is not None]


def _contradictions(source: TomlSource, appliance: ApplianceKeys) -> Iterator[LabkitError]:
    """Find sides that contradict the whole, or that lie on the wrong side of the mouth."""
    for name, sign in (("left", 1), ("right", -1)):
        side: SideKeys | None = getattr(appliance, name)
        if side is None:
            continue
        stated = appliance.pin_distance
        if None not in (stated, side.pin_distance) and stated != side.pin_distance:
            yield _refuse(
                source,
                ("appliance", name, "pin_distance"),
                f"= {side.pin_distance} contradicts appliance.pin_distance = {stated}; "
                "state one distance for both sides or one for each side",
            )
        for point in ("upper", "lower"):
            value = getattr(side, point)
            if value is not None and value[1] * sign <= 0:
                yield _refuse(
                    source,
                    ("appliance", name, point),
                    f"has y = {value[1]}, which is not on the patient's {name}; y is + "
                    f"to the patient's left, so it must be {'above' if sign > 0 else 'below'} 0",
                )


def _refuse(source: TomlSource, location: tuple[str, ...], message: str) -> RefusedError:
    error = at(source, location, message)
    return RefusedError(error.message, field=error.field, value=error.value, where=error.where)


def _bite(keys: BiteKeys) -> Bite:
    return Bite(
        zero=Zero(keys.zero),
        retruded=keys.retruded,
        habitual=keys.habitual,
        protruded=keys.protruded,
        registered=keys.registered,
        midline_deviation_mm=keys.midline_deviation,
        vertical_opening_mm=keys.vertical_opening,
    )


def _anchors(appliance: ApplianceKeys, side: SideKeys | None) -> Anchors:
    own = side.pin_distance if side is not None else None
    distance = own if own is not None else appliance.pin_distance
    return Anchors(
        pin_distance_mm=None if distance is None else float(distance),
        upper=_coordinates(side.upper) if side is not None and side.upper else None,
        lower=_coordinates(side.lower) if side is not None and side.lower else None,
    )


def _coordinates(values: list[Decimal]) -> Point:
    x, y, z = (float(value) for value in values)
    return (x, y, z)


def _jaw(keys: JawKeys) -> Jaw:
    """Fill in averages for what was not recorded, and name them."""
    incisal = _coordinates(keys.incisal) if keys.incisal else (0.0, 0.0, 0.0)
    left, right = bonwill_condyles(incisal)
    alpha = keys.condylar_inclination or [Decimal(str(CONDYLAR_INCLINATION_DEG))] * 2
    return Jaw(
        model=JawModelName(keys.model),
        path_inclination_deg=float(keys.path_inclination or 0),
        condylar_inclination_deg=(float(alpha[0]), float(alpha[1])),
        condyle_left=_coordinates(keys.condyle_left) if keys.condyle_left else left,
        condyle_right=_coordinates(keys.condyle_right) if keys.condyle_right else right,
        contact_inclination_deg=float(keys.contact_inclination or 0),
        pads_left=_coordinates(keys.pads_left) if keys.pads_left else PADS_LEFT,
        pads_right=_coordinates(keys.pads_right) if keys.pads_right else PADS_RIGHT,
        incisal=incisal,
        assumed=tuple(name for name in _MODEL_KEYS[keys.model] if getattr(keys, name) is None),
    )


def _grading(keys: GradingKeys) -> Grading:
    in_mm = keys.advancement is not None or (keys.percent is None and keys.unit == "mm")
    return Grading(
        unit=GradingUnit.ADVANCEMENT if in_mm else GradingUnit.PERCENT,
        listed=tuple(keys.percent or keys.advancement or ()),
        first=keys.first,
        last=keys.last,
        step=keys.step,
        steps=keys.steps,
        start=keys.start,
        grid_mm=keys.grid,
        tolerance_mm=keys.tolerance,
        side_tolerance_mm=keys.side_tolerance,
    )


def _unused(keys: JawKeys) -> Iterator[Finding]:
    """Note keys that were given for another jaw model than the one named."""
    for name in (name for names in _MODEL_KEYS.values() for name in names):
        if getattr(keys, name) is not None and name not in _MODEL_KEYS[keys.model]:
            yield note(
                "unused_key",
                f"jaw.{name} is given, but the {keys.model} jaw model does not use it",
                f"jaw.{name}",
            )
