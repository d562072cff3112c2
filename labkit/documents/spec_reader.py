"""Reads a set's spacer-set.json and checks everything that the papers take from it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from labkit.catalog.profiles import profile_of
from labkit.core.form.words import shown
from labkit.documents.rod_values import compensation_of, rod_of, template_of
from labkit.documents.spec_schema import Spec
from labkit.errors import InputError

#: A set of 28 rods has a tenth of this; a logo and a lab's own templates are in it.
MOST_BYTES = 20_000_000


def read_spec(path: Path) -> dict[str, Any]:
    """Read the content of spacer-set.json.

    Returns:
        Its content; names of files in it stay in the set, numbers are numbers.

    Raises:
        InputError: It cannot be read, or is not what `labkit make` of this version writes.
    """
    try:
        with path.open("rb") as stream:
            # What is cut off here is no JSON any more.
            content = json.loads(stream.read(MOST_BYTES).decode("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"is not a finished set ({path.name} cannot be read: {error}); name the folder of a "
            "set",
            where=str(path.parent),
        ) from error
    try:
        check_spec(content)
    except InputError as error:
        raise InputError(error.message, field=error.field, where=str(path)) from error
    return dict(content)


def check_spec(content: object) -> None:
    """Check the content of spacer-set.json for everything that the papers rely on.

    Raises:
        InputError: Something in it is not what `labkit make` of this version writes.
    """
    try:
        Spec.model_validate(content)
    except ValidationError as error:
        raise _unlike(*_told(error.errors()[0])) from error
    assert isinstance(content, dict)
    _check_parts(content)
    _check_steps(content)
    profile_of(content)
    compensation_of(content)
    template = template_of(content)
    for part in content["parts"]:
        if rod_of(part, template).part != part["part"]:
            raise _unlike("parts.part", f"= {shown(part['part'])} does not fit its length and mark")


def _check_parts(spec: Mapping[str, Any]) -> None:
    names = [part["part"] for part in spec["parts"]]
    if len(set(names)) < len(names):
        raise _unlike("parts", "has a part twice")
    for plate in spec["plates"]:
        for piece in (*plate["items"], *plate["placements"]):
            if piece["part"] not in names:
                raise _unlike("plates", f"has {shown(piece['part'])}, which is no part of the set")


def _check_steps(spec: Mapping[str, Any]) -> None:
    steps, uses = spec["lengths"]["steps"], [u for part in spec["parts"] for u in part["uses"]]
    if len(spec["tolerances_mm"]) != len(steps):
        raise _unlike("tolerances_mm", f"is not of {len(steps)} steps")
    for name in steps[0]["made"]:
        if len({step["made"][name] is None for step in steps}) > 1:
            raise _unlike(f"lengths.steps.made.{name}", "is given for some steps only")
    if sorted((use["step"], use["side"]) for use in uses) != _wanted_places(spec):
        raise _unlike("parts", "does not have one rod for each side of each step")
    if len({use["identifier"] for use in uses}) < len(uses):
        raise _unlike("parts", "has an identifier twice")
    bite, lengths = spec["prescription"]["bite"], spec["lengths"]
    if bite[lengths["zero"]] is None:
        raise _unlike("prescription.bite", f"has no reading {lengths['zero']}, which is 0 %")
    jaw = spec["prescription"]["jaw"]
    for name in lengths["assumed"]:
        value = jaw.get(name, jaw.get(f"{name}_deg"))
        values = value if isinstance(value, list) else [value]
        if not all(isinstance(one, int | float) for one in values):
            raise _unlike("prescription.jaw", f"has no value for {name}")


def _wanted_places(spec: Mapping[str, Any]) -> list[tuple[int, str]]:
    """List the sides of the steps that a set has rods for: all, or those that it replaces."""
    steps = range(1, len(spec["lengths"]["steps"]) + 1)
    every = [(number, side) for number in steps for side in ("left", "right")]
    replaced = spec.get("replaces")
    if not replaced:
        return every
    places = sorted((one["step"], one["side"]) for one in replaced)
    if not set(places) <= set(every):
        raise _unlike("replaces", "names a step that the set does not have")
    return places


def _told(error: ErrorDetails) -> tuple[str, str]:
    field = ".".join(map(str, error["loc"])) or "the whole"
    if error["type"] == "missing":
        return field, "is missing"
    wanted = error["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    return field, f"= {shown(error['input'])} is not usable (allowed is {wanted})"


def _unlike(field: str, problem: str) -> InputError:
    return InputError(
        f"{field} {problem}; use a set that this version of `labkit make` wrote, unchanged",
        field=field,
    )
