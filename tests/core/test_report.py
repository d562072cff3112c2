"""The one value that every result for people is: what it is not, and what each medium takes."""

from __future__ import annotations

import dataclasses

import pytest

from labkit.cli.print_report import show_report
from labkit.core.findings import note, refused
from labkit.core.report import Column, On, Plot, Report, Section, Table, data_of, is_number_column
from labkit.errors import InputError


@dataclasses.dataclass(frozen=True)
class Made:
    percent: float
    tilt: float | None


@dataclasses.dataclass(frozen=True)
class Rod:
    label: str
    made: Made


COLUMNS = (
    Column("rod", "label"),
    Column("made\n", "made.percent", show=lambda v: f"{v:.1f}", unit="%"),
    Column("tilt", "made.tilt", unit="°", optional=True),
    Column(None, lambda rod: len(rod.label), "letters"),
    Column("twice", lambda rod: 2 * rod.made.percent, show=lambda v: f"{v:.0f}", unit="%"),
)
RODS = [Rod("31.4", Made(12.5, None)), Rod("30.2", Made(50.04, None))]


def test_people_and_programs_take_the_same_cells():
    table = Table.of(COLUMNS, RODS)
    shown = table.shown(On.SCREEN)
    assert shown.heads == ("rod", "made\n%", "twice, %")
    assert shown.texts == (("31.4", "12.5", "25"), ("30.2", "50.0", "100"))
    assert table.records[1] == {
        "label": "30.2", "made": {"percent": 50.04, "tilt": None}, "letters": 4,
    }
    assert table.cells("made.percent") == table.cells("made\n") == (12.5, 50.04)


def test_a_column_that_somebody_knows_is_shown_with_gaps():
    table = Table.of(COLUMNS, [*RODS, Rod("29.0", Made(75.0, 1.5))])
    assert [row[2] for row in table.shown().texts] == ["–", "–", "1.5"]


def test_a_column_for_paper_alone():
    table = Table((Column("a"), Column("b", on=On.PAPER)), ((1, 2),))
    assert table.shown(On.SCREEN).heads == ("a",)
    assert table.shown(On.PAPER).heads == ("a", "b")


def test_rows_have_a_cell_for_each_column():
    with pytest.raises(InputError, match="row of another number of cells"):
        Table((Column("a"),), ((1, 2),))


def test_a_picture_says_what_it_shows_and_is_drawn_once_wanted():
    with pytest.raises(InputError, match="no words for people who cannot see it"):
        Plot("x", dict, "")
    drawn = []
    plot = Plot("x", lambda: drawn.append(1) or {"svg": b"s", "png": b"p"}, "A line.")
    assert drawn == []
    assert plot.files == plot.files == {"x.svg": b"s", "x.png": b"p"}
    assert drawn == [1]


def test_the_screen_takes_its_sections_tables_first(capsys):
    table = Table.of(COLUMNS, RODS)
    report = Report("T", (
        Section("Case QF-1043", ("first", "")),
        Section("Rods made", ("below",), table, notes=("for paper",), brief="Rods"),
        Section("None", table=Table(COLUMNS, ())),
        Section("On paper", ("not here",), on=On.PAPER),
        Section("", findings=(note("a", "known"), refused("b", "stopped"))),
    ))
    show_report(report)
    text = capsys.readouterr().out
    lines = [line.strip() for line in text.splitlines()]
    assert lines[:4] == ["Case QF-1043", "first", "", "Rods"]
    assert lines[-3:] == ["below", "Note: known", "Held: stopped"]
    assert not any(words in text for words in ("for paper", "not here", "None", "letters"))
    assert report.table("Rods made") is table
    assert "stopped" in report.words


def test_what_is_infinite_is_null_for_programs():
    assert data_of({"f": float("inf"), "rows": [Made(1.0, float("-inf"))]}) == {
        "f": None, "rows": [{"percent": 1.0, "tilt": None}],
    }


@pytest.mark.parametrize(
    ("cells", "numbers"),
    [
        (("33.15–33.45", "none"), True), (("±0.128", "∞", "< 0.1 per million"), True),
        (("647 215 0050",), True), (("1 left",), False), (("9.1", "yes"), False), (("",), True),
    ],
)
def test_numbers_stand_at_the_right(cells, numbers):
    assert is_number_column(cells) is numbers
