"""What grading says of a prescription, by code."""

from __future__ import annotations

from labkit.core.grading.grade import grade
from tests.support.patients import LIMITS


def found(prescription, limits=LIMITS):
    """The findings by code; of several with one code, the first."""
    return {finding.code: finding for finding in reversed(grade(prescription, limits).findings)}


def refusal(prescription, code, limits=LIMITS):
    finding = found(prescription, limits)[code]
    assert finding.severity == "refused"
    return finding


def noted(prescription, code, limits=LIMITS):
    finding = found(prescription, limits)[code]
    assert finding.severity == "note"
    return finding
