"""Reads a prescription file into the values of the core."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from labkit.catalog.problems import at, together
from labkit.catalog.toml_source import TomlSource
from labkit.catalog.typed_lists import other_slips, step_slips
from labkit.core.findings import Finding, note
from labkit.core.form.keys import file_key
from labkit.core.form.read import read_file
from labkit.core.form.words import unknown
from labkit.core.grading.prescription import MODEL_FIELDS, JawModelName, Prescription
from labkit.errors import InputErrors, LabkitError, RefusedError

#: What stands at the keys of one table, each by itself as it should be.
Told = Mapping[str, Any]
_SERIES = ("first", "last", "step", "steps")


def read_typed(
    source: TomlSource, templates: Collection[str]
) -> tuple[Prescription, tuple[Finding, ...]]:
    """Read a prescription that somebody wrote, before anything was made from it.

    Returns:
        As `read_prescription`.

    Raises:
        InputErrors: As `read_prescription`; and lists with decimal commas, or steps out of order.
    """
    steps, others = step_slips(source), other_slips(source)
    try:
        read = read_prescription(source, templates)
    except InputErrors as error:
        wrong = {one.field for one in error.errors}
        slips = {slip.field: slip for slip in (*others, *steps)}
        told = [*steps, *(slip for slip in others if slip.field in wrong)]
        raise together(
            [*told, *(one for one in error.errors if one.field not in slips)]
        ) from error
    if steps:
        raise together(steps)
    return read


def read_prescription(
    source: TomlSource, templates: Collection[str]
) -> tuple[Prescription, tuple[Finding, ...]]:
    """Turn a prescription into checked values.

    Returns:
        The prescription, and notes on keys that its jaw model does not use.

    Raises:
        InputErrors: Every mistake of form in the file, and sides that contradict each other.
    """
    prescription, mistakes = read_file(Prescription, source.data)
    problems: list[LabkitError] = [
        at(source, one.location, one.message, one.allowed) for one in mistakes
    ]
    unsound = {one.location[0] for one in mistakes if one.location}
    problems += _between_keys(source, unsound, templates)
    if prescription is None or problems:
        raise together(problems)
    return prescription, tuple(_unused(source.data.get("jaw", {}), prescription.jaw.model))


def _between_keys(
    source: TomlSource, unsound: Collection[str | int], templates: Collection[str]
) -> Iterator[LabkitError]:
    """Find mistakes that lie between keys, in every table that is sound by itself."""
    if "bite" not in unsound:
        yield from _missing_readings(source, source.data["bite"])
    if "appliance" not in unsound:
        appliance = source.data["appliance"]
        yield from _missing_anchors(source, appliance)
        yield from _contradictions(source, appliance)
        if appliance["template"] not in templates:
            yield at(source, ("appliance", "template"), unknown(appliance["template"], templates))
    if "grading" not in unsound:
        yield from _missing_grading(source, source.data["grading"])
        yield from _two_starts(source, source.data["grading"])


def _missing_readings(source: TomlSource, bite: Told) -> Iterator[LabkitError]:
    """Find readings that only other keys make necessary."""
    needed = bite["zero"]
    if needed not in bite:
        yield at(source, ("bite", needed), f'is missing; zero = "{needed}" counts from it')
    if bite.get("midline_deviation") and "retruded" not in bite and needed != "retruded":
        yield at(
            source,
            ("bite", "retruded"),
            "is missing; midline_deviation is counted from retruded to protruded",
        )


def _missing_anchors(source: TomlSource, appliance: Told) -> Iterator[LabkitError]:
    for side in ("left", "right"):
        anchors = appliance.get(side, {})
        if ("upper" in anchors) != ("lower" in anchors):
            absent = "lower" if "upper" in anchors else "upper"
            yield at(
                source,
                ("appliance", side, absent),
                "is missing; give both anchor points of a side, or only pin_distance",
            )


def _missing_grading(source: TomlSource, grading: Told) -> Iterator[LabkitError]:
    series = [name for name in _SERIES if name in grading]
    ways = [name for name in ("percent", "advancement") if name in grading]
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
    elif ways:
        own = "percent" if "percent" in ways else "mm"
        if grading.get("unit", own) != own:
            yield at(
                source,
                ("grading", "unit"),
                f'= "{grading["unit"]}" contradicts `{ways[0]}`, a list in {own}; remove one of '
                "the two",
            )


def _two_starts(source: TomlSource, grading: Told) -> Iterator[LabkitError]:
    if {"start", "start_step"} <= grading.keys():
        yield at(
            source,
            ("grading", "start_step"),
            f"= {grading['start_step']} is given together with start = {grading['start']}; "
            "name the starting step in one way",
        )


def _contradictions(source: TomlSource, appliance: Told) -> Iterator[LabkitError]:
    """Find sides that contradict the whole, or that lie on the wrong side of the mouth."""
    for name, sign in (("left", 1), ("right", -1)):
        side = appliance.get(name, {})
        stated, own = appliance.get("pin_distance"), side.get("pin_distance")
        if None not in (stated, own) and stated != own:
            yield _refuse(
                source,
                ("appliance", name, "pin_distance"),
                f"= {own} contradicts appliance.pin_distance = {stated}; "
                "state one distance for both sides or one for each side",
            )
        for point in (point for point in ("upper", "lower") if point in side):
            y = side[point][1]
            if y * sign <= 0:
                yield _refuse(
                    source,
                    ("appliance", name, point),
                    f"has y = {y}, which is not on the patient's {name}; y is + "
                    f"to the patient's left, so it must be {'above' if sign > 0 else 'below'} 0",
                )


def _refuse(source: TomlSource, location: tuple[str, ...], message: str) -> RefusedError:
    error = at(source, location, message)
    return RefusedError(error.message, field=error.field, value=error.value, where=error.where)


def _unused(jaw: Told, model: JawModelName) -> Iterator[Finding]:
    """Note keys that were given for another jaw model than the one named."""
    for field in (field for fields in MODEL_FIELDS.values() for field in fields):
        name = file_key(field)
        if name in jaw and field not in MODEL_FIELDS[model]:
            yield note(
                "unused_key",
                "{key} is given, but the {model} jaw model does not use it",
                f"jaw.{name}", key=f"jaw.{name}", model=str(model),
            )
