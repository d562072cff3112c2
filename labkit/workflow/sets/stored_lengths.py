"""The graded lengths of a recorded set, taken back out of its spacer-set.json."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from labkit.core.findings import Finding, Severity
from labkit.core.grading.prescription import Action, JawModelName, Zero
from labkit.core.grading.steps import Made, RodLength, SpacerSet, Step
from labkit.errors import InputError


def spacer_set_of(spec: Mapping[str, Any]) -> SpacerSet:
    """Rebuild the graded set that a set was made from: every length as it was recorded.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        The set; nothing is graded anew, so that a later version of the program changes nothing.

    Raises:
        InputError: The content is not that of a set.
    """
    try:
        lengths = spec["lengths"]
        return SpacerSet(
            zero=Zero(lengths["zero"]),
            range_mm=lengths["range_mm"],
            jaw_model=JawModelName(lengths["jaw_model"]),
            action=Action(lengths["action"]),
            steps=tuple(
                _step(step, tolerances)
                for step, tolerances in zip(
                    lengths["steps"], spec["tolerances_mm"], strict=True
                )
            ),
            assumed=tuple(lengths["assumed"]),
            findings=tuple(
                Finding(f["code"], Severity(f["severity"]), f["message"], f["where"])
                for f in lengths["findings"]
            ),
        )
    except (KeyError, TypeError, ValueError, ArithmeticError) as error:
        raise InputError(
            f"the lengths of a recorded set cannot be read ({error}); use the version of the "
            "program that the set was made with (`labkit show`)",
            field="lengths",
        ) from error


def _step(step: Mapping[str, Any], tolerances: Mapping[str, Any]) -> Step:
    return Step(
        percent=step["percent"],
        advancement_mm=step["advancement_mm"],
        displacement_mm=step["displacement_mm"],
        start=step["start"],
        left=_rod(step["left"], tolerances["left"]),
        right=_rod(step["right"], tolerances["right"]),
        made=Made(**step["made"]),
    )


def _rod(rod: Mapping[str, Any], tolerance: float) -> RodLength:
    return RodLength(
        exact_mm=rod["exact_mm"],
        length=Decimal(rod["length_mm"]),
        mm_per_mm=rod["mm_per_mm"],
        tolerance_mm=Decimal(repr(tolerance)),
    )
