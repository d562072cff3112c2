"""Readings typed in rod by rod; what looks like a slip is asked about at once."""

from __future__ import annotations

import datetime
import re
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import click

from labkit.core.case.identifier import grouped
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method, Way
from labkit.errors import InputError, RefusedError
from labkit.qa.decision.bench import Place
from labkit.qa.decision.limits import READINGS, rod_limits
from labkit.qa.decision.readings import (
    MOST_READINGS,
    NEEDED_PARTS,
    RodReadings,
    label_parts,
    same_label,
)
from labkit.qa.decision.rod_decision import Inspected, MeasuredRod, readings_of, scatters
from labkit.qa.decision.slips import Slip, Typing, slip_in
from labkit.qa.files.form_columns import (
    COLUMNS,
    LEAST_READING_MM,
    MOST_READING_MM,
    FormColumn,
)
from labkit.qa.files.form_readers import LABEL_CHARACTERS, look_of
from labkit.qa.files.form_row import FormLine
from labkit.qa.files.readings_file import typing_of
from labkit.tables.values import Cell, TableFile
from labkit.units import counted, plain
from labkit.workflow.inspection.inspect import Inspection
from labkit.workflow.inspection.inspect_report import TOO_COARSE
from labkit.workflow.inspection.parts import LENGTH

_NUMBER = re.compile(r"[0-9]{1,6}([.,][0-9]{1,6})?")
_BACK, _STOP = "back", "stop"


@dataclass(frozen=True)
class Asked:
    """What is asked for.

    Args:
        look: What was seen on every rod; None where that is asked at the end.
        again: Whether rods that were measured before are asked for, too.
    """

    before: Inspection
    method: Method
    instrument: Instrument | None
    pins: GaugePins | None
    today: datetime.date
    lot: str | None
    temperature_c: float | None
    look: tuple[str, ...] | None
    again: bool
    use_before: datetime.date | None = None

    @property
    def way(self) -> Way:
        """The way of measuring."""
        return self.before.bench.way(self.method)

    def line(self, place: Place) -> FormLine:
        """What the inspection form says of a rod measured this way."""
        return FormLine(self.before.bench.case, place, self.way)

    def wants(self, place: Place) -> bool:
        """Whether the length of a rod is asked for."""
        return self.again or LENGTH not in self.told(place)

    @property
    def places(self) -> tuple[Place, ...]:
        """The rods that are asked for."""
        filled = {slot.rod.identifier for slot in self.before.slots if slot.filled}
        return tuple(
            place for place in self.before.bench.places
            if place.identifier in filled
            and (self.again or not self.told(place).issuperset((LENGTH, *NEEDED_PARTS)))
        )

    def told(self, place: Place) -> frozenset[str]:
        """Parts of a rod's inspection that the record holds."""
        record = self.before.records[place.identifier]
        return frozenset(record.seen()) | (frozenset([LENGTH] if record.lengths else ()))


def ask_rods(asked: Asked) -> Sequence[Inspected]:
    """Ask for the readings of every rod, then for corrections.

    Raises:
        RefusedError: Every rod was measured already, or no reading was given.
    """
    places = asked.places
    if not places:
        raise RefusedError(
            f"every rod of {asked.before.stored.name} was measured already; to measure again, say "
            "why with --again",
            field="again",
        )
    _introduce(asked, len(places))
    found: dict[int, Inspected] = {}
    at = 0
    while at < len(places):
        word = _ask_rod(asked, places, at, found)
        if word == _STOP:
            break
        at = max(0, at - 1) if word == _BACK else at + 1
    while (number := _ask_correction(len(places), found)) is not None:
        _ask_rod(asked, places, number, found)
    if not found:
        raise RefusedError("no reading was given; nothing was recorded", field="readings")
    looks = _ask_looks(asked, found)
    return [_with_look(asked, found[number], looks.get(number)) for number in sorted(found)]


def _ask_looks(asked: Asked, found: Mapping[int, Inspected]) -> dict[int, tuple[str, ...]]:
    """Ask once for all rods how they look, and of those that are not right, what they are not."""
    if asked.look is not None:
        return dict.fromkeys(found, asked.look)
    points = asked.before.points
    what = f"Is every rod {', '.join(points[:-1])} and {points[-1]}"
    while True:
        text = _ask(f"{what}: ok, or the numbers of those that are not (enter: not looked at)")
        if not text:
            return {}
        if text.casefold() in ("ok", "yes", "y"):
            return dict.fromkeys(found, ())
        words = text.replace(",", " ").split()
        if all(each.isascii() and each.isdigit() and int(each) - 1 in found for each in words):
            bad = {int(each) - 1 for each in words}
            return {n: _ask_look(n, points) if n in bad else () for n in found}
        _tell(f'  "{text}" is neither ok nor numbers of rods that were typed')


def _ask_look(number: int, points: tuple[str, ...]) -> tuple[str, ...]:
    while True:
        try:
            return look_of(_ask(f"  rod {number + 1} is not"), points)
        except InputError as error:
            _tell(f"  {error.message}")


def _with_look(asked: Asked, one: Inspected, look: tuple[str, ...] | None) -> Inspected:
    """Add how a rod looks to what was typed of it, and decide on it with that."""
    if look is None:
        return one
    readings = replace(readings_of(one), look=look)
    return asked.before.bench.measured(readings) if isinstance(one, MeasuredRod) else readings


def agreed(count: int) -> bool:
    """Ask whether the readings are to be recorded."""
    return click.confirm(f"Record {counted(count, 'rod')}?", default=False, err=True)


def _introduce(asked: Asked, count: int) -> None:
    way = asked.way
    pins = " and ".join(f"{pin} mm" for pin in dict.fromkeys(way.gauge_pins_mm))
    with_what = asked.instrument.name if asked.instrument else "the usual gauge of the process"
    _tell(f"Case {asked.before.stored.case}, set {asked.before.stored.name}: "
          f"{counted(count, 'rod')} to measure")
    _tell(f'Measured "{way.method}": {way.title}{f"; gauge pins {pins}" if pins else ""}; with '
          f"{with_what}")
    if _too_coarse(asked):
        _tell(f"Note: {TOO_COARSE}: `labkit limits {shlex.quote(asked.before.stored.case)}`")
    _tell(
        f"Type the label as engraved on the rod, then up to {READINGS} readings in mm (more of "
        f"them with spaces between in one line). Enter skips a rod; `{_BACK}` goes back, `{_STOP}` "
        "at a label goes to the end."
    )


def _too_coarse(asked: Asked) -> bool:
    """Tell, before anyone measures, whether some rod cannot be shown to conform."""
    return any(
        rod_limits(
            place.expected.length_mm, place.expected.tolerance_mm, asked.way,
            place.gauge(asked.instrument),
        ).accepted_mm is None
        for place in asked.places
    )


def _ask_rod(
    asked: Asked, places: Sequence[Place], at: int, found: dict[int, Inspected]
) -> str:
    """Ask for one rod; gives `back` or `stop` where that was typed."""
    place = places[at]
    rod = place.expected
    _tell("")
    _tell(f"{at + 1} of {len(places)}: rod {grouped(rod.identifier)}, step {rod.step} {rod.side}")
    readings: tuple[Decimal, ...] | None = None
    while readings is None:  # `back` at the first reading asks for the label again
        label = _ask_label(place)
        if label in (_BACK, _STOP):
            return label
        readings = _ask_agreeing(asked, place, label) if label and asked.wants(place) else ()
    if not label:
        found.pop(at, None)
        return ""
    seen = RodReadings(
        rod.identifier, None, label_read=label, measured_on=asked.today,
        **{column.name: _ask_column(column) for column in COLUMNS if column.question},
    )
    found[at] = seen if not readings else asked.before.bench.measured(replace(
        seen,
        method=asked.method,
        readings_mm=readings,
        gauge_pins_mm=asked.line(place).pins or None,
        instrument=asked.instrument,
        gauge_pins=asked.pins,
        temperature_c=asked.temperature_c,
        material_lot=asked.lot,
        use_before=asked.use_before,
    ))
    return ""


def _ask_agreeing(asked: Asked, place: Place, label: str) -> tuple[Decimal, ...] | None:
    """Ask for readings until they agree, or are kept all the same; None for `back`."""
    sd = place.sd_mm(asked.way, asked.instrument)
    while readings := _ask_readings(asked, place, label):
        scatter = scatters(readings, sd)
        if not scatter or click.confirm(f"  {scatter}. Keep them?", default=False, err=True):
            return readings
    return readings


def _ask_label(place: Place) -> str:
    """Ask for the label; a wrong one has to be typed twice."""
    wrong, rod = "", place.expected
    while True:
        label = _ask("  label as read")
        if label in ("", _BACK, _STOP) or same_label(label, rod):
            return label
        if len(label) > LABEL_CHARACTERS or not label.isprintable():
            _tell("  that is not a label; type what is engraved on the rod, or ? if it cannot be "
                  "read")
            continue
        if label == wrong:
            return label
        unmarked = rod.mark and label_parts(label) == (rod.length_mm, "")
        mark = f"; these rods bear {rod.mark} after the number, type it, too" if unmarked else ""
        _tell(f'  "{label}" is not the label of this rod, which is {rod.engraved}{mark}; read it '
              "again; if it is really so, type the same again, and the rod is held")
        wrong = label


def _ask_readings(asked: Asked, place: Place, label: str) -> tuple[Decimal, ...] | None:
    """Ask for readings; `back` takes the last one again, None where there is none."""
    typing = typing_of(asked.before.bench, asked.line(place), label)
    readings: list[Decimal] = []
    line: list[str] = []  # what was typed in one line with spaces between, and is still to be read
    while len(readings) < (MOST_READINGS if line else READINGS):
        hint = " (enter: no length now)" if not readings else " (enter: no more)"
        value = _ask_reading(
            f"  reading {len(readings) + 1}, mm{hint}", typing.nominal_mm,
            lambda number: _slip(number, typing, readings), line,
        )
        if value == _BACK:
            if not readings:
                return None
            readings.pop()
        elif isinstance(value, Decimal):
            readings.append(value)
        else:
            break
    return tuple(readings)


def _slip(number: Decimal, typing: Typing, kept: Sequence[Decimal]) -> Slip | None:
    """Look at a reading; one like another that was kept is not asked about again."""
    slip = slip_in(number, typing)
    alike = any(abs(number - other) <= typing.expected.tolerance_mm for other in kept)
    return None if alike and slip and not slip.certain else slip


def _ask_reading(
    words: str, nominal_mm: Decimal, slip_of: Callable[[Decimal], Slip | None], line: list[str]
) -> Decimal | str:
    """Ask for one reading until it is a number that is no slip, or confirmed; `back` or empty."""
    confirm: Decimal | None = None
    while True:
        if not line:
            line += _ask(words).split() or [""]
        text = line.pop(0)
        if text in ("", _BACK):
            return text
        value = Decimal(text.replace(",", ".")) if _NUMBER.fullmatch(text) else None
        if value is None or not LEAST_READING_MM <= value <= MOST_READING_MM:
            line.clear()
            _tell(f'  "{text}" is not a reading; type a number in mm such as {plain(nominal_mm)}')
            continue
        slip = slip_of(value)
        if slip is None or (value == confirm and not slip.certain):
            return value
        line.clear()
        keep = "" if slip.certain else "; if it is really so, type the same again"
        _tell(f"  {text} typed, {slip.sentence}{keep}")
        confirm = value


def _ask_column(column: FormColumn) -> Any:
    """Ask what a column of the form is for, until it is an answer; None for none."""
    read, typed = column.typed or column.read, TableFile("typed in", (), (), "", "", proven=True)
    assert read is not None
    while text := _ask(f"  {column.question}"):
        try:
            return read(Cell(text, 0, 0, column.name), typed)
        except InputError as error:
            _tell(f"  {error.message}")
    return None


def _ask_correction(count: int, found: dict[int, Inspected]) -> int | None:
    """Show what was typed and ask which rod is to be corrected; None for none."""
    if not found:
        return None
    _tell("")
    for number, rod in sorted(found.items()):
        read = readings_of(rod)
        values = ", ".join(str(each) for each in read.readings_mm) or "no length"
        result = f": {rod.result}" if isinstance(rod, MeasuredRod) else ""
        fittings = {True: "fittings good", False: "fittings bad", None: "fittings not looked at"}
        _tell(f"{number + 1:>3}: rod {grouped(read.identifier)}, label {read.label_read}, "
              f"{values}{' mm' * bool(read.readings_mm)}, {fittings[read.fittings]}{result}")
    while True:
        text = _ask("Number of a rod to correct (enter: none)")
        if not text:
            return None
        if text.isascii() and text.isdigit() and 1 <= int(text) <= count:
            return int(text) - 1
        _tell(f'  "{text}" is not one of the numbers 1 to {count}')


def _ask(words: str) -> str:
    answer: str = click.prompt(words, default="", show_default=False, err=True)
    word = answer.strip()
    return word.casefold() if word.casefold() in (_BACK, _STOP) else word


def _tell(line: str) -> None:
    click.echo(line, err=True)
