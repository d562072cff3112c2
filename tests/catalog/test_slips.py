"""Slips of the hand in a prescription: the sentence names the slip, the line, the right way."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from click.testing import CliRunner

from labkit.catalog.prescriptions import read_prescription, read_typed
from labkit.cli.main import cli
from labkit.core.form.slips import slip_in
from labkit.errors import EXIT_UNREADABLE, InputError
from tests.support.prescriptions import SMALLEST, changed, sliding, source

TEMPLATES = ("eye-eye-flat", "crosspin-eye-flat")
STEPS = "percent = [50, 62.5, 75, 87.5, 100]\nstart = 62.5"

BARE = "allowed is a number in mm from 5 to 120; write 32.4, without quotes"
#: What stands in the smallest prescription, what is typed for it, sentence.
SLIPS = [
    ("pin_distance = 33.6", "pin_distance = 32,4", "32,4 has a decimal comma; write 32.4"),
    ("retruded = -5.2", "retruded = -5,2", "-5,2 has a decimal comma; write -5.2"),
    ("2031-03-14", "11.02.2032", "11.02.2032 is a date in another order; write 2032-02-11"),
    ("2031-03-14", "14/03/2031", "14/03/2031 is a date in another order; write 2031-03-14"),
    (
        "2031-03-14", "11/02/2032",
        "11/02/2032 is a date in another order; write 2032-02-11 or 2032-11-02",
    ),
    ("2031-03-14", "2031-3-4", "2031-3-4 is a date in another form; write 2031-03-04"),
    ('"QF-1043"', "“QF-1043”", '“QF-1043” is in curly quotes; write "QF-1043"'),
    ('"pull"', "pull", 'pull is text without quotes; write "pull"'),
    ("pin_distance = 33.6", "pin_distance = 32.4 mm", "32.4 mm has a unit; write 32.4"),
    ("start = 62.5", "start = 62.5 %", "62.5 % has a unit; write 62.5"),
    ("retruded = -5.2", "retruded = −5.2", "−5.2 has a dash for a minus; write -5.2"),
    ("pin_distance = 33.6", "pin_distance = 33.6\nsides_differ = True",
     "True is another word; write true"),
    ("[50, 62.5, 75, 87.5, 100]", "[50; 62,5; 75]",
     "[50; 62,5; 75] is a list with semicolons; write [50, 62.5, 75]"),
    ("[50, 62.5, 75, 87.5, 100]", "50, 62.5, 75",
     "50, 62.5, 75 is a list without brackets; write [50, 62.5, 75]"),
    ("start = 62.5", "start = 62.5\nstart = 75",
     "grading.start is given twice, in lines 18 and 19; keep the one you mean"),
    ("[grading]", "[bite]", "bite is given twice, in lines 5 and 16; keep the one you mean"),
]


@pytest.mark.parametrize(("old", "new", "sentence"), SLIPS, ids=[s[2] for s in SLIPS])
def test_a_slip_that_is_no_toml_is_named_with_the_right_way(old, new, sentence):
    with pytest.raises(InputError) as caught:
        read_typed(source(changed(SMALLEST, (old, new))), TEMPLATES)
    assert str(caught.value) == f"rx.toml:{_line_of(old, new)}: {sentence}"
    assert caught.value.exit_code == EXIT_UNREADABLE


def _line_of(old, new):
    """Give the line that the last line of a change stands on."""
    lines = changed(SMALLEST, (old, new)).splitlines()
    last = new.splitlines()[-1]
    return max(number for number, text in enumerate(lines, 1) if last in text)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("33.6", '"32.4 mm"', BARE),
        ("33.6", '"32,4"', BARE),
        ("33.6", '"32.4"', BARE),
        ("2031-03-14", '"11.02.2032"', "2031-03-14, without quotes; write 2032-02-11"),
        ("2031-03-14", '"2031-03-14"', "allowed is a date such as 2031-03-14, without quotes"),
        ("33.6", '"long"', 'pin_distance = "long" is not usable; allowed is a number in mm from 5 '
         "to 120"),
    ],
)
def test_a_slip_in_quotes_is_told_how_to_write_it(old, new, sentence):
    with pytest.raises(InputError) as caught:
        read_typed(source(changed(SMALLEST, (old, new))), TEMPLATES)
    assert str(caught.value).endswith(sentence)


@pytest.mark.parametrize(
    "typed", ["case", "QF-1043", "62.5", "-5.2", "[50, 62.5, 75]", "x = 1 # 2,5"[:5], "resin-may"]
)
def test_what_is_no_slip_is_told_nothing(typed):
    assert slip_in(typed) is None


LOOKS = "which looks like a number with a decimal comma; write"
TURNS = (
    'does not rise throughout, since 5 follows 62; "62,5" looks like a number with a decimal '
    "comma: write it with a point, 62.5"
)
LISTS = {
    "50, 62,5, 75": TURNS,
    "50,62,5,75": TURNS,
    "50, 75, 62.5": "does not rise throughout, since 62.5 follows 75; list the steps in rising or "
    "falling order",
    "100, 75, 80": "does not fall throughout, since 80 follows 75; list the steps in rising or "
    "falling order",
    "62,75, 80, 95": f'has "62,75", {LOOKS} 62.75 for one number, or "62, 75" for two',
    "62,5": f'has "62,5", {LOOKS} 62.5 for one number, or "62, 5" for two',
    "50, 62,5,\n  75": "does not rise throughout",
}


@pytest.mark.parametrize("typed", LISTS)
def test_decimal_commas_and_steps_out_of_order_are_told(typed):
    text = changed(SMALLEST, (STEPS, f"percent = [{typed}]"))
    with pytest.raises(InputError) as caught:
        read_typed(source(text), TEMPLATES)
    told = str(caught.value)
    assert told.startswith(f"rx.toml:17: grading.percent = [{typed}] {LISTS[typed]}")
    assert caught.value.exit_code == EXIT_UNREADABLE
    # What is in a record was typed before this rule, and stays readable.
    assert read_prescription(source(text), TEMPLATES)[0].grading.listed


@pytest.mark.parametrize(
    "typed",
    ["50,60,70", "100, 90, 80", "100,90,80", "50,62.5, 75", "50,60, 70, 80", "50 ,62, 75",
     "50,\n60,\n70", "50,60,70,\n  80,90,95", "50, 75, 100,", "50"],
)
def test_lists_in_order_raise_no_alarm(typed):
    read_typed(source(changed(SMALLEST, (STEPS, f"percent = [{typed}]"))), TEMPLATES)


def test_lists_of_one_style_raise_no_alarm():
    chance = random.Random(20320211)
    for _ in range(400):
        steps = sorted(chance.sample(range(10, 101), chance.randint(1, 9)))
        written = [f"{step}.5" if step < 100 and chance.random() < 0.3 else str(step)
                   for step in steps]
        comma = chance.choice([",", ", ", " , ", ",\n  ", ",  # one\n  "])
        order = written if chance.random() < 0.7 else written[::-1]
        typed = f"percent = [{comma.join(order)}]"
        read_typed(source(changed(SMALLEST, (STEPS, typed))), TEMPLATES)


def test_a_decimal_comma_in_a_point_is_told_where_the_point_is_not_usable():
    def told(typed):
        text = changed(sliding(), ("upper = [-8, 27, 4]", f"upper = [{typed}]"))
        try:
            read_typed(source(text), TEMPLATES)
        except InputError as error:
            return str(error)
        return ""

    assert told("-8, 27,5, 4") == (
        f'rx.toml:17: appliance.left.upper = [-8, 27,5, 4] has "27,5", {LOOKS} 27.5 for one '
        'number, or "27, 5" for two'
    )
    assert told("-8,27, 4") == ""
    assert told("-8,27,4") == ""


@pytest.mark.parametrize(
    "option", [["--percent", "62,5"], ["--advancement", "62,5"], ["--between", "62,5", "75"]]
)
def test_a_decimal_comma_in_an_option_is_told_the_right_way(option):
    asked = ["extra", "QF-1043", *option, "--out", "sets", "--by", "anna"]
    result = CliRunner(env={"COLUMNS": "400"}).invoke(cli, asked)
    assert result.exit_code == EXIT_UNREADABLE
    told = " ".join(result.stderr.split())
    assert "before and after the point, such as 68.75; write 62.5" in told


@pytest.mark.parametrize(
    "line", ['prescriber = "D\\u001b[31m"', 'prescriber = "D\\u0007"', '"d\\u009b" = 1']
)
def test_a_control_character_does_not_reach_a_terminal(line):
    text = changed(SMALLEST, ("\n[bite]", f"\n{line}\n\n[bite]"))
    with pytest.raises(InputError, match=r"has the control character U\+00(1B|07|9B) in") as told:
        source(text)
    assert not any(sign in str(told.value) for sign in "\x1b\x07\x9b")


def test_a_text_is_split_once_however_many_keys_it_has():
    class Text(str):
        split = 0

        def splitlines(self, *given):
            Text.split += 1
            return super().splitlines(*given)

    keys = "\n".join(f"key_{number} = 1" for number in range(50))
    many = source(f"{keys}\n{SMALLEST}")
    with pytest.raises(InputError):
        read_typed(replace(many, text=Text(many.text)), TEMPLATES)
    assert Text.split <= 3
