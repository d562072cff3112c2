"""What programs send: each a value whose form says its keys, ranges and words."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

from labkit.core.form.keys import Key, quantity
from labkit.web.worked_out import MOST_CHARACTERS
from labkit.workflow.inspection.entry import COMMON, MOST, OF_ROD, Entry
from labkit.workflow.rods.life import MISTAKEN, RECORDED

#: Characters of a remark or a reason.
_LINE = 500
#: Drops of the incisal point, and rods, in one request.
_MOST_DROPS, _MOST_RODS = 20, 200
_STATES = (*map(str, RECORDED), MISTAKEN)


def _remark(about: str) -> Key:
    return Key(about, f"one line of at most {_LINE} printable characters", most=_LINE,
               holds=str.isprintable)


@dataclass(frozen=True)
class AskedLengths:
    """A prescription to be worked out; nothing is recorded."""

    prescription: Annotated[str, Key(
        "the prescription: the text of its file (TOML)", least=1, most=MOST_CHARACTERS,
    )]
    opening_mm: Annotated[tuple[Decimal, ...], quantity(
        "hinged model: drops of the incisal point at which the advancement is reported too", 0, 30,
        most=_MOST_DROPS, allowed=f"a list of at most {_MOST_DROPS} numbers in mm from 0 to 30",
    )] = ()


@dataclass(frozen=True)
class AskedRods:
    """What became of rods of one case: of all of them, or nothing is recorded."""

    rods: Annotated[tuple[str, ...], Key(
        "identifiers, as on the bag labels", f"a list of 1 to {_MOST_RODS} identifiers", least=1,
        most=_MOST_RODS,
    )]
    state: Annotated[str, Key("what became of them", choices=_STATES)]
    note: Annotated[str, _remark("a remark; wanted where a mistake is taken back")] = ""
    on: Annotated[datetime.date | None, Key("the day on which it happened; else today")] = None
    unreleased: Annotated[str, _remark(
        "why rods not released, or not to be worn, are delivered; of QA alone",
    )] = ""
    instead: Annotated[bool, Key("with fitted: what is fitted comes out for these")] = False


@dataclass(frozen=True)
class AskedPrescription:
    """A prescription to be recorded: of a new case, or as the next revision."""

    prescription: Annotated[str, Key(
        "the prescription: the text of its file (TOML)", least=1, most=MOST_CHARACTERS,
    )]
    reason: Annotated[str, _remark("why it is revised; wanted for a recorded case")] = ""
    revision: Annotated[int | None, quantity(
        "the revision that it revises, so that none is passed over; else the newest", 1, 10_000, "",
    )] = None
    despite_trial: Annotated[bool, Key(
        "record it although it sets aside what an accepted trial fit gave",
    )] = False


def _cell(about: str) -> Key:
    return Key(about, f"text of at most {_LINE} characters, as in the inspection form", most=_LINE)


@dataclass(frozen=True)
class AskedRow:
    """What was read on one rod: the columns of the inspection form, as texts."""

    identifier: Annotated[str, _cell("the rod, as on its bag label")]
    readings: Annotated[tuple[str, ...], Key(
        "readings in mm, in the order in which they were taken", f"a list of at most {MOST} texts",
        most=MOST,
    )] = ()
    label_read: Annotated[str, _cell("label as read on the rod")] = ""
    fittings: Annotated[str, _cell("fittings")] = ""
    look: Annotated[str, _cell("look")] = ""
    result: Annotated[str, _cell("own result")] = ""
    remark: Annotated[str, _cell("a remark")] = ""
    really: Annotated[bool, Key("take readings although they are merely far off")] = False


@dataclass(frozen=True)
class AskedReadings:
    """Readings of rods of a set: all of them are recorded, or none."""

    rods: Annotated[tuple[AskedRow, ...], Key(
        "a row for each rod", f"a list of 1 to {_MOST_RODS} rows", least=1, most=_MOST_RODS,
    )]
    way: Annotated[str, _cell("way of measuring; else that of the form")] = ""
    instrument: Annotated[str, _cell("instrument")] = ""
    gauge_pins: Annotated[str, _cell("set of gauge pins")] = ""
    temperature_c: Annotated[str, _cell("temperature of the rods, °C")] = ""
    material_lot: Annotated[str, _cell("lot of the material")] = ""
    use_before: Annotated[str, _cell("last day of the lot")] = ""
    measured_on: Annotated[str, _cell("day")] = ""
    measured_by: Annotated[str, _cell("who measured")] = ""
    set: Annotated[str | None, _cell("name of the set; else the last one made")] = None
    again: Annotated[str, _remark("why rods that were measured are measured again")] = ""

    @property
    def entry(self) -> Entry:
        """It as a page would have it typed."""
        return Entry(
            {name: getattr(self, name) for name in COMMON},
            {row.identifier: {name: getattr(row, name) for name in OF_ROD} for row in self.rods},
            {row.identifier: row.readings for row in self.rods},
            frozenset(row.identifier for row in self.rods if row.really),
        )
