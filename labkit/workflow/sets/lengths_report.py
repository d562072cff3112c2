"""The graded lengths of a set as a report, and as its own file holds them."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

import numpy as np

from labkit.core.findings import notes_of
from labkit.core.grading.prescription import JawModelName
from labkit.core.grading.steps import Step
from labkit.core.jaw.opening import advancement_at_opening
from labkit.core.report import Column, Report, Section, Table, only
from labkit.units import millimetres, plain, written
from labkit.workflow.sets.cases import Case


def lengths_report(case: Case, openings_mm: tuple[float, ...] = ()) -> Report:
    """Make the report of a case's graded lengths.

    Args:
        openings_mm: Hinged model: drops of the incisal point at which the advancement is told too;
            not where the set is refused.

    Returns:
        The report; programs are given the object that DEVELOPERS.md describes, and what a model
        does not know is None.

    Raises:
        RefusedError: Openings with another jaw model, or a pose that the jaw cannot reach.
    """
    rx, graded = case.prescription, case.spacer_set
    opened = _opening(case, openings_mm) if openings_mm and not case.refusals else []
    start = [number for number, step in enumerate(graded.steps) if step.start]
    steps = Table.of(_STEPS, graded.steps, start)
    poses = graded.steps if graded.jaw_model is JawModelName.HINGED else ()
    return Report(
        title="Graded lengths",
        sections=(
            Section(f"Case {rx.case}, {rx.date.isoformat()}", _recorded(case)),
            Section("Steps", table=steps.numbered("\nstep")),
            Section(
                "Jaw as made, from the registered bite",
                table=Table.of(_POSES, poses).numbered("\nstep"),
            ),
            Section(findings=notes_of(graded.findings)),
            Section(words=("",)),
            Section(
                "Advancement when the mouth opens, rods as made",
                table=Table(_OPENING, tuple(
                    (row["step"], point["drop_mm"], point["advancement_mm"])
                    for row in opened for point in row["points"]
                )),
            ),
        ),
        data={
            "schema": 1,
            "case": rx.case,
            "zero": graded.zero,
            "range_mm": graded.range_mm,
            "jaw_model": graded.jaw_model,
            "action": graded.action,
            "steps": steps.records,
            "assumed": graded.assumed,
            "findings": graded.findings,
            **({"opening": opened} if opened else {}),
        },
    )  # fmt: skip


def _recorded(case: Case) -> tuple[str, str]:
    """Say what was recorded and how the lengths were found."""
    bite, graded = case.prescription.bite, case.spacer_set
    names = ("retruded", "habitual", "protruded", "registered")
    readings = ", ".join(
        f"{name} {plain(value)}" for name in names if (value := getattr(bite, name)) is not None
    )
    range_mm = "unknown" if graded.range_mm is None else f"{plain(graded.range_mm)} mm"
    return (
        f"Bite readings in mm: {readings}; 0 % is {graded.zero}",
        f"Protrusive range {range_mm}; {graded.jaw_model} jaw model; {graded.action} rods; "
        f"template {case.template.name}",
    )


def _opening(case: Case, drops_mm: tuple[float, ...]) -> list[dict[str, Any]]:
    """Give for each step its number, percent and points (drop, advancement)."""
    steps = case.spacer_set.steps
    pairs = np.array([[float(s.left.length), float(s.right.length)] for s in steps])
    found = advancement_at_opening(case.prescription, pairs, np.array(drops_mm))
    return [
        {
            "step": number,
            "percent": step.percent,
            "points": [
                {"drop_mm": drop, "advancement_mm": float(value)}
                for drop, value in zip(drops_mm, row, strict=True)
            ],
        }
        for number, (step, row) in enumerate(zip(steps, found, strict=True), 1)
    ]


def _side(side: str) -> tuple[Column, ...]:
    return (
        *only(f"{side}.exact_mm"),
        Column(None, lambda step: str(getattr(step, side).length), f"{side}.length_mm"),
        Column(f"{side}\nrod", f"{side}.label"),
        *only(f"{side}.mm_per_mm"),
    )


def _rod_tolerance(step: Step) -> Decimal:
    return max(step.left.tolerance_mm, step.right.tolerance_mm)


def _jaw_tolerance(step: Step) -> float:
    return max(rod.advancement_tolerance_mm or math.inf for rod in (step.left, step.right))


def _pose(heading: str, name: str, unit: str) -> Column:
    return Column(heading, f"made.{name}", show="{:+.3f}".format, unit=unit, unknown="-")


_STEPS = (
    Column("", "start", "", lambda start: "start" if start else ""),
    Column("asked\n", "percent", show=lambda percent: plain(written(percent, 4)), unit="%"),
    Column("asked\n", "advancement_mm", show=millimetres, unit="mm"),
    *only("displacement_mm", "start"),
    *_side("left"),
    *_side("right"),
    *only("made"),
    Column("made\n", "made.percent", "", lambda percent: millimetres(percent, 1), "%"),
    Column("made\n", "made.advancement_mm", "", millimetres, "mm"),
    Column("made off\n", "rounding_mm", "", "{:+.3f}".format, "mm"),
    Column("rod\n± mm", _rod_tolerance, show=plain),
    Column("jaw\n± mm", _jaw_tolerance, show=millimetres),
)
_POSES = (
    _pose("deviation\n", "deviation_mm", "mm"),
    _pose("pitch\n", "pitch_deg", "°"),
    _pose("yaw\n", "yaw_deg", "°"),
    _pose("roll\n", "roll_deg", "°"),
    _pose("left pad\ngap mm", "pad_gap_left_mm", ""),
    _pose("right pad\ngap mm", "pad_gap_right_mm", ""),
)
_OPENING = (
    Column("step"),
    Column("incisal drop mm", show=plain),
    Column("advancement mm", show=millimetres),
)
