"""Reads rod template files into the values of the core."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal

from labkit.catalog.named import find, read_all
from labkit.catalog.problems import at, together
from labkit.catalog.rod_schema import (
    BallKeys,
    CrosspinKeys,
    EyeKeys,
    FlatKeys,
    RodFileKeys,
    RoundKeys,
    RowKeys,
)
from labkit.catalog.schema_problems import validated
from labkit.catalog.toml_source import TomlSource
from labkit.core.form.words import Location
from labkit.core.label.lettering import ISO_3098_HEIGHTS_MM
from labkit.core.rod.rods import (
    CHAMFER_PART,
    Ball,
    Body,
    Crosspin,
    Eye,
    Fitting,
    FlatBar,
    LabelPlace,
    RodTemplate,
    RoundBar,
)

#: Part of a lip's thickness that each chamfer takes, exactly.
CHAMFER = Decimal(str(CHAMFER_PART))


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
    keys = validated(RodFileKeys, source)
    problems = [
        at(source, ("row", index, *location), message)
        for index, row in enumerate(keys.row)
        for location, message in _row_problems(row)
    ]
    if problems:
        raise together(problems)
    return tuple(_template(keys, row) for row in keys.row)


def _row_problems(row: RowKeys) -> Iterator[tuple[Location, str]]:
    """Find sizes that cannot go together in one rod."""
    yield from _end_problems("lower", row)
    yield from _end_problems("upper", row)
    if row.limits.longest <= row.limits.shortest:
        yield ("limits", "longest"), f"= {row.limits.longest} must be above shortest"
    if row.label.height not in ISO_3098_HEIGHTS_MM:
        yield (
            ("label", "height"),
            (
                f"= {row.label.height} is not in the ISO 3098 series; allowed are "
                f"{', '.join(map(str, ISO_3098_HEIGHTS_MM))} mm"
            ),
        )
    handed = row.lower != row.upper
    if handed and not row.label.side_mark:
        yield (
            ("label", "side_mark"),
            ("= false leaves mirror parts without L and R; set it to true where the ends differ"),
        )
    if not handed and row.label.side_mark:
        yield (
            ("label", "side_mark"),
            "= true marks one part that serves both sides; set it to false",
        )
    yield from _body_problems(row)


def _body_problems(row: RowKeys) -> Iterator[tuple[Location, str]]:
    body = row.body
    if isinstance(body, FlatKeys):
        if 2 * body.edge_radius >= min(body.thickness, body.height):
            yield (
                ("body", "edge_radius"),
                (f"= {body.edge_radius} must be below half of thickness and of height"),
            )
        left = body.thickness - row.label.depth
    else:
        if 2 * body.flat_depth >= body.diameter:
            yield ("body", "flat_depth"), f"= {body.flat_depth} must be below half of the diameter"
        left = body.diameter - body.flat_depth - row.label.depth
    if left <= 0:
        yield ("label", "depth"), f"= {row.label.depth} goes through the bar"


def _end_problems(end: str, row: RowKeys) -> Iterator[tuple[Location, str]]:
    fitting, body = getattr(row, end), row.body
    if isinstance(fitting, BallKeys) != isinstance(body, RoundKeys):
        yield (
            (end, "kind"),
            (
                f'= "{fitting.kind}" does not go on a {body.kind} bar; a flat bar takes eyes and '
                "crosspins, a round bar takes balls"
            ),
        )
    elif isinstance(fitting, BallKeys):
        yield from _ball_problems(end, fitting, row)
    else:
        yield from _disc_problems(end, fitting, body)


def _ball_problems(end: str, ball: BallKeys, row: RowKeys) -> Iterator[tuple[Location, str]]:
    if ball.neck_diameter >= ball.ball_diameter:
        yield (end, "neck_diameter"), "must be below ball_diameter"
    if isinstance(row.body, RoundKeys):
        # The flat must pass beside the neck, or it would cut into it.
        free = row.body.diameter - 2 * row.body.flat_depth
        if ball.neck_diameter >= free:
            yield (
                (end, "neck_diameter"),
                f"= {ball.neck_diameter} reaches the flat; it must be below diameter − 2 × "
                f"flat_depth = {free}, or the flat less deep",
            )
    if 2 * ball.neck_length <= ball.ball_diameter:
        yield (end, "neck_length"), "must be above half of ball_diameter, or the ball has no neck"


def _disc_problems(
    end: str, fitting: EyeKeys | CrosspinKeys, body: FlatKeys | RoundKeys
) -> Iterator[tuple[Location, str]]:
    if isinstance(fitting, EyeKeys):
        inner, word = fitting.bore_diameter, "bore_diameter"
    else:
        inner, word = fitting.pin_diameter, "pin_diameter"
        yield from _lip_problems(end, fitting)
    if isinstance(body, FlatKeys):
        if fitting.boss_diameter <= inner + 2 * body.edge_radius:
            yield (end, "boss_diameter"), f"must be above {word} + 2 × edge_radius"
        if fitting.boss_diameter <= body.height:
            yield (end, "boss_diameter"), "must be above the bar's height"


def _lip_problems(end: str, pin: CrosspinKeys) -> Iterator[tuple[Location, str]]:
    if pin.lip_diameter <= pin.pin_diameter:
        yield (end, "lip_diameter"), "must be above pin_diameter"
    elif 2 * CHAMFER * pin.lip_thickness >= pin.lip_diameter - pin.pin_diameter:
        yield (
            (end, "lip_thickness"),
            f"= {pin.lip_thickness} leaves no face behind the lip's chamfers; it must be below "
            f"{(pin.lip_diameter - pin.pin_diameter) / (2 * CHAMFER)}, or the lip wider",
        )
    if pin.lip_diameter > pin.boss_diameter:
        yield (end, "lip_diameter"), f"= {pin.lip_diameter} must not be above boss_diameter"


def _template(family: RodFileKeys, row: RowKeys) -> RodTemplate:
    return RodTemplate(
        name=row.name,
        title=f"{family.title}, {row.size}",
        description=family.description,
        hardware=family.hardware,
        body=_body(row.body),
        lower=_fitting(row.lower),
        upper=_fitting(row.upper),
        label=LabelPlace(
            height_mm=float(row.label.height),
            depth_mm=float(row.label.depth),
            margin_mm=float(row.label.margin),
            side_mark=row.label.side_mark,
        ),
        shortest_mm=row.limits.shortest,
        longest_mm=row.limits.longest,
        length_tolerance=row.limits.length_tolerance,
    )


def _body(keys: FlatKeys | RoundKeys) -> Body:
    if isinstance(keys, RoundKeys):
        return RoundBar(float(keys.diameter), float(keys.flat_depth))
    return FlatBar(
        float(keys.height),
        float(keys.thickness),
        float(keys.edge_radius),
        float(keys.blend_radius),
    )


def _fitting(keys: EyeKeys | BallKeys | CrosspinKeys) -> Fitting:
    if isinstance(keys, EyeKeys):
        return Eye(float(keys.bore_diameter), float(keys.boss_diameter), keys.fit)
    if isinstance(keys, BallKeys):
        return Ball(
            float(keys.ball_diameter), float(keys.neck_diameter), float(keys.neck_length), keys.fit
        )
    return Crosspin(
        float(keys.pin_diameter),
        float(keys.pin_length),
        float(keys.lip_diameter),
        float(keys.lip_thickness),
        float(keys.boss_diameter),
        keys.fit,
    )
