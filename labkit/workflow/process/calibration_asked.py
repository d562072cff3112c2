"""A calibration as it is asked for in words: by options of a command, by fields of a page."""

from __future__ import annotations

import contextlib
import datetime
import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from labkit.catalog.instruments import find_instrument, instruments
from labkit.catalog.named import find
from labkit.catalog.processes import find_process, processes
from labkit.catalog.rods import rod_templates
from labkit.core.form.keys import NAME, NAME_WORDS
from labkit.core.form.numbers import exact_number
from labkit.core.gauging.ways_of_measuring import Method, ways_of
from labkit.core.rod.calibration import USUAL_GAUGE
from labkit.core.rod.rods import Process
from labkit.errors import InputError, RefusedError
from labkit.ledger.events import checked_operator
from labkit.qa.process.coupon_way import to_length
from labkit.qa.process.coupons import ToLength
from labkit.workflow.process.calibrate import Asked


def base_asked(asked: Mapping[str, Any]) -> Process:
    """Find the process that coupons were built with, and see that the new name is free.

    Raises:
        InputError: There is no such process, the name is none or taken, or the operator code none.
    """
    checked_operator(asked["by"])
    known = processes(asked["process_places"])
    name = asked["name"]
    if not re.fullmatch(NAME, name):
        raise InputError(f"--name {name!r} is not usable; allowed is {NAME_WORDS}", field="name")
    if name in known:
        raise InputError(
            f"--name {name!r}: there is a process of that name already; a calibration makes a new "
            "one, so that earlier rods still name what they were made with", field="name",
        )
    return find_process(known, asked["process_name"])


def calibration_asked(asked: Mapping[str, Any], base: Process) -> Asked:
    """Read what is asked of a calibration.

    Raises:
        InputError: A word is none of what it should be.
        RefusedError: The instrument is not in calibration, or does not measure so.
    """
    words, u_mm = USUAL_GAUGE, base.gauge_uncertainty_mm
    day = _day(asked["day"])
    if asked["instrument_name"]:
        known = instruments(asked["instrument_places"])
        instrument = find_instrument(known, asked["instrument_name"])
        if instrument.overdue(day):
            raise RefusedError(
                f"the calibration of {instrument.name} was due on {instrument.calibration_due}, "
                f"before {day}; a process is not calibrated with a gauge that is not",
                field="instrument", value=instrument.name,
            )
        if asked["way"] and not instrument.serves(Method(asked["way"])):
            raise RefusedError(
                f"{instrument.name} does not measure {asked['way']!r}; it serves "
                f"{', '.join(instrument.methods)}: name the instrument that the readings are of",
                field="instrument", value=instrument.name,
            )
        words, u_mm = f"{instrument.title} ({instrument.name})", instrument.calibration_mm
    return Asked(
        name=asked["name"], date=day, by=asked["by"], instrument=words, gauge_u_mm=u_mm,
        tolerance_mm=_tolerance(asked["tolerance"]), keep=asked["keep"],
        leave_out=asked["leave_out"], reason=_reason(asked["reason"]),
    )


def _day(text: str) -> datetime.date:
    with contextlib.suppress(ValueError):
        day = datetime.date.fromisoformat(text)
        if day.isoformat() == text:  # 20310502 and 2031-W18-5 are dates to Python only
            return day
    raise InputError(f"--date {text!r} is not a date; write it like 2031-05-02", field="date")


def _tolerance(text: str | None) -> Decimal | None:
    if text is None:
        return None
    with contextlib.suppress(InputError):
        value = exact_number(text)
        if Decimal("0.01") <= value <= 2:
            return value
    raise InputError(
        f"--tolerance {text!r} is not usable; allowed is a number of mm from 0.01 to 2",
        field="tolerance",
    )


def _reason(text: str) -> str:
    if text != text.strip() or not text.isprintable() or len(text) > 200:
        raise InputError(
            "--reason is not usable; allowed is printable text of at most 200 characters without "
            "spaces at its ends", field="reason",
        )
    return text


def to_length_asked(asked: Mapping[str, Any]) -> ToLength | None:
    """Read how coupons were measured; None where the table holds lengths.

    Raises:
        InputError: There is no such way or template.
    """
    if not asked["way"] and not asked["template_name"]:
        return None
    if not (asked["way"] and asked["template_name"]):
        raise InputError("--way and --template go together: a reading is turned into a length")
    template = find("template", rod_templates(asked["template_places"]), asked["template_name"])
    ways = {str(way.method): way for way in ways_of(template)}
    if asked["way"] not in ways:
        raise InputError(
            f"--way {asked['way']!r} is not a way to measure {template.name}; allowed is one of "
            f"{', '.join(ways)}", field="way",
        )
    return to_length(ways[asked["way"]], template)
