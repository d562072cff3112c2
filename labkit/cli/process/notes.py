"""What a command that makes rods says beforehand about the process that makes them."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import TYPE_CHECKING

from labkit.cli.common import say
from labkit.core.findings import Finding, note
from labkit.errors import LabkitError

if TYPE_CHECKING:
    from labkit.core.grading.steps import SpacerSet
    from labkit.core.rod.rods import Process
    from labkit.ledger.queries import Reader


def note_all(findings: Iterable[Finding], *, to_stderr: bool) -> None:
    """Print notes before anything is built, a line each."""
    for finding in findings:
        say(f"Note: {finding.message}", to_stderr=to_stderr)


def range_notes(process: Process, spacer_set: SpacerSet) -> tuple[Finding, ...]:
    """Note rods outside of the calibrated range; nothing for a process without calibration."""
    if process.calibration is None:
        return ()
    from labkit.workflow.process.trend import range_findings

    rods = (rod for step in spacer_set.steps for rod in (step.left, step.right))
    return range_findings(process, frozenset[Decimal](rod.length for rod in rods))


def trend_notes(
    process: Process, reader: Reader | None, ledger_url: str | None
) -> tuple[Finding, ...]:
    """Look whether a calibrated process drifts, in whatever ledger there is.

    Args:
        reader: The ledger where it is open already.
        ledger_url: The ledger as named, None for the lab's own; it is only read, none is begun,
            and without one nothing is said.

    Returns:
        Notes; nothing for a process without calibration.
    """
    if process.calibration is None:
        return ()
    from labkit.ledger.place import file_of, is_default
    from labkit.ledger.place import ledger_url as url_of
    from labkit.ledger.store import look_into
    from labkit.workflow.process.trend import trend_findings

    if reader is not None:
        return trend_findings(process, reader)
    try:
        file = file_of(url_of(ledger_url))
        if is_default(ledger_url) and file is not None and not file.exists():
            return ()
        with look_into(ledger_url) as ledger:
            return trend_findings(process, ledger)
    except LabkitError as error:
        return (note(
            "drift_not_known", f"whether {process.name} drifts could not be looked up: {error}"
        ),)  # fmt: skip
