"""`labkit templates`: the rod templates, drawn to scale, with sizes and limits."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import click
import rich_click

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.cli.common import TEMPLATES
from labkit.cli.listing import print_named
from labkit.cli.sets.sketch import sketch
from labkit.core.report import Report
from labkit.core.rod.building import BuildLimits
from labkit.core.rod.compensation import compensated
from labkit.core.rod.rods import (
    CaseMarkPlace,
    Compensation,
    Fitting,
    RodTemplate,
)
from labkit.core.rod.tolerances import class_of, linear_tolerance
from labkit.core.rod.views import front_view, top_view
from labkit.documents.listing import report_about
from labkit.units import plain

#: Width of the drawings in characters.
COLUMNS = 72
#: Length at which a template is drawn where its limits allow it.
DRAWN_MM = Decimal(30)


@click.command("templates", cls=rich_click.RichCommand)
@click.argument("names", metavar="[NAME]...", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one per template.")
@TEMPLATES
def command(names: tuple[str, ...], as_json: bool, template_places: tuple[str, ...]) -> None:
    """List rod templates: a drawing to scale, sizes with limits, label place.

    Example: labkit templates eye-eye-flat
    """
    print_named("template", rod_templates(template_places), names, _report, as_json)


def _report(template: RodTemplate) -> Report:
    words = (f"{template.description} {template.hardware}.", *_drawn(template))
    return report_about(
        "Rod template", template, words, _facts(template), handed=template.handed
    )


def _drawn(template: RodTemplate) -> Iterator[str]:
    drawn = min(max(DRAWN_MM, template.shortest_mm), template.longest_mm)
    sizes = compensated(template, drawn, Compensation())
    span = float(drawn) + max(f.reach_mm for f in sizes.fittings) * 2 + 1
    views = (
        ("from the inward side", front_view(sizes)), ("from above, inward down", top_view(sizes))
    )
    for caption, view in views:
        yield f"  {caption}, drawn {plain(drawn)} mm long"
        yield from (f"  {line}" for line in sketch(view.visible + view.hidden, COLUMNS, span))


def _facts(template: RodTemplate) -> list[tuple[str, str]]:
    low, high = template.shortest_mm, template.longest_mm
    letter = template.length_tolerance
    tolerances = ", ".join(
        f"± {plain(linear_tolerance(letter, at))} at {plain(at)}" for at in (low, high)
    )
    body, label = template.body, template.label
    stroke = load_lettering().stroke * label.height_mm
    return [
        ("length", f"{plain(low)} to {plain(high)} mm; ISO 2768-1 {letter}: {tolerances}"),
        ("bar", body.words),
        ("lower fitting", _fitting(template.lower)),
        ("upper fitting", _fitting(template.upper)),
        (
            "label",
            f"inward face, digits {label.height_mm:g} high, stroke {stroke:g}, "
            f"{label.depth_mm:g} deep, margin {label.margin_mm:g}",
        ),
        ("built", _built(template.build)),
        ("case mark", _case_mark(template.case_mark)),
        (
            "sides",
            "left and right are mirror parts, marked L and R"
            if template.handed
            else "one shape serves both sides, marked L and R where their lengths differ",
        ),
    ]


def _built(build: BuildLimits | None) -> str:
    if build is None:
        return "the template does not say how its rods lie"
    places = " and ".join(place.words for place in build.supports)
    return f"{', '.join(build.lies)}; supports may stand at {places or 'no place'}"


def _case_mark(place: CaseMarkPlace | None) -> str:
    if place is None:
        return "no place"
    return (
        f"at the reader's right of the length, characters {place.height_mm:g} high, "
        f"{place.width_mm:g} wide in all, {place.clear_mm:g} clear of the length"
    )


def _fitting(fitting: Fitting) -> str:
    low, high = fitting.limits.lower_mm, fitting.limits.upper_mm
    nominal = f"{fitting.diameter_mm:g} {class_of(fitting.fit)}".rstrip()
    size = f"{nominal} ({low:+}/{high:+}), built at {fitting.aim_mm:g}"
    return f"{fitting.noun} {size}, {fitting.rest}"
