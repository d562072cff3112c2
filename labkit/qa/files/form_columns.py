"""The columns of the inspection form, one row each: blank form, reader, prompt, papers, guide."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.spreadsheet import cell as text_cell
from labkit.errors import InputError
from labkit.qa.decision.limits import READINGS
from labkit.qa.decision.readings import MOST_READINGS
from labkit.qa.decision.sides_and_steps import SIDES
from labkit.qa.files.form_readers import (
    read_checked_on,
    read_instrument,
    read_label,
    read_look,
    read_lot,
    read_measured_on,
    read_pins,
    read_remark,
    read_set_of_pins,
    read_temperature,
    read_use_before,
    yes_or_no,
)
from labkit.qa.files.form_row import FormLine, FormRow, form_number, taken_otherwise
from labkit.tables.cells import number, one_of, words
from labkit.tables.columns import Column
from labkit.tables.values import Cell, TableFile, shown
from labkit.units import plain

#: Slips of the decimal sign lie within and are told as such. No rod is shorter than 5 mm, so that
#: 33.424 cannot be meant as thousands: 33424 lies beyond.
LEAST_READING_MM, MOST_READING_MM = Decimal("0.01"), Decimal(4999)
#: What to do about printed cells that a spreadsheet has spoilt, and why it did.
_TAKEN_OTHERWISE = (
    ": the spreadsheet took its decimal point for another sign; empty these cells or take their "
    "columns out, or open the form again with every column as text"
)
_OF_ANOTHER = (
    "; see whether identifier and readings belong together, and put the form's own value back"
)
_OF_THE_WAY = ', but it is {value} for this rod measured "{method}"'
_RESULTS = {
    "ok": "conforms", "conforms": "conforms", "does not": "does not conform",
    "does not conform": "does not conform",
    "undecided": "undecided",
}


@dataclass(frozen=True)
class FormColumn(Column):
    """A column of the inspection form; what is read goes into the field of its name in a reading.

    Args:
        printed: What the blank form says there; None where it is to be filled in.
        unlike: What to say where a form says something else, after the cell's text.
        spoilt: The same where the spreadsheet took the number for something else.
        of_way: Whether what is printed depends on the way of measuring.
        of_rod: Whether it is about one rod; others may be filled in down a whole column.
        of_length: Whether it is about measuring the length, so that a rod that was only looked at
            has none.
        by: Reads it where the rest of the row has a say, also where the cell is empty.
        question: What the prompt asks for; empty where it does not ask.
        typed: Reads an answer, where that is not `read`.
        told: How the certificate tells it beside the way of measuring, where it has no column.
    """

    printed: Callable[[FormLine], object] | None = None
    unlike: str = ""
    spoilt: str = ""
    of_way: bool = False
    of_rod: bool = False
    of_length: bool = False
    by: Callable[[FormRow], Any] | None = None
    question: str = ""
    typed: Callable[[Cell, TableFile], Any] | None = None
    told: str = ""

    def take(self, row: FormRow) -> Any:
        """Read it from a row; None where it is empty or wrong."""
        if self.by is not None:
            return row.mistakes.take(self.by, row)
        assert self.read is not None
        return row.may(self.read, self.name)

    def problem(self, row: FormRow) -> InputError | None:
        """Hold what a form says against what was printed there."""
        cell = row.cell(self.name)
        if cell is None or self.printed is None or not self.unlike:
            return None
        value = self.printed(row.line)
        if _same(cell.text, value):
            return None
        spoilt = (
            self.spoilt and isinstance(value, Decimal) and taken_otherwise(cell.text, value)
        )
        words = (self.spoilt if spoilt else self.unlike).format(
            rod=grouped(row.line.place.identifier), value=self._shown(value),
            method=row.line.way.method,
        )
        return row.wrong(cell, f'"{shown(cell.text)}"{words}')

    def _shown(self, value: object) -> str:
        if value is None:
            return "empty (no reading would conform)"
        return plain(value) if self.of_way and isinstance(value, Decimal) else written(value)


def _same(text: str, value: object) -> bool:
    if isinstance(value, str):
        return (text.casefold() if value in SIDES else text) == value
    return form_number(text) == value


def written(value: object) -> str:
    """Write what the blank form says; a spreadsheet takes none of it for a formula."""
    if value is None:
        return ""
    return f"{value:f}" if isinstance(value, Decimal) else text_cell(str(value))


def _of_way(
    name: str, meaning: str, printed: Callable[[FormLine], Decimal | None]
) -> FormColumn:
    put_back = (
        "; put that back or empty the cell, and see that the way is the one that was used"
    )
    return FormColumn(
        name, meaning, printed=printed, of_way=True, unlike=_OF_THE_WAY + put_back,
        spoilt=_OF_THE_WAY + _TAKEN_OTHERWISE,
    )


def _yes(cell: Cell, table: TableFile) -> bool:
    return one_of(cell, table, ("yes", "no", "ok")) != "no"


def _result(cell: Cell, table: TableFile) -> tuple[str, str]:
    word = one_of(cell, table, tuple(_RESULTS))
    return word, _RESULTS[word]


#: As many readings of each rod as were taken, filled in from the left; the form prints a few.
READING_COLUMNS = tuple(
    FormColumn(
        f"reading_{k}_mm", f"reading {k}; half-sum, over-less-own: what they give",
        partial(number, low=LEAST_READING_MM, high=MOST_READING_MM), sign=True, of_rod=True,
    )
    for k in range(1, MOST_READINGS + 1)
)
#: In the order of the form. Fields are separated by commas and quoted where needed, the decimal
#: sign is a point, the text is UTF-8, lines end with a line feed.
COLUMNS: tuple[FormColumn, ...] = (
    FormColumn(
        "schema", "version of this form, 1", printed=lambda _: 1,
        unlike="; this program reads forms of schema 1",
    ),
    FormColumn(
        "case", "case number; with an apostrophe before it where a spreadsheet would compute it",
        printed=lambda line: line.case,
        unlike=", but the rod {rod} is of the case {value}; name that case's own form",
    ),
    FormColumn(
        "revision", "number of the set", printed=lambda line: line.place.revision,
        unlike=", but the rod {rod} belongs to set {value}" + _OF_ANOTHER,
    ),
    FormColumn(
        "identifier", "the digits of the rod, in groups with hyphens, so that they stay text",
        printed=lambda line: grouped(line.place.identifier).replace(" ", "-"),
    ),
    FormColumn(
        "step", "number of the step, from 1", printed=lambda line: line.place.form_step,
        unlike=", but the rod {rod} is of step {value}" + _OF_ANOTHER,
    ),
    FormColumn(
        "side", "left or right", printed=lambda line: line.place.expected.side,
        unlike=", but the rod {rod} is a {value} one" + _OF_ANOTHER,
    ),
    FormColumn(
        "label", "functional length as engraved, mm, without the side mark",
        printed=lambda line: Decimal(line.place.expected.label),
        unlike=", but the rod {rod} is labelled {value}" + _OF_ANOTHER,
        spoilt=", but the rod is labelled {value}" + _TAKEN_OTHERWISE,
    ),
    _of_way(
        "tolerance_mm", "± of the functional length", lambda line: line.place.expected.tolerance_mm
    ),
    FormColumn(
        "way", "what is measured: over, between, half-sum, over-less-own, centres or ends",
        printed=lambda line: str(line.way.method),
    ),
    FormColumn(
        "gauge_pins_mm", "diameter of the gauge pins the limits are for; empty without pins",
        printed=lambda line: line.pins, by=read_pins, told="gauge pins {} mm", of_length=True,
    ),
    _of_way(
        "subtract_mm", "taken off a reading to give the functional length; negative: put on",
        lambda line: line.way.shift_mm,
    ),
    _of_way(
        "nominal_mm", "reading of a rod in the middle of everything",
        lambda line: line.nominal_mm,
    ),
    _of_way(
        "lower_mm",
        "least mean reading that conforms; empty where the gauge is too coarse for any",
        lambda line: (line.limits.accepted_reading_mm or (None,))[0],
    ),
    _of_way(
        "upper_mm", "greatest mean reading that conforms",
        lambda line: (line.limits.accepted_reading_mm or (None,))[-1],
    ),
    *READING_COLUMNS[:READINGS],
    FormColumn("label_read", "the label as read from the rod", by=read_label, of_rod=True),
    FormColumn(
        "fittings", "whether both fittings are within their limits, yes (or ok) or no", _yes,
        of_rod=True,
        question="both fittings within their limits, yes or no (enter: not looked at)",
        typed=yes_or_no,
    ),
    FormColumn(
        "result",
        "conforms (or ok), does not or undecided; what is worse than the readings holds the rod",
        _result, of_rod=True,
    ),
    FormColumn(
        "look", "ok where the rod is whole, smooth, straight and clean; else what it is not",
        by=read_look, of_rod=True,
    ),
    FormColumn(
        "instrument", "identification of the instrument", by=read_instrument, of_length=True
    ),
    FormColumn(
        "gauge_pins", "identification of the set of gauge pins, where the way takes pins",
        by=read_set_of_pins, of_length=True,
    ),
    FormColumn("calibration_due", "when its calibration is due, such as 2031-09-30"),
    FormColumn(
        "temperature_c", "temperature of the rods, °C", by=read_temperature, sign=True,
        of_length=True,
    ),
    FormColumn("decision_rule", "where another rule was agreed than the form's"),
    FormColumn(
        "measured_on", "date of the readings, such as 2031-03-20", by=read_measured_on
    ),
    FormColumn("measured_by", "code of who measured", partial(words, most=32)),
    FormColumn("checked_on", "date of the check, such as 2031-03-21", by=read_checked_on),
    FormColumn("checked_by", "code of who checked", partial(words, most=32)),
    FormColumn("material_lot", "lot of the material", by=read_lot),
    FormColumn("remark", "anything else", by=read_remark),
)
BY_NAME = {column.name: column for column in COLUMNS}
#: Columns that a table may have, and that the form, which is a paper of each set, does not print.
FURTHER = (
    FormColumn(
        "use_before", "last day on which that lot may be used, such as 2032-03-31",
        by=read_use_before,
    ),
)
#: Every column that a file may have: the form's own, further readings, and what is told besides.
KNOWN = (*COLUMNS, *READING_COLUMNS[READINGS:], *FURTHER)
#: Columns with a field of their name in a reading.
TOLD = tuple(
    column for column in (*COLUMNS, *FURTHER)
    if (column.read or column.by) and column.name != "result" and column not in READING_COLUMNS
)


def blank_line(line: FormLine) -> list[str]:
    """Give the cells of a rod's line on the blank form."""
    return ["" if one.printed is None else written(one.printed(line)) for one in COLUMNS]


def changed_cells(row: FormRow, *, of_way: bool) -> Iterator[InputError]:
    """Hold what the form says of a rod against the record, or its numbers against the way's.

    Yields:
        An error for each cell that says something else.
    """
    for column in COLUMNS:
        if column.of_way is of_way and (error := column.problem(row)):
            yield error


def printed_numbers(line: FormLine) -> dict[str, Decimal]:
    """Give the numbers that the form prints for a rod measured this way, by name."""
    found = {one.name: one.printed(line) for one in COLUMNS if one.of_way and one.printed}
    return {name: value for name, value in found.items() if isinstance(value, Decimal)}


def columns_table() -> str:
    """Write the table of all columns in Markdown, for the guide."""
    rows = [
        f"| `{one.name}` | {'' if one.printed else 'to fill in: '}{one.meaning} |"
        for one in (*COLUMNS, *FURTHER)
    ]
    return "\n".join(["| column | meaning |", "| --- | --- |", *rows])
