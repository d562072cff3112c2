"""What is known of a process before the next set is made with it: its range, and its drift."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from decimal import Decimal
from functools import cache
from itertools import groupby
from operator import attrgetter
from typing import Any

from labkit.core.findings import Finding, note
from labkit.core.jsonable import jsonable
from labkit.core.rod.calibration import USUAL_GAUGE, Calibration
from labkit.core.rod.rods import Process
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState, StoredReading
from labkit.qa.decision.budget import CALIBRATION, FITTINGS, GAUGE, ROOM
from labkit.qa.process.trend import FALSE_ALARM_RATE, WINDOW, RodOff, Trend, look
from labkit.units import as_written, counted, plain
from labkit.workflow.sets.as_stored import as_stored

#: Parts of a reading's budget that are the same from rod to rod.
_SHARED = (CALIBRATION, FITTINGS, ROOM)


def range_findings(process: Process, lengths: Collection[Decimal]) -> tuple[Finding, ...]:
    """Note rods whose length lies outside of what the process was calibrated with.

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
    ),)


def trend_findings(process: Process, reader: Reader) -> tuple[Finding, ...]:
    """Say whether the rods measured since a process was calibrated drift away.

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

    Returns:
        The process of the newest finished set, None where there is none.
    """
    made = [stored for stored in reader.sets(case) if stored.state is SetState.MADE]
    if not made:
        return None
    return as_stored(Process, made[-1].process, {}, made[-1].name, accept=True)


def rods_since(process: Process, reader: Reader) -> tuple[RodOff, ...]:
    """Give the latest rods made with a process as it is calibrated now, as they were made.

    Returns:
        Measured rods of the newest sets whose recorded process has this name, compensation and
        calibration, each once, with its last reading that nothing has corrected; no more sets
        than the look needs.
    """
    found: list[RodOff] = []
    with reader.snapshot():
        alike = cache(lambda sha256: _builds_alike(reader.process(sha256), process))
        by_set = groupby(reader.last_readings(process.name), attrgetter("set_name"))
        for _, readings in by_set:
            if len(found) >= WINDOW:
                break
            own = [_rod_off(r.reading, process) for r in readings if alike(r.process_sha256)]
            found = [*(rod for rod in own if rod is not None), *found]
    return tuple(found)


def _builds_alike(recorded: Mapping[str, Any], process: Process) -> bool:
    """Tell whether a recorded process builds lengths as it does now; titles do not matter."""
    then, now = as_written(recorded), as_written(jsonable(process))
    return all(then.get(key) == now.get(key) for key in ("compensation", "calibration"))


def _rod_off(reading: StoredReading, process: Process) -> RodOff | None:
    """Give a rod's deviation, None where no details of its reading were kept."""
    details = reading.details
    if "length_mm" not in details or "nominal_mm" not in details:
        return None
    nominal = float(details["nominal_mm"])
    u_mm = process.gauge_uncertainty_mm if reading.u_mm is None else reading.u_mm
    budget = details.get("budget") or ()
    shared = min(u_mm, _part_mm(budget, _SHARED))
    return RodOff(
        length_mm=nominal,
        off_mm=float(details["length_mm"]) - nominal,
        u_mm=math.sqrt(u_mm**2 - shared**2),
        on=reading.measured_on,
        shared_mm=math.hypot(shared, _part_mm(budget, _usual(process))),
        gauge=reading.gauge,
    )


def _usual(process: Process) -> tuple[str, ...]:
    """The part that the usual gauge may share besides.

    Nobody knows how much of its one number is the same for every rod, so that all of it counts
    as shared, too. Where the coupons were measured with it, what is shared has gone into the
    compensation already.
    """
    own = process.calibration
    return () if own is None or own.instrument == USUAL_GAUGE else (GAUGE,)


def _part_mm(budget: Iterable[Mapping[str, Any]], names: Collection[str]) -> float:
    """Combine the parts of a reading's budget that bear these names."""
    return math.hypot(*(float(one["u_mm"]) for one in budget if one["name"] in names))


def _reasons(seen: Trend) -> Iterator[str]:
    if seen.beyond:
        yield "their moving mean is beyond its limit"
    if seen.change_mm is not None:
        than = "longer" if seen.change_mm > 0 else "shorter"
        yield f"they are {abs(seen.change_mm):.3f} mm {than} than the rods before them"


def _sentence(process: Process, own: Calibration, seen: Trend) -> str:
    way = "long" if seen.off_mm > 0 else "short"
    why = "; ".join((*_reasons(seen), *seen.patterns))
    return (
        f"the process {process.name} drifts: the last {counted(seen.after, 'rod')} of "
        f"{seen.rods} looked at came out {abs(seen.off_mm):.3f} mm too {way} on average (± "
        f"{seen.half_mm:.3f} mm, 95 %), since {seen.since} ({why}; a false alarm in at most "
        f"{100 * FALSE_ALARM_RATE:.0f} of 100 looks); it was calibrated on {own.date}: look at "
        f"`labkit chart --process {process.name}`, and calibrate again (`labkit calibrate`) before "
        "more sets are made"
    )
