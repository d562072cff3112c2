"""A narrow terminal breaks between words: no length, no number and no safety word is cut."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from labkit.cli.print_report import print_table
from labkit.core.report import Column, Table

ROWS = (
    ("QF-1043-r1/1", "33.8", "not to be worn together with any rod of set 2", "103.4",
     "NOT TO BE WORN", "482 917 3065"),
    ("QF-1043-r2/12", "31.45R", "", "88.0", "100 % within rounding", "482 917 3081"),
)
HEADS = ("set/step", "left\nrod", "told", "is\n%", "worn", "identifier")
TABLE = Table(tuple(Column(head) for head in HEADS), ROWS, bold=(0,))


def printed(width, **terminal):
    stream = io.StringIO()
    print_table("Rods in circulation now", TABLE, Console(file=stream, width=width, **terminal))
    return stream.getvalue()


@pytest.mark.parametrize("width", [20, 32, 60, 100])
def test_nothing_is_cut_on_a_terminal(width):
    shown = printed(width, force_terminal=True, color_system=None)
    lines = shown.splitlines()
    assert all(len(line.rstrip()) <= width for line in lines)
    assert "…" not in shown
    words = shown.split()
    for cell in (cell for row in ROWS for cell in row):
        for word in cell.split():
            assert word in words, word


def test_where_it_does_not_fit_a_cell_stands_beside_its_heading():
    lines = printed(20, force_terminal=True, color_system=None).splitlines()
    assert lines[:2] == ["Rods in circulation", "now"]
    assert [line for line in lines if line.startswith("left rod")] == [
        "left rod: 33.8", "left rod: 31.45R",
    ]
    assert "is %: 103.4" in lines
    assert "worn: NOT TO BE WORN" in lines


def test_what_is_no_terminal_gets_the_whole_table():
    lines = printed(20).splitlines()
    assert any("33.8" in line and "NOT TO BE WORN" in line for line in lines)


def test_cells_are_folded_before_a_table_is_given_up():
    """Rods of a case on 80 columns, the safety words uncut beside their rod."""
    heads = ("identifier", "rod", "set,\nstep", "% now", "who has it", "")
    rows = (
        ("8422 916 900 4847", "35.9 left", "1, 1", "50.0", "in the lab, not released", ""),
        ("8422 454 441 6876", "30.1 right", "1, 5", "107.2", "in the mouth", "NOT TO BE WORN"),
        ("8422 314 901 1426", "30.2 right", "1, 5", "100.4", "clinic or wearer",
         "100 % within rounding"),
    )
    stream = io.StringIO()
    console = Console(file=stream, width=80, force_terminal=True, color_system=None)
    print_table("Rods in circulation", Table(tuple(map(Column, heads)), rows), console)
    lines = stream.getvalue().splitlines()
    assert max(map(len, lines)) <= 80
    (marked,) = (line for line in lines if "8422 454 441 6876" in line)
    assert "107.2" in marked
    assert "NOT TO BE WORN" in marked
