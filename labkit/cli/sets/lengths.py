"""`labkit lengths`: graded lengths of one or more prescriptions."""

from __future__ import annotations

import math
from typing import Any

import click
import rich_click
from rich.table import Table

from labkit.catalog.rods import rod_templates
from labkit.cli.common import (
    JSON,
    RX,
    TEMPLATES,
    Run,
    out,
    plain_table,
    print_json,
    print_notes,
)
from labkit.core.grading.prescription import JawModelName
from labkit.units import millimetres, plain
from labkit.workflow.sets.cases import Case, lengths_json, open_case, opening_json


@click.command("lengths", cls=rich_click.RichCommand)
@RX
@JSON
@TEMPLATES
@click.option(
    "--opening",
    "openings",
    multiple=True,
    type=click.FloatRange(0, 30),
    metavar="MM",
    help="Hinged model: also show the advancement when the incisal point drops by MM; repeatable.",
)
def command(
    prescriptions: tuple[str, ...],
    as_json: bool,
    template_places: tuple[str, ...],
    openings: tuple[float, ...],
) -> None:
    """Work out the graded lengths of a spacer set, left and right.

    RX is a prescription file (TOML), or - for standard input. Nothing is written.

    Example: labkit lengths QF-1043.toml --json
    """
    run, templates = Run(), rod_templates(template_places)
    for source in run.each(prescriptions):
        with run.reporting(source.name):
            case = open_case(source, templates)
            opened = opening_json(case, openings) if openings and not case.refusals else None
            _show(case, as_json, opened)
            run.refuse(source.name, case.refusals)
            run.done += 1
    run.finish(cautions=not as_json)


def _show(case: Case, as_json: bool, opened: list[dict[str, Any]] | None) -> None:
    if as_json:
        print_json({**lengths_json(case), **({"opening": opened} if opened else {})})
    else:
        print_lengths(case)
        if opened:
            _print_opening(opened)


def print_lengths(case: Case) -> None:
    """Print what was recorded, the table of steps, the poses and the findings of a case."""
    console, rx, graded = out(), case.prescription, case.spacer_set
    console.print(f"Case {rx.case}, {rx.date.isoformat()}", style="bold", markup=False)
    bite = rx.bite
    readings = ", ".join(
        f"{name} {plain(value)}"
        for name, value in (
            ("retruded", bite.retruded),
            ("habitual", bite.habitual),
            ("protruded", bite.protruded),
            ("registered", bite.registered),
        )
        if value is not None
    )
    console.print(
        f"Bite readings in mm: {readings}; 0 % is {graded.zero}", markup=False, soft_wrap=True
    )
    range_mm = "unknown" if graded.range_mm is None else f"{plain(graded.range_mm)} mm"
    console.print(
        f"Protrusive range {range_mm}; {graded.jaw_model} jaw model; "
        f"{graded.action} rods; template {case.template.name}",
        markup=False,
        soft_wrap=True,
    )
    if graded.steps:
        console.print(_steps_table(case))
    if graded.steps and graded.jaw_model is JawModelName.HINGED:
        console.print(_pose_table(case))
    print_notes(graded.findings)
    console.print()


def _steps_table(case: Case) -> Table:
    table = plain_table(
        "Steps",
        (
            "\nstep",
            "",
            "asked\n%",
            "asked\nmm",
            "left\nrod",
            "right\nrod",
            "made\n%",
            "made\nmm",
            "made off\nmm",
            "rod\n± mm",
            "jaw\n± mm",
        ),
    )
    for number, step in enumerate(case.spacer_set.steps, 1):
        tolerance = max(step.left.tolerance_mm, step.right.tolerance_mm)
        reach = max(rod.advancement_tolerance_mm or math.inf for rod in (step.left, step.right))
        table.add_row(
            str(number),
            "start" if step.start else "",
            plain(round(step.percent, 4)),
            millimetres(step.advancement_mm),
            step.left.label,
            step.right.label,
            millimetres(step.made.percent, 1),
            millimetres(step.made.advancement_mm),
            f"{step.rounding_mm:+.3f}",
            plain(tolerance),
            millimetres(reach),
            style="bold" if step.start else None,
        )
    return table


def _pose_table(case: Case) -> Table:
    table = plain_table(
        "Jaw as made, from the registered bite",
        (
            "\nstep",
            "deviation\nmm",
            "pitch\n°",
            "yaw\n°",
            "roll\n°",
            "left pad\ngap mm",
            "right pad\ngap mm",
        ),
    )
    for number, step in enumerate(case.spacer_set.steps, 1):
        made = step.made
        values = (
            made.deviation_mm,
            made.pitch_deg,
            made.yaw_deg,
            made.roll_deg,
            made.pad_gap_left_mm,
            made.pad_gap_right_mm,
        )
        table.add_row(str(number), *("-" if v is None else f"{v:+.3f}" for v in values))
    return table


def _print_opening(opened: list[dict[str, Any]]) -> None:
    table = plain_table(
        "Advancement when the mouth opens, rods as made",
        ("step", "incisal drop mm", "advancement mm"),
    )
    for row in opened:
        for point in row["points"]:
            table.add_row(
                str(row["step"]), plain(point["drop_mm"]), millimetres(point["advancement_mm"])
            )
    out().print(table)
