"""What is known of a process before the next set is made with it: its range, and its drift."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal

from labkit.core.calibration import Calibration
from labkit.core.findings import Finding, note
from labkit.core.jsonable import jsonable
from labkit.core.rods import Process
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState
from labkit.qa.trend import FALSE_ALARM_RATE, RodOff, Trend, look
from labkit.units import counted, plain
from labkit.workflow.as_stored import process_as_stored
from labkit.workflow.process_data import RodValue, rod_values


def range_findings(process: Process, lengths: Collection[Decimal]) -> tuple[Finding, ...]:
    """Note rods whose length lies outside of what the process was calibrated with.

    Args:
        process: The process.
        lengths: Functional lengths of the rods to be made, mm.

    Returns:
        A note, or nothing; nothing for a process that was not calibrated.
    """
    own = process.calibration
    if own is None:
        return ()
    outside = sorted({length for length in lengths if not own.covers(float(length))})
    if not outside:
        return ()
    words = ", ".join(plain(length) for length in outside)
    lie = "lengths {} mm lie" if len(outside) > 1 else "the length {} mm lies"
    calibrated = f"{plain(own.shortest_mm)} to {plain(own.longest_mm)} mm"
    return (note(
        "outside_calibrated_range",
        f"{lie.format(words)} outside of {calibrated}, in which {process.name} was calibrated: "
        "what is built there is not backed by a measurement; measure these rods with care, "
        "or calibrate with coupons of such lengths",
    ),)  # fmt: skip


def trend_findings(process: Process, reader: Reader) -> tuple[Finding, ...]:
    """Say whether the rods measured since a process was calibrated drift away.

    Args:
        process: The process that the next set is to be made with.
        reader: The ledger; it is only read.

    Returns:
        A note, or nothing; nothing for a process that was not calibrated.
    """
    own = process.calibration
    if own is None:
        return ()
    rods = rods_since(process, reader)
    seen = look(rods, own)
    if seen is None or not seen.drifts:
        return ()
    return (note("process_drifts", _sentence(process, own, seen)),)


def case_process(case: str, reader: Reader) -> Process | None:
    """Give the process that a case's rods are made with, as recorded.

    Args:
        case: Case number.
        reader: The ledger; it is only read.

    Returns:
        The process of the newest finished set, None where there is none.
    """
    made = [stored for stored in reader.sets(case) if stored.state is SetState.MADE]
    if not made:
        return None
    return process_as_stored(made[-1].process, {}, made[-1].name, accept=True)


def rods_since(process: Process, reader: Reader) -> tuple[RodOff, ...]:
    """Give the rods made with a process as it is calibrated now, each once, as they were made.

    Args:
        process: A calibrated process.
        reader: The ledger.

    Returns:
        Measured rods of sets whose recorded process has this name, compensation and calibration.
    """
    values, _ = rod_values(reader)
    own = [value for value in values if value.process == process.name]
    accepted = _accepted(process, own, reader)
    return tuple(
        RodOff(
            value.nominal_mm, value.deviation_mm,
            process.gauge_uncertainty_mm if value.u_mm is None else value.u_mm, value.measured_on,
        )
        for value in own
        if value.version in accepted
    )  # fmt: skip


def _accepted(process: Process, values: Collection[RodValue], reader: Reader) -> frozenset[str]:
    """Find the recorded versions of a process that build lengths as it does now."""
    now = jsonable(process)
    one_set = {value.version: value.set_name for value in values}
    found = set()
    for version, name in one_set.items():
        stored = reader.set_named(name)
        then = stored.process.content if stored else {}
        if all(then.get(key) == now.get(key) for key in ("compensation", "calibration")):
            found.add(version)
    return frozenset(found)


def _sentence(process: Process, own: Calibration, seen: Trend) -> str:
    way = "long" if seen.off_mm > 0 else "short"
    why = "; ".join((
        *(("their moving mean is beyond its limit",) if seen.beyond else ()), *seen.patterns,
    ))  # fmt: skip
    return (
        f"the process {process.name} drifts: the last {counted(seen.after, 'rod')} of "
        f"{seen.rods} looked at came out {abs(seen.off_mm):.3f} mm too {way} on average (± "
        f"{seen.half_mm:.3f} mm, 95 %), since {seen.since} ({why}; a false alarm in at most "
        f"{100 * FALSE_ALARM_RATE:.0f} of 100 looks); it was calibrated on {own.date}: look at "
        f"`labkit chart --process {process.name}`, and calibrate again (`labkit calibrate`) before "
        "more sets are made"
    )
