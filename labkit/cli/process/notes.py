"""What a command that makes rods says about the process that makes them."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from decimal import Decimal
from typing import TYPE_CHECKING

from labkit.cli.common import say
from labkit.core.findings import Finding, note
from labkit.core.rod.rods import NOMINAL
from labkit.documents.figures import as_given
from labkit.errors import LabkitError
from labkit.units import plain

if TYPE_CHECKING:
    from labkit.core.grading.steps import SpacerSet
    from labkit.core.rod.rods import Process
    from labkit.ledger.queries import Reader
    from labkit.workflow.sets.job import Means


def process_words(process: Process) -> str:
    """Say which process makes the rods, and whether what is built is compensated."""
    built = "at nominal size, uncompensated"
    if process.compensation != NOMINAL:
        adds = process.compensation
        built = (
            f"compensated: length × {plain(adds.length_scale)}, "
            f"{as_given(adds.length_offset_mm, sign=True)} mm"
        )
    return f"Process {process.name} ({process.title}): STL and plates {built}"


def open_with(means: Means) -> tuple[Finding, ...]:
    """Say on standard error, before anything is built, what makes the rods.

    Returns:
        A note where nobody named the process, which the end of the run says again.
    """
    found = unnamed_notes(means)
    say_first(process_words(means.process))
    for finding in found:
        say_first(f"Note: {finding.message}")
    return found


def say_first(sentence: str) -> None:
    """Print on standard error; one that takes nothing does not keep rods from being made."""
    with suppress(OSError):
        say(sentence, to_stderr=True)


def close_with(means: Means, *, to_stderr: bool) -> None:
    """Say at the end what made the rods."""
    say(process_words(means.process), to_stderr=to_stderr)
    note_all(unnamed_notes(means), to_stderr=to_stderr)


def unnamed_notes(means: Means) -> tuple[Finding, ...]:
    """Note that nobody named a process, so that what is built is not compensated."""
    if means.process_named:
        return ()
    return (note(
        "process_not_named",
        "no process was named, so the STL and plates are at nominal size (uncompensated), and a "
        "machine that shrinks or swells makes every rod wrong; name the process with --process, "
        "LABKIT_PROCESS or `process` in the lab's profile, and make the set again before any of "
        "it is built",
    ),)


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
        ),)
