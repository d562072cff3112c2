"""Sentences on a terminal are broken between words; safety words and commands stay whole."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from labkit.cli.folding import folded, print_sentence

TOLD = (
    "NOT TO BE WORN: set 1, step 4 (104.7 %, 31.4/31.6), rods 482 917 3065 (31.4 left): ask it "
    "back, then `labkit rod 4829173065 returned --by anna`; what makes 100 % within rounding may "
    "stay, what is NOT TO BE WORN TOGETHER may not"
)
WHOLE = (
    "NOT TO BE WORN:", "104.7 %", "482 917 3065",
    "`labkit rod 4829173065 returned --by anna`",
)


@pytest.mark.parametrize("width", range(18, 200, 7))
def test_no_word_and_nothing_that_belongs_together_is_cut(width):
    lines = folded(TOLD, width).splitlines()
    assert " ".join(lines) == TOLD
    for words in WHOLE:
        assert any(words in line for line in lines), words
    longest = max(map(len, WHOLE))
    assert all(len(line) <= max(width, longest + 1) for line in lines)


def test_what_is_no_terminal_gets_one_line():
    stream = io.StringIO()
    print_sentence(Console(file=stream, width=40), TOLD)
    assert stream.getvalue() == f"{TOLD}\n"


def test_a_terminal_gets_whole_words():
    stream = io.StringIO()
    print_sentence(Console(file=stream, width=40, force_terminal=True, color_system=None), TOLD)
    assert stream.getvalue() == f"{folded(TOLD, 40)}\n"


def test_a_fact_hangs_under_its_value():
    fact = "  material   a resin of an invented laboratory, for rods"
    assert folded(fact, 36).splitlines() == [
        "  material   a resin of an invented", "             laboratory, for rods",
    ]


def test_a_command_on_a_line_of_its_own_stays_on_it():
    command = "  labkit extra HL-2001 --percent 50 --percent 62.5 --out sets"
    assert folded(command, 30) == command
