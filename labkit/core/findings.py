"""Findings: problems of the trade, returned beside the result they concern."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT


class Severity(StrEnum):
    """How a finding is treated: a refusal stops the set, a note is printed on its papers."""

    REFUSED = "refused"
    NOTE = "note"

    @property
    def head(self) -> str:
        """What stands before a finding, for people."""
        return "Held" if self is Severity.REFUSED else "Note"


@dataclass(frozen=True)
class Finding:
    """One problem of the trade.

    Args:
        code: Stable short name, lower case with underscores.
        message: One sentence: what was asked, what is wrong, what is allowed, what to do.
        where: Step, side or key concerned, such as "75 % left" or "bite.registered".
        values: What fills the places of the sentence, by name, so that it can be told in another
            language; of a sentence that has no places, nothing.
    """

    code: str
    severity: Severity
    message: str
    where: str = ""
    values: dict[str, str] = field(default_factory=dict, hash=False, metadata=LEFT_OUT_AT_DEFAULT)


def refused(code: str, message: str, where: str = "") -> Finding:
    """Make a finding that stops the set.

    Args:
        message: The sentence: what was asked, what is wrong, what is allowed, what to do.
        where: Step, side or key that it is about.
    """
    return Finding(code, Severity.REFUSED, message, where)


def note(code: str, message: str, where: str = "", **values: str) -> Finding:
    """Make a finding that is shown and does not stop the set.

    Args:
        message: The sentence; of one that stands on translated papers with places in braces, as
            the documents' texts have it under its code.
        where: Step, side or key that it is about.
        values: What fills the places.

    >>> note("short_span", "the set spans {span} mm", span="3.00").message
    'the set spans 3.00 mm'
    """
    told = message.format(**values) if values else message
    return Finding(code, Severity.NOTE, told, where, values)


def refusals(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Pick the findings that stop the set, in their order."""
    return tuple(finding for finding in findings if finding.severity is Severity.REFUSED)


def notes_of(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Pick the findings that do not stop the set, in their order."""
    return tuple(finding for finding in findings if finding.severity is Severity.NOTE)
