"""From a prescription file to graded lengths: the first half of every job."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from labkit.catalog.lettering import load_lettering
from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.toml_source import TomlSource
from labkit.core.findings import Finding, refused
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Prescription
from labkit.core.grading.steps import LengthLimits, SpacerSet, Step
from labkit.core.jaw.opening import advancement_at_opening
from labkit.core.label.layout import lay_out
from labkit.core.label.place import require_fit
from labkit.core.rod.parts import parts_of
from labkit.core.rod.rods import RodTemplate
from labkit.errors import LabelError, RefusedError


@dataclass(frozen=True)
class Case:
    """A prescription with its template and its graded lengths."""

    source: TomlSource
    prescription: Prescription
    template: RodTemplate
    spacer_set: SpacerSet

    @property
    def refusals(self) -> tuple[Finding, ...]:
        """The findings that stop the set."""
        return self.spacer_set.refused


def open_case(source: TomlSource, templates: dict[str, RodTemplate]) -> Case:
    """Read a prescription and grade it.

    Returns:
        The case; refusals of the trade are among its findings, not raised.

    Raises:
        InputError: The file is not a usable prescription.
    """
    prescription, remarks = read_prescription(source, templates)
    template = templates[prescription.template]
    graded = grade(prescription, LengthLimits.of(template))
    found = (*_labels_without_room(graded, template), *remarks, *graded.findings)
    return Case(source, prescription, template, replace(graded, findings=found))


def _labels_without_room(graded: SpacerSet, template: RodTemplate) -> Iterator[Finding]:
    """Find labels that do not fit their rods: such a set cannot be made."""
    if graded.refused:
        return
    lettering = load_lettering()
    for part in parts_of(graded, template):
        rod = part.rod
        try:
            engraving = lay_out(lettering, rod.engraving, rod.bar, template.label.height_mm)
            require_fit(lettering, template, engraving, float(rod.length))
        except LabelError as error:
            yield refused("label_does_not_fit", error.message, rod.part)


def refuse_if_refused(case: Case) -> None:
    """Stop a case that a rule of the trade refuses.

    Raises:
        RefusedError: With the sentence of every refusal.
    """
    if case.refusals:
        name, messages = case.source.name, [finding.message for finding in case.refusals]
        raise RefusedError(f"\n{name}: ".join(messages), field=case.refusals[0].code, where=name)


def lengths_json(case: Case) -> dict[str, Any]:
    """Give the graded lengths in the form of `labkit lengths --json`.

    Returns:
        The object that DEVELOPERS.md describes; what a model does not know is None.
    """
    graded = case.spacer_set
    return {
        "schema": 1,
        "case": case.prescription.case,
        "zero": str(graded.zero),
        "range_mm": graded.range_mm,
        "jaw_model": str(graded.jaw_model),
        "action": str(graded.action),
        "steps": [_step_json(step) for step in graded.steps],
        "assumed": list(graded.assumed),
        "findings": [
            {
                "code": finding.code,
                "severity": str(finding.severity),
                "message": finding.message,
                "where": finding.where,
            }
            for finding in graded.findings
        ],
    }


def opening_json(case: Case, drops_mm: tuple[float, ...]) -> list[dict[str, Any]]:
    """Give the advancement of each step's made rods as the mouth opens.

    Args:
        case: A graded case with the hinged jaw model.
        drops_mm: Drops of the incisal point from the registered bite.

    Returns:
        For each step its number, percent and points (drop, advancement).

    Raises:
        RefusedError: Another jaw model, or a pose that the jaw cannot reach.
    """
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


def _step_json(step: Step) -> dict[str, Any]:
    sides = {
        name: {
            "exact_mm": rod.exact_mm,
            "length_mm": str(rod.length),
            "label": rod.label,
            "mm_per_mm": rod.mm_per_mm,
        }
        for name, rod in (("left", step.left), ("right", step.right))
    }
    made = step.made
    return {
        "percent": step.percent,
        "advancement_mm": step.advancement_mm,
        "displacement_mm": step.displacement_mm,
        "start": step.start,
        **sides,
        "made": {
            "advancement_mm": made.advancement_mm,
            "percent": made.percent,
            "side_mismatch_mm": made.side_mismatch_mm,
            "deviation_mm": made.deviation_mm,
            "pitch_deg": made.pitch_deg,
            "yaw_deg": made.yaw_deg,
            "roll_deg": made.roll_deg,
            "pad_gap_left_mm": made.pad_gap_left_mm,
            "pad_gap_right_mm": made.pad_gap_right_mm,
        },
    }
