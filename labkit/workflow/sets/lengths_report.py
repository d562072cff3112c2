"""The graded lengths of a set as a report, and as its own file holds them."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from operator import attrgetter
from typing import Any

import numpy as np

from labkit.core.findings import notes_of
from labkit.core.grading.prescription import JawModelName
from labkit.core.grading.steps import Step, percent_decimals
from labkit.core.jaw.opening import advancement_at_opening
from labkit.core.report import Column, Report, Section, Table, only
from labkit.units import gauge_reading, millimetres, plain, written
from labkit.workflow.sets.cases import Case

FULL_PERCENT = 100.0
#: Binary noise of a percentage.
NOISE_PERCENT = 1e-6
NOWHERE = "no position of the jaw"
NO_STEPS = (
    "No rods could be calculated, so nothing is known of how the mouth opens with them; correct "
    "what is refused first."
)
AT_NO_DROP = (
    "At a drop of 0 the jaw's position differs from that as made: the given drop replaces the "
    "pads, which need not touch then."
)


def lengths_report(case: Case, openings_mm: tuple[float, ...] = ()) -> Report:
    """Make the report of a case's graded lengths.

    Args:
        openings_mm: Hinged model: drops of the incisal point at which the advancement is told too,
            of every step whose rods could be worked out.

    Returns:
        The report; programs are given the object that DEVELOPERS.md describes, and what a model
        does not know is None.

    Raises:
        RefusedError: Openings with another jaw model.
    """
    rx, graded = case.prescription, case.spacer_set
    opened = _opening(case, openings_mm) if openings_mm and graded.steps else ()
    start = [number for number, step in enumerate(graded.steps) if step.start]
    steps = Table.of(_STEPS, graded.steps, start)
    poses = graded.steps if graded.jaw_model is JawModelName.HINGED else ()
    return Report(
        title="Graded lengths",
        sections=(
            Section(f"Case {rx.case}, {rx.date.isoformat()}", _recorded(case)),
            Section("Steps", table=steps.numbered("\nstep")),
            Section(
                "How far rods within tolerance let the jaw move",
                table=Table.of(_HOLDS, graded.steps).numbered("\nstep"),
            ),
            Section(
                "Jaw as made, from the registered bite",
                table=Table.of(_POSES, poses).numbered("\nstep"),
            ),
            Section(findings=notes_of(graded.findings)),
            Section(words=("",)),
            Section(
                "Advancement when the mouth opens, rods as made",
                words=_opening_words(opened),
                table=Table.of(_OPENING, opened),
            ) if opened or not openings_mm else Section(words=(NO_STEPS,)),
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
            **({"opening": _by_step(opened)} if opened else {}),
        },
    )


def _recorded(case: Case) -> tuple[str, str]:
    """Say what was recorded and how the lengths were found."""
    bite, graded = case.prescription.bite, case.spacer_set
    names = ("retruded", "habitual", "protruded", "registered")
    readings = ", ".join(
        f"{name} {gauge_reading(value)}"
        for name in names if (value := getattr(bite, name)) is not None
    )
    range_mm = "unknown" if graded.range_mm is None else f"{gauge_reading(graded.range_mm)} mm"
    return (
        f"Bite readings in mm: {readings}; 0 % is {graded.zero}",
        f"Protrusive range {range_mm}; {graded.jaw_model} jaw model; {graded.action} rods; "
        f"template {case.template.name}",
    )


@dataclass(frozen=True)
class _Opened:
    """Where a step's rods hold the jaw at one drop of the incisal point; None where nowhere."""

    step: int
    step_percent: float
    drop_mm: float
    advancement_mm: float | None
    percent: float | None
    remark: str
    reason: str


def _opening(case: Case, drops_mm: tuple[float, ...]) -> tuple[_Opened, ...]:
    """Work out for each step and drop where the jaw stands."""
    steps = case.spacer_set.steps
    pairs = np.array([[float(s.left.length), float(s.right.length)] for s in steps])
    found, reasons = advancement_at_opening(case.prescription, pairs, np.array(drops_mm))
    range_mm = case.spacer_set.range_mm
    assert range_mm is not None  # a graded case has one
    opened = []
    for (row, column), advancement in np.ndenumerate(found):
        percent = 100.0 * float(advancement) / range_mm
        why = reasons.get((row, column))
        beyond = why is None and percent > FULL_PERCENT + NOISE_PERCENT
        opened.append(_Opened(
            row + 1, steps[row].percent, drops_mm[column],
            None if why else float(advancement), None if why else percent,
            NOWHERE if why else "beyond the maximum" if beyond else "", why or "",
        ))
    return tuple(opened)


def _opening_words(opened: tuple[_Opened, ...]) -> tuple[str, ...]:
    """Say what the drop counts from, and why the jaw stands nowhere at some."""
    if not opened:
        return ()
    return (
        "The drop of the lower incisal point counts from the registered bite; percent is of the "
        "recorded range.",
        *([AT_NO_DROP] if any(not one.drop_mm for one in opened) else []),
        *dict.fromkeys(f"{NOWHERE.capitalize()}: {o.reason}." for o in opened if o.reason),
    )


def _by_step(opened: tuple[_Opened, ...]) -> list[dict[str, Any]]:
    """Give for each step its number, percent and points."""
    return [
        {
            "step": number,
            "percent": own[0].step_percent,
            "points": [
                {"drop_mm": one.drop_mm, "advancement_mm": one.advancement_mm,
                 "percent": one.percent, "remark": one.remark, "reason": one.reason}
                for one in own
            ],
        }
        for number, own in (
            (number, list(group)) for number, group in groupby(opened, attrgetter("step"))
        )
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


def _sideways(step: Step) -> str:
    """Tell the worst movement sideways, which a model that reads each side alone does not know."""
    sideways = None if step.hold is None else step.hold.sideways_mm
    return "not known" if sideways is None else millimetres(sideways)


def _pose(heading: str, name: str, unit: str) -> Column:
    return Column(heading, f"made.{name}", show=_signed, unit=unit)


def _signed(value: float) -> str:
    return f"{written(value, 2):+.2f}"


def _percent(value: float) -> str:
    return plain(written(value, percent_decimals(value)))


_STEPS = (
    Column("", "start", "", lambda start: "start" if start else ""),
    Column("asked\n", "percent", show=_percent, unit="%"),
    Column("asked\n", "advancement_mm", show=millimetres, unit="mm"),
    *only("displacement_mm", "start"),
    *_side("left"),
    *_side("right"),
    *only("made"),
    Column("made\n", "made.percent", "", lambda percent: millimetres(percent, 1), "%"),
    Column("made\n", "made.advancement_mm", "", millimetres, "mm"),
    Column("made off\n", "rounding_mm", "", _signed, "mm"),
    *only("hold"),
)
_HOLDS = (
    Column("rods\n", _rod_tolerance, "", plain, "± mm"),
    Column("forward\n", "hold.forward_mm", "", millimetres, "± mm", unknown="no pose"),
    Column("sideways\n", _sideways, "", unit="± mm"),
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
    Column("step", "step"),
    Column("incisal drop mm", "drop_mm", show=plain),
    Column("advancement mm", "advancement_mm", show=millimetres),
    Column("%", "percent", show=lambda percent: millimetres(percent, 1)),
    Column("", "remark"),
)
