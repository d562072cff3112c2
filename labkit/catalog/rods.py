"""Reads rod template files into the values of the core."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Annotated

from labkit.catalog.named import find, read_all
from labkit.catalog.problems import at, read_whole, together
from labkit.catalog.toml_source import TomlSource
from labkit.core.form.keys import Key, exact, name_key
from labkit.core.form.words import Location, listed
from labkit.core.label.lettering import ISO_3098_HEIGHTS_MM
from labkit.core.rod.building import BuildLimits
from labkit.core.rod.rods import CaseMarkPlace, RodTemplate
from labkit.errors import InputError

#: A case mark stands off by more than the 0.4 heights before L and R: L or R is never its own.
LEAST_CLEAR_SHARE = 0.55


@dataclass(frozen=True)
class Family:
    """A rod template file: a family and its rows."""

    family: Annotated[str, name_key("name of the family")]
    title: Annotated[str, Key("name for people")]
    description: Annotated[str, Key("one sentence")]
    hardware: Annotated[str, Key("what the sizes are and whether they are validated")]
    row: Annotated[
        tuple[RodTemplate, ...], Key("the templates", "at least one [[row]]", least=1)
    ]


def rod_templates(extra: tuple[str, ...] = ()) -> dict[str, RodTemplate]:
    """Read all rod templates: the program's own and a lab's.

    Args:
        extra: Files, or folders of .toml files, of the lab's own templates.

    Returns:
        Templates by name, in the order of files and rows.

    Raises:
        InputErrors: A file is not a template file; all its mistakes.
        InputError: Two templates bear one name, or a file cannot be read.
    """
    return read_all("template", "rods", extra, read_rod_templates)


def find_template(templates: Mapping[str, RodTemplate], name: str) -> RodTemplate:
    """Pick a template by name; see `find`."""
    return find("template", templates, name)


def read_rod_templates(source: TomlSource) -> tuple[RodTemplate, ...]:
    """Turn one template file into checked values.

    Raises:
        InputErrors: Every mistake in the file.
    """
    family = read_whole(Family, source)
    problems = [
        at(source, ("row", index, *location), message)
        for index, row in enumerate(family.row)
        for location, message in _row_problems(row)
    ]
    if problems:
        raise together(problems)
    return tuple(
        replace(
            row, title=f"{family.title}, {row.title}", description=family.description,
            hardware=family.hardware,
        )
        for row in family.row
    )


def _row_problems(row: RodTemplate) -> Iterator[tuple[Location, str]]:
    """Find sizes that cannot go together in one rod."""
    for end, fitting in (("lower", row.lower), ("upper", row.upper)):
        try:
            _ = fitting.limits
        except InputError as error:
            yield (end, "fit"), f'= "{fitting.fit}": {error.message}'
        if row.body.takes(fitting):
            for key, message in (*fitting.problems(), *row.body.end_problems(fitting)):
                yield (end, key), message
        else:
            yield (end, "kind"), (
                f'= "{fitting.kind}" does not go on a {row.body.shape} bar; a flat bar takes eyes '
                "and crosspins, a round bar takes balls"
            )
    for key, message in row.body.problems():
        yield ("body", key), message
    if row.longest_mm <= row.shortest_mm:
        yield ("limits", "longest"), f"= {row.longest_mm} must be above shortest"
    yield from _label_problems(row)
    if row.build:
        yield from _build_problems(row.build, row)


def _build_problems(build: BuildLimits, row: RodTemplate) -> Iterator[tuple[Location, str]]:
    for key, told in (("lies", build.lies), ("supports", build.supports)):
        if len(set(told)) < len(told):
            yield ("build", key), "names one twice"
    for place in build.supports:
        if place not in row.body.supportable:
            yield ("build", "supports"), (
                f'= "{place}" is no place of a {row.body.shape} bar; allowed is '
                f"{listed(row.body.supportable)}"
            )


def _label_problems(row: RodTemplate) -> Iterator[tuple[Location, str]]:
    label, body = row.label, row.body
    if exact(label.height_mm) not in ISO_3098_HEIGHTS_MM:
        yield ("label", "height"), _not_in_series(exact(label.height_mm))
    if row.handed and not label.side_mark:
        yield ("label", "side_mark"), (
            "= false leaves mirror parts without L and R; set it to true where the ends differ"
        )
    if not row.handed and label.side_mark:
        yield ("label", "side_mark"), (
            "= true marks one part that serves both sides; set it to false"
        )
    if exact(body.label_level_mm + body.outward_mm) <= exact(label.depth_mm):
        yield ("label", "depth"), f"= {exact(label.depth_mm)} goes through the bar"
    if row.case_mark is not None:
        yield from _mark_problems(row, row.case_mark)


def _mark_problems(row: RodTemplate, mark: CaseMarkPlace) -> Iterator[tuple[Location, str]]:
    """Find a place of a case mark that is none, or too near to the length."""
    label, height = row.label, exact(mark.height_mm)
    if height not in ISO_3098_HEIGHTS_MM:
        yield ("case_mark", "height"), _not_in_series(height)
    elif mark.height_mm > label.height_mm:
        yield ("case_mark", "height"), f"= {height} is above the label's {exact(label.height_mm)}"
    if mark.clear_mm < LEAST_CLEAR_SHARE * label.height_mm:
        least = exact(LEAST_CLEAR_SHARE) * exact(label.height_mm)
        yield ("case_mark", "clear"), (
            f"= {exact(mark.clear_mm)} could be read as a space within the label; it must be at "
            f"least {least} ({LEAST_CLEAR_SHARE:g} × the label's height)"
        )


def _not_in_series(height: Decimal) -> str:
    heights = ", ".join(map(str, ISO_3098_HEIGHTS_MM))
    return f"= {height} is not in the ISO 3098 series; allowed are {heights} mm"
