"""Findings: problems of the trade, returned beside the result they concern."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How a finding is treated: a refusal stops the set, a note is printed on its papers."""

    REFUSED = "refused"
    NOTE = "note"


@dataclass(frozen=True)
class Finding:
    """One problem of the trade.

    Args:
        code: Stable short name, lower case with underscores.
        message: One sentence: what was asked, what is wrong, what is allowed, what to do.
        where: Step, side or key concerned, such as "75 % left" or "bite.registered".
    """

    code: str
    severity: Severity
    message: str
    where: str = ""


def refused(code: str, message: str, where: str = "") -> Finding:
    """Make a finding that stops the set.

    Args:
        message: The sentence: what was asked, what is wrong, what is allowed, what to do.
        where: Step, side or key that it is about.
    """
    return Finding(code, Severity.REFUSED, message, where)


def note(code: str, message: str, where: str = "") -> Finding:
    """Make a finding that is shown and does not stop the set.

    Args:
        where: Step, side or key that it is about.
    """
    return Finding(code, Severity.NOTE, message, where)


def refusals(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Pick the findings that stop the set, in their order."""
    return tuple(finding for finding in findings if finding.severity is Severity.REFUSED)


def notes_of(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Pick the findings that do not stop the set, in their order."""
    return tuple(finding for finding in findings if finding.severity is Severity.NOTE)
